//! That a proof proves what it says, and no longer does once a byte of it is another.

use super::super::record::leaves;
use super::super::tests::{chain, record, records};
use super::*;

fn chain_leaves(seals: &[DaySeal]) -> Vec<TreeHash> {
    seals.iter().map(DaySeal::leaf).collect()
}

fn record_proof(counts: &[usize], seal: usize, record: usize) -> Proof {
    let seals = chain(counts);
    let records = records(counts[seal]);
    let proof = RecordProof::new(
        records[record].clone(),
        &leaves(&records).unwrap(),
        seals[seal].clone(),
        &chain_leaves(&seals),
    );
    Proof::Record(proof.unwrap())
}

fn consistency_proof(size: usize, old_size: usize) -> Proof {
    let seals = chain(&vec![1; size]);
    let proof = ConsistencyProof::new(seals[0].group_id, seals[0].clinic_id, &chain_leaves(&seals), old_size);
    Proof::Consistency(proof.unwrap())
}

fn text(proof: &Proof) -> String {
    serde_json::to_string(proof).unwrap()
}

#[test]
fn every_record_of_every_day_is_proved_up_to_the_head() {
    let counts = [3, 0, 1, 7, 2];
    let seals = chain(&counts);
    let head = ChainHead::new(seals[0].group_id, seals[0].clinic_id, &chain_leaves(&seals));
    for (seal, count) in counts.into_iter().enumerate() {
        for record in 0..count {
            assert_eq!(check_proof(&text(&record_proof(&counts, seal, record))), Ok(head));
        }
    }
}

#[test]
fn every_chain_is_proved_to_begin_with_every_earlier_one() {
    for size in 1..=12 {
        for old_size in 1..=size {
            let proof = consistency_proof(size, old_size);
            let Proof::Consistency(ConsistencyProof { head, .. }) = &proof else { panic!("a consistency proof") };
            assert_eq!(check_proof(&text(&proof)), Ok(*head));
        }
    }
}

#[test]
fn any_other_byte_anywhere_leads_to_no_head_or_another() {
    for proof in [record_proof(&[3, 0, 5, 2], 2, 3), consistency_proof(7, 5)] {
        let sent = text(&proof);
        let kept = check_proof(&sent);
        for place in 0..sent.len() {
            // Another case, another digit, another letter, a blank, and the ends of names and values.
            for other in *b" 07aF\"\\,}-." {
                let mut bytes = sent.clone().into_bytes();
                bytes[place] = other;
                let edited = String::from_utf8(bytes).unwrap();
                assert!(edited == sent || check_proof(&edited) != kept, "accepted: {edited}");
            }
        }
    }
}

#[test]
fn layout_is_free_and_the_form_of_values_is_not() {
    let proof = record_proof(&[3, 2], 0, 1);
    let Ok(head) = proof.check() else { panic!("a proof") };
    assert_eq!(check_proof(&serde_json::to_string_pretty(&proof).unwrap()), Ok(head));
    let sent = text(&proof);
    let clinic_id = head.clinic_id.to_string();
    for (from, to) in [
        (clinic_id.as_str(), clinic_id.to_uppercase().as_str()),
        ("05:00:00.000000Z", "05:00:00Z"),
        ("05:00:00.000000Z", "05:00:00.000000+00:00"),
        ("{\"proof\"", "{\"remark\":\"\",\"proof\""),
        (",\"previous\":null", ""),
        ("\"previous\":null", "\"previous\":null,\"remark\":1"),
    ] {
        let edited = sent.replace(from, to);
        assert_ne!(edited, sent);
        assert!(matches!(check_proof(&edited), Err(ProofError::AnotherForm | ProofError::Unreadable(_))), "{to}");
    }
    let twice = sent.replace("\"ordinal\":1", "\"ordinal\":7,\"ordinal\":1");
    assert!(matches!(check_proof(&twice), Err(ProofError::Unreadable(_))));
}

#[test]
fn what_does_not_hold_is_not_made_into_a_proof() {
    let seals = chain(&[3, 2]);
    let (records, chain) = (records(3), chain_leaves(&seals));
    let leaves = leaves(&records).unwrap();
    let make = |record: Record, seal: &DaySeal, chain: &[TreeHash]| {
        RecordProof::new(record, &leaves, seal.clone(), chain).map(drop)
    };
    assert_eq!(make(records[1].clone(), &seals[0], &chain), Ok(()));
    assert_eq!(make(record(1, "0.46"), &seals[0], &chain), Err(ProofError::NotOfTheDay));
    assert_eq!(make(record(9, "0.45"), &seals[0], &chain), Err(ProofError::NotOfTheDay));
    assert_eq!(make(records[1].clone(), &seals[1], &chain), Err(ProofError::NotOfTheDay));
    assert_eq!(make(records[1].clone(), &seals[0], &chain[1..]), Err(ProofError::NotOfTheChain));
    assert_eq!(make(records[1].clone(), &seals[0], &[]), Err(ProofError::NotOfTheChain));
    let (group_id, clinic_id) = (seals[0].group_id, seals[0].clinic_id);
    for old_size in [0, 3] {
        let proof = ConsistencyProof::new(group_id, clinic_id, &chain, old_size);
        assert_eq!(proof, Err(ProofError::NotContinued));
    }
}

#[test]
fn heads_of_two_clinics_prove_nothing_of_each_other() {
    let Proof::Consistency(mut proof) = consistency_proof(4, 2) else { panic!("a consistency proof") };
    proof.old_head.clinic_id = Uuid::max();
    assert_eq!(proof.check(), Err(ProofError::NotContinued));
    let Proof::Record(mut proof) = record_proof(&[2], 0, 0) else { panic!("a proof of a record") };
    proof.head.group_id = Uuid::max();
    assert_eq!(proof.check(), Err(ProofError::NotOfTheChain));
}
