//! Seals and proofs against published vectors, a second implementation of the tree and a second reader of proofs.

use std::io::Write as _;
use std::process::{Command, Stdio};

use chairtide::domain::seal::canonical::canonical;
use chairtide::domain::seal::proof::{ConsistencyProof, Proof, RecordProof, check_proof};
use chairtide::domain::seal::record::{Record, leaves};
use chairtide::domain::seal::tree::{self, TreeHash};
use chairtide::domain::seal::{Day, DaySeal};
use chrono::{DateTime, Days, NaiveDate, Utc};
use ct_merkle::mem_backed_tree::MemoryBackedTree;
use data_encoding::HEXLOWER;
use serde::Deserialize;
use serde_json::{Value, json};
use sha2::Sha256;
use uuid::Uuid;

/// Leaves, roots, paths and proofs of RFC 6962 and 9162, section 2.1; source in its `_about`.
const MERKLE_VECTORS: &str = include_str!("merkle_vectors.json");

/// Examples of RFC 8785 and test files of its author; source in its `_about` and beside each case.
const CANONICAL_EXAMPLES: &str = include_str!("rfc8785_examples.json");

#[derive(Deserialize)]
struct MerkleVectors {
    leaves_hex: Vec<String>,
    roots_by_size_0_to_8: Vec<TreeHash>,
    inclusion: Vec<InclusionVector>,
    consistency: Vec<ConsistencyVector>,
}

#[derive(Deserialize)]
struct InclusionVector {
    leaf_index: usize,
    tree_size: usize,
    path: Vec<TreeHash>,
}

#[derive(Deserialize)]
struct ConsistencyVector {
    first: usize,
    second: usize,
    proof: Vec<TreeHash>,
}

fn vectors() -> (MerkleVectors, Vec<TreeHash>) {
    let vectors: MerkleVectors = serde_json::from_str(MERKLE_VECTORS).expect("the vectors are readable");
    let content = |hex: &String| HEXLOWER.decode(hex.as_bytes()).expect("hex");
    let leaves = vectors.leaves_hex.iter().map(|hex| TreeHash::of_leaf(&content(hex))).collect();
    (vectors, leaves)
}

#[test]
fn trees_have_the_published_roots_and_the_empty_one_too() {
    let (vectors, leaves) = vectors();
    let roots: Vec<TreeHash> = (0..=leaves.len()).map(|size| tree::root(&leaves[..size])).collect();
    assert_eq!(roots, vectors.roots_by_size_0_to_8);
}

#[test]
fn paths_are_the_published_ones_and_lead_to_the_published_roots() {
    let (vectors, leaves) = vectors();
    assert_eq!(vectors.inclusion.len(), 36);
    for InclusionVector { leaf_index, tree_size, path } in &vectors.inclusion {
        assert_eq!(tree::inclusion(&leaves[..*tree_size], *leaf_index).as_ref(), Some(path));
        let root = tree::root_by_inclusion(leaves[*leaf_index], *leaf_index, *tree_size, path);
        assert_eq!(root, Some(vectors.roots_by_size_0_to_8[*tree_size]));
    }
}

#[test]
fn consistency_proofs_are_the_published_ones_and_hold() {
    let (vectors, leaves) = vectors();
    assert_eq!(vectors.consistency.len(), 36);
    let root = |size: usize| vectors.roots_by_size_0_to_8[size];
    for ConsistencyVector { first, second, proof } in &vectors.consistency {
        assert_eq!(tree::consistency(&leaves[..*second], *first).as_ref(), Some(proof));
        assert!(tree::is_consistent(*first, root(*first), *second, root(*second), proof));
    }
}

/// The vectors end at eight leaves; beyond, `ct-merkle` 0.3.0 is the second opinion.
#[test]
fn trees_of_up_to_forty_leaves_are_those_of_another_implementation() {
    let bytes = |path: Option<Vec<TreeHash>>| path.expect("a path").iter().flat_map(|hash| *hash.as_bytes()).collect();
    let mut other = MemoryBackedTree::<Sha256, [u8; 8]>::new();
    let mut leaves = Vec::new();
    for number in 0..40_u64 {
        other.push(number.to_be_bytes());
        leaves.push(TreeHash::of_leaf(&number.to_be_bytes()));
        let size = leaves.len();
        assert_eq!(other.root().as_bytes().as_slice(), tree::root(&leaves).as_bytes());
        for place in 0..size {
            let path: Vec<u8> = bytes(tree::inclusion(&leaves, place));
            assert_eq!(other.prove_inclusion(place).as_bytes(), path, "leaf {place} of {size}");
            let proof: Vec<u8> = bytes(tree::consistency(&leaves, size - place));
            assert_eq!(other.prove_consistency(place).as_bytes(), proof, "{} of {size}", size - place);
        }
    }
}

#[derive(Deserialize)]
struct CanonicalFile {
    cases: Vec<CanonicalCase>,
}

#[derive(Deserialize)]
struct CanonicalCase {
    name: String,
    given: String,
    canonical: String,
}

/// Three of the cases hold fractions, which no record may: those are asked of the crate behind [`canonical`] alone.
#[test]
fn canonical_json_is_that_of_rfc_8785() {
    let file: CanonicalFile = serde_json::from_str(CANONICAL_EXAMPLES).expect("the examples are readable");
    let mut refused = Vec::new();
    for CanonicalCase { name, given, canonical: expected } in &file.cases {
        let value: Value = serde_json::from_str(given).expect("an example is JSON");
        assert_eq!(&serde_json_canonicalizer::to_string(&value).expect("it can be written"), expected, "{name}");
        match canonical(&value) {
            Ok(text) => assert_eq!(text, expected.as_bytes(), "{name}"),
            Err(_) => refused.push(name.as_str()),
        }
    }
    assert_eq!((file.cases.len(), refused), (8, vec!["rfc_example", "structures", "values"]));
}

fn record(number: usize, note: &str) -> Record {
    let Value::Object(fields) = json!({
        "performed_by": "KV", "note": note, "early": number.is_multiple_of(2), "elapsed_seconds": number,
        "limits": [{ "value": "0.5", "unit": "mg/L", "ends_on": null }], "\u{20ac}": { "\u{1F600}": 1, "\u{fb33}": 2 },
    }) else {
        unreachable!("an object is written above")
    };
    Record::new("completion", format!("{number:04}"), fields)
}

/// Texts that are hard to write the same way twice: escapes, control characters, other planes, unnormalised letters.
const NOTES: [&str; 5] = [
    "",
    "rinsed \"twice\"\n\t\u{8}\u{c}\r\\/",
    "\u{0}\u{1f}\u{7f}\u{80}\u{2028}",
    "A\u{30a} \u{c5}",
    "\u{1F600}\u{fb33}\u{ffff}",
];

/// Days of 0 to 6 records, and every proof that can be made of them.
fn proofs() -> Vec<Proof> {
    let group_id = Uuid::from_u128(0x0A);
    let clinic_id = Uuid::from_u128(0xC1);
    let first_day: NaiveDate = "2026-11-02".parse().expect("a date");
    let opens_at: DateTime<Utc> = "2026-11-02T05:00:00.000001Z".parse().expect("an instant");
    let mut days: Vec<(DaySeal, Vec<Record>)> = Vec::new();
    for number in 0..7_u8 {
        let (opened, closed) = (Days::new(number.into()), Days::new(u64::from(number) + 1));
        let day = Day {
            group_id,
            clinic_id,
            clinic_day: first_day + opened,
            recorded_from: opens_at + opened,
            recorded_until: opens_at + closed,
        };
        let note = |record: usize| NOTES[record % NOTES.len()];
        let records: Vec<Record> = (0..number.into()).map(|place| record(place, note(place))).collect();
        let leaves = leaves(&records).expect("records make leaves");
        let last = days.last().map(|(seal, _)| seal);
        let seal = DaySeal::new(day, &leaves, opens_at + closed, last).expect("it follows");
        days.push((seal, records));
    }
    let chain: Vec<TreeHash> = days.iter().map(|(seal, _)| seal.leaf()).collect();
    let mut proofs = Vec::new();
    for (seal, records) in &days {
        let leaves = leaves(records).expect("records make leaves");
        for record in records {
            for size in seal.number + 1..=chain.len() {
                let proof = RecordProof::new(record.clone(), &leaves, seal.clone(), &chain[..size]);
                proofs.push(Proof::Record(proof.expect("a record that was sealed")));
            }
        }
    }
    for size in 1..=chain.len() {
        for old_size in 1..=size {
            let proof = ConsistencyProof::new(group_id, clinic_id, &chain[..size], old_size);
            proofs.push(Proof::Consistency(proof.expect("a chain that grew")));
        }
    }
    proofs
}

/// Each text with some of its bytes changed, one at a time. Blanks are left out: layout is free.
fn edited(text: &str, stride: usize) -> Vec<String> {
    let edit = |place: usize, other: char| format!("{}{other}{}", &text[..place], &text[place + 1..]);
    let places = (0..text.len()).step_by(stride).filter(|place| text.as_bytes()[*place].is_ascii());
    let places = places.filter(|place| text.is_char_boundary(place + 1));
    places.flat_map(|place| ['0', '7', 'a', 'F', '"', '.'].map(|other| edit(place, other))).collect()
}

const READ_ALL: &str = "
import json, sys
sys.dont_write_bytecode = True
sys.path.insert(0, sys.argv[1])
import check_proof
for line in sys.stdin:
    try:
        print(json.dumps(check_proof.check(json.loads(line))))
    except (ValueError, KeyError, TypeError, AttributeError):
        print('null')
";

/// What `seed-demo/check_proof.py` says of each text: the head, or nothing.
fn read_in_python(texts: &[String]) -> Vec<Value> {
    let scripts = concat!(env!("CARGO_MANIFEST_DIR"), "/seed-demo");
    let mut python = Command::new("python3")
        .args(["-c", READ_ALL, scripts])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python3 is installed");
    let mut input = python.stdin.take().expect("it listens");
    let lines: Vec<u8> = texts.iter().flat_map(|text| format!("{}\n", json!(text)).into_bytes()).collect();
    let writer = std::thread::spawn(move || input.write_all(&lines));
    let output = python.wait_with_output().expect("it ends");
    writer.join().expect("no panic").expect("it reads all");
    assert!(output.status.success());
    let answers = String::from_utf8(output.stdout).expect("text");
    answers.lines().map(|line| serde_json::from_str(line).expect("JSON")).collect()
}

#[test]
fn the_script_in_another_language_reads_every_proof_as_we_do() {
    let proofs: Vec<String> = proofs().iter().map(|proof| serde_json::to_string(proof).expect("JSON")).collect();
    assert_eq!(proofs.len(), 84);
    let heads: Vec<Value> = proofs.iter().map(|text| json!(check_proof(text).expect("a proof"))).collect();
    assert_eq!(read_in_python(&proofs), heads);
}

#[test]
fn the_script_in_another_language_refuses_what_we_refuse() {
    let proofs: Vec<String> = proofs().iter().map(|proof| serde_json::to_string(proof).expect("JSON")).collect();
    let texts: Vec<String> = proofs.iter().step_by(9).flat_map(|text| edited(text, 5)).collect();
    assert!(texts.len() > 5_000, "{}", texts.len());
    let ours: Vec<Value> = texts.iter().map(|text| json!(check_proof(text).ok())).collect();
    let theirs = read_in_python(&texts);
    for ((text, ours), theirs) in texts.iter().zip(&ours).zip(&theirs) {
        assert_eq!(ours, theirs, "{text}");
    }
    // An edit that leads to a head that was given out wrote the same in another way, as `\u001F` for `\u001f`.
    let value = |text: &String| serde_json::from_str::<Value>(text).expect("JSON");
    let originals: Vec<Value> = proofs.iter().map(value).collect();
    let heads: Vec<Value> = originals.iter().map(|proof| proof["head"].clone()).collect();
    for (text, _) in texts.iter().zip(&ours).filter(|(_, answer)| heads.contains(answer)) {
        assert!(originals.contains(&value(text)), "accepted: {text}");
    }
}

#[test]
fn the_script_runs_on_a_file_and_ends_with_an_error_on_a_forged_one() {
    let text = serde_json::to_string_pretty(&proofs()[9]).expect("JSON");
    let folder = tempfile::tempdir().expect("a folder");
    let run = |text: &str| {
        let file = folder.path().join("proof.json");
        std::fs::write(&file, text).expect("a file");
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/seed-demo/check_proof.py");
        Command::new("python3").arg(script).arg(file).output().expect("python3 is installed")
    };
    let output = run(&text);
    let head: Value = serde_json::from_slice(&output.stdout).expect("a head");
    assert_eq!((output.status.success(), head), (true, json!(check_proof(&text).expect("a proof"))));
    assert!(!run(&text.replace("KV", "KW")).status.success());
}
