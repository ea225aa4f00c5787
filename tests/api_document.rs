//! The committed API document against the code: a change of the API shows in review, and clients are made from what
//! is served.

use std::fs;

use serde_json::Value;

/// Written anew with `chairtide openapi > openapi/chairtide.json`.
const COMMITTED: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/openapi/chairtide.json");

#[test]
fn the_committed_document_is_the_one_the_code_describes() {
    let committed = fs::read_to_string(COMMITTED).expect("openapi/chairtide.json is committed");
    let described = chairtide::http::openapi::document().to_pretty_json().expect("the document is plain JSON");
    let difference = committed.lines().zip(described.lines()).position(|(committed, described)| committed != described);
    assert!(
        committed.trim_end() == described.trim_end(),
        "first difference in line {:?}; if the change is meant: cargo run -- openapi > openapi/chairtide.json",
        difference.map(|line| line + 1),
    );
}

/// Every reference leads somewhere: a document with a loose end still validates, and breaks each client made from it.
#[test]
fn every_reference_in_the_document_leads_somewhere() {
    let document: Value = serde_json::from_str(&fs::read_to_string(COMMITTED).expect("it is committed")).expect("JSON");
    let mut references = Vec::new();
    collect(&document, &mut references);
    assert!(references.len() > 100, "the search finds what is there");
    for reference in references {
        let pointer = reference.strip_prefix('#').expect("the document is whole in itself");
        assert!(document.pointer(pointer).is_some(), "{reference} leads nowhere");
    }
}

fn collect<'a>(value: &'a Value, references: &mut Vec<&'a str>) {
    match value {
        Value::Object(fields) => {
            references.extend(fields.get("$ref").and_then(Value::as_str));
            fields.values().for_each(|v| collect(v, references));
        }
        Value::Array(items) => items.iter().for_each(|v| collect(v, references)),
        _ => {}
    }
}
