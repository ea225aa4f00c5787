use proptest::prelude::*;

use super::*;
use crate::domain::retention::accounted::account;
use crate::domain::seal::tamper::SealFinding;

fn on(day: u32) -> NaiveDate {
    NaiveDate::from_ymd_opt(2010, 1, 1).expect("a date") + chrono::TimeDelta::days(day.into())
}

fn name(n: u32) -> RecordName {
    RecordName { kind: "completion".to_owned(), id: format!("{n:04}") }
}

fn candidate(n: u32, class: RecordClass, day: u32) -> Candidate {
    Candidate { name: name(n), class, subject_id: None, clinic_day: on(day), task_day: None, stays: None }
}

fn hold(class: Option<RecordClass>, from: Option<u32>, until: Option<u32>) -> LegalHold {
    LegalHold {
        legal_hold_id: Uuid::nil(),
        clinic_id: Uuid::nil(),
        record_class: class,
        subject_id: None,
        from_on: from.map(on),
        until_on: until.map(on),
        reason: "asked for".to_owned(),
        staff_id: Uuid::nil(),
        begun_by: "Mara Oduya".to_owned(),
        recorded_at: DateTime::UNIX_EPOCH,
        key_id: Uuid::nil(),
        lift: None,
    }
}

fn ten_years(_: RecordClass, _: NaiveDate) -> Keeping {
    Keeping { years: 10, decided_by: "default".to_owned() }
}

fn ids(decision: &Decision) -> (Vec<&str>, Vec<(&str, StaysBecause)>) {
    let staying = decision.staying.iter().map(|(candidate, why)| (candidate.name.id.as_str(), *why));
    (decision.going.iter().map(|candidate| candidate.name.id.as_str()).collect(), staying.collect())
}

#[test]
fn what_is_old_and_free_goes_and_everything_else_stays_for_its_reason() {
    let class = RecordClass::RoutineWork;
    let holds = [hold(Some(RecordClass::Sterilisation), Some(2), Some(2))];
    let broken_days = BTreeSet::from([on(3)]);
    let today = on(0) + chrono::Months::new(120) + chrono::TimeDelta::days(5);
    let asked = Asked { class: None, today, holds: &holds, holds_elsewhere: &[], broken_days: &broken_days };
    let candidates = vec![
        candidate(1, class, 0),
        candidate(2, class, 5),
        candidate(3, RecordClass::Sterilisation, 2),
        candidate(4, class, 2),
        candidate(5, RecordClass::Incidents, 2),
        candidate(6, class, 3),
        Candidate { stays: Some(StaysBecause::StillStands), ..candidate(7, class, 0) },
        candidate(8, class, 0),
        candidate(9, class, 0),
    ];
    // 9 is named by 8, which a record of a later day names.
    let naming = [(name(9), name(8)), (name(8), name(100))];
    let decision = decide(candidates.clone(), &naming, &asked, ten_years);
    let (going, staying) = ids(&decision);
    assert_eq!(going, ["0001", "0004"]);
    let expected = [
        ("0002", StaysBecause::TimeNotOver),
        ("0003", StaysBecause::LegalHold),
        ("0005", StaysBecause::LegalHold),
        ("0006", StaysBecause::NotAsSealed),
        ("0007", StaysBecause::StillStands),
        ("0008", StaysBecause::NamedByWhatStays),
        ("0009", StaysBecause::NamedByWhatStays),
    ];
    assert_eq!(staying, expected);
    // Of one class only; what another class names stays with it.
    let asked = Asked { class: Some(RecordClass::Sterilisation), holds: &[], ..asked };
    let naming = [(name(3), name(4))];
    let decision = decide(candidates, &naming, &asked, ten_years);
    assert_eq!(ids(&decision), (vec![], vec![("0003", StaysBecause::NamedByWhatStays)]));
}

#[test]
fn a_hold_on_a_subject_keeps_what_is_about_it_and_what_tells_none_until_it_is_lifted() {
    let (chair, other) = (Uuid::from_u128(1), Uuid::from_u128(2));
    let mut held = LegalHold { subject_id: Some(chair), ..hold(None, None, None) };
    for (subject, keeps) in [(Some(chair), true), (Some(other), false), (None, true)] {
        assert_eq!(held.keeps(RecordClass::RoutineWork, subject, on(0)), keeps, "{subject:?}");
    }
    held.lift = Some(crate::domain::retention::hold::Lift {
        lift_id: Uuid::nil(),
        reason: "settled".to_owned(),
        staff_id: Uuid::nil(),
        lifted_by: "Mara Oduya".to_owned(),
        recorded_at: DateTime::UNIX_EPOCH,
        key_id: Uuid::nil(),
    });
    assert!(!held.keeps(RecordClass::RoutineWork, Some(chair), on(0)));
}

/// SHA-256 of "completion 0001 <64 zeros>\n", by `sha256sum` of GNU coreutils.
#[test]
fn the_digest_of_a_day_is_that_of_its_lines() {
    let list = Leaves::from([(name(1), TreeHash::from([0; 32]))]);
    let day = PurgedDay::of(on(0), &list);
    assert_eq!((day.record_count, day.digest.as_str()), (1, DIGEST));
}
const DIGEST: &str = "a5627fb49be425ea189729293056734b7efcd6967f730f52512f6b5c65a89a04";

fn purge(days: Vec<PurgedDay>) -> Purge {
    Purge {
        purge_id: Uuid::from_u128(7),
        clinic_id: Uuid::nil(),
        record_class: None,
        from_on: on(0),
        until_on: on(9),
        purged_on: on(4_000),
        record_count: days.iter().map(|day| day.record_count).sum(),
        days,
        classes: Vec::new(),
        reason: "kept long enough".to_owned(),
        staff_id: Uuid::nil(),
        purged_by: "Mara Oduya".to_owned(),
        recorded_at: DateTime::UNIX_EPOCH,
        key_id: Uuid::nil(),
    }
}

#[test]
fn only_what_a_sound_list_names_with_its_leaf_counts_as_purged() {
    let leaf = |n: u8| TreeHash::from([n; 32]);
    let sealed: Leaves = (1..=4).map(|n| (name(n.into()), leaf(n))).collect();
    let sealed = BTreeMap::from([(on(0), sealed)]);
    let days = BTreeSet::from([on(0)]);
    let entry =
        |n: u8, leaf| PurgedRecord { purge_id: Uuid::from_u128(7), clinic_day: on(0), name: name(n.into()), leaf };
    let removed = |n: u8| SealFinding::RecordRemoved { clinic_day: on(0), record: name(n.into()) };
    let list = vec![entry(1, leaf(1)), entry(2, leaf(2))];
    let day = PurgedDay::of(on(0), &list.iter().map(|entry| (entry.name.clone(), entry.leaf)).collect());
    let sound = purge(vec![day]);
    let purge_id = sound.purge_id;
    let list_changed = SealFinding::PurgeListChanged { clinic_day: on(0), purge_id };
    let check = |findings: &[SealFinding], purges: &[Purge], list: &[PurgedRecord]| {
        account(findings.to_vec(), &days, purges, list, &sealed)
    };
    // As it should be; a third that is missing is none of the purge's.
    let (found, accounted) = check(&[removed(1), removed(2), removed(3)], std::slice::from_ref(&sound), &list);
    assert_eq!((found, accounted.len(), accounted[0].record_count), (vec![removed(3)], 1, 2));
    // One is there again.
    let (found, _) = check(&[removed(1)], std::slice::from_ref(&sound), &list);
    let present = SealFinding::PurgedRecordPresent { clinic_day: on(0), record: name(2), purge_id };
    assert_eq!(found, [present]);
    // A line too many, one too few, one of another leaf, all of them, or no purge: then nothing counts as purged.
    let missing = [removed(1), removed(2), removed(3)];
    for list in [
        vec![entry(1, leaf(1)), entry(2, leaf(2)), entry(3, leaf(3))],
        vec![entry(1, leaf(1))],
        vec![entry(1, leaf(1)), entry(2, leaf(9))],
        vec![],
    ] {
        let (found, accounted) = check(&missing, std::slice::from_ref(&sound), &list);
        assert_eq!(found, [missing.as_slice(), std::slice::from_ref(&list_changed)].concat());
        assert!(accounted.is_empty());
    }
    let (found, _) = check(&missing, &[], &list);
    assert_eq!(found, [missing.as_slice(), std::slice::from_ref(&list_changed)].concat());
    // A purge and a list that agree with each other, but not with the seal.
    let forged = vec![entry(1, leaf(9))];
    let day = PurgedDay::of(on(0), &forged.iter().map(|entry| (entry.name.clone(), entry.leaf)).collect());
    let (found, _) = check(&[removed(1)], &[purge(vec![day])], &forged);
    assert_eq!(found, [removed(1), list_changed]);
}

proptest! {
    /// Whatever names whatever: what goes is free and old, nothing that stays names it, and all of it is decided.
    #[test]
    fn nothing_that_stays_names_what_goes(
        records in prop::collection::vec((0_usize..8, 0_u32..400, any::<bool>()), 1..30),
        naming in prop::collection::vec((0_u32..30, 0_u32..40), 0..60),
        held in prop::option::of((0_usize..8, 0_u32..400)),
        broken in 0_u32..400, old in 200_i64..700,
    ) {
        let candidates: Vec<Candidate> = records.iter().enumerate().map(|(n, (class, day, stands))| Candidate {
            stays: stands.then_some(StaysBecause::StillStands),
            ..candidate(u32::try_from(n).unwrap(), RecordClass::ALL[*class], *day)
        }).collect();
        let naming: Vec<_> = naming.into_iter().map(|(named, by)| (name(named), name(by))).collect();
        let holds: Vec<_> = held.map(|(class, from)| hold(Some(RecordClass::ALL[class]), Some(from), None)).into_iter().collect();
        let broken_days = BTreeSet::from([on(broken)]);
        let today = on(0) + chrono::Months::new(108) + chrono::TimeDelta::days(old);
        let asked = Asked { class: None, today, holds: &holds, holds_elsewhere: &[], broken_days: &broken_days };
        let decision = decide(candidates.clone(), &naming, &asked, ten_years);
        prop_assert_eq!(decision.going.len() + decision.staying.len(), candidates.len());
        let going: BTreeSet<&RecordName> = decision.going.iter().map(|candidate| &candidate.name).collect();
        for (named, by) in &naming {
            prop_assert!(!going.contains(named) || going.contains(by), "{} stays and names {}", by, named);
        }
        for gone in &decision.going {
            prop_assert!(last_kept_on(gone.clinic_day, 10) < today);
            prop_assert!(gone.stays.is_none() && gone.clinic_day != on(broken));
            prop_assert!(!holds.iter().any(|hold| hold.keeps(gone.class, gone.subject_id, gone.clinic_day)));
        }
        // And nothing stays for being named but what is named by something that stays.
        for (candidate, why) in &decision.staying {
            let is_named = naming.iter().any(|(named, by)| *named == candidate.name && !going.contains(by));
            prop_assert!(*why != StaysBecause::NamedByWhatStays || is_named);
        }
    }
}
