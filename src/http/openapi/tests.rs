//! What the document must be like, whatever it is about.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use super::*;

fn every_operation(document: &mut OpenApi) -> Vec<(String, &mut Operation)> {
    document
        .paths
        .paths
        .iter_mut()
        .flat_map(|(path, item)| operations_mut(item).map(move |(_, operation)| (path.clone(), operation)))
        .collect()
}

/// First words of ids, as `DEVELOPERS.md` lists them.
const VERBS: [&str; 19] = [
    "get", "list", "put", "delete", "create", "revoke", "start", "end", "record", "withdraw", "import", "export",
    "explain", "verify", "seat", "leave", "lift", "release", "close",
];

/// First words of summaries: what whoever sends the request wants done.
const BEGINNINGS: [&str; 33] = [
    "Begin",
    "Check",
    "Close",
    "Create",
    "Download",
    "End",
    "Explain",
    "Export",
    "Forecast",
    "Import",
    "Lift",
    "List",
    "Mark",
    "Open",
    "Post",
    "Prove",
    "Purge",
    "Quarantine",
    "Read",
    "Recall",
    "Record",
    "Release",
    "Review",
    "Revoke",
    "Set",
    "Sign",
    "Start",
    "Submit",
    "Sum",
    "Take",
    "Tell",
    "Withdraw",
    "Work",
];

/// Doc comments are written for readers of the code too, and not all of it is for clients.
#[test]
fn no_description_shows_rust() {
    fn visit(value: &serde_json::Value, seen: &mut usize) {
        match value {
            serde_json::Value::Object(fields) => {
                for (name, field) in fields {
                    if let (true, Some(text)) = (name == "description", field.as_str()) {
                        *seen += 1;
                        assert!(!["::", "```", "[`"].iter().any(|sign| text.contains(sign)), "{text}");
                    }
                    visit(field, seen);
                }
            }
            serde_json::Value::Array(items) => items.iter().for_each(|item| visit(item, seen)),
            _ => {}
        }
    }
    let mut seen = 0;
    visit(&serde_json::to_value(document()).unwrap(), &mut seen);
    assert!(seen > 1000, "the search finds what is there: {seen}");
}

#[test]
fn every_operation_has_a_summary_a_tag_of_ours_and_an_id_of_its_own() {
    let mut document = document();
    let mut ids = BTreeSet::new();
    for (path, operation) in every_operation(&mut document) {
        let summary = operation.summary.clone().unwrap_or_default();
        let first = summary.split(' ').next().unwrap_or_default();
        assert!(BEGINNINGS.contains(&first), "{path}: {summary:?} begins with no verb of ours");
        assert!(!summary.ends_with('.'), "{path}: {summary:?} is a title, and ends without a full stop");
        let tags = operation.tags.as_deref().unwrap_or_default();
        assert!(tags.len() == 1 && TAGS.iter().any(|(name, _)| *name == tags[0]), "{path}: {tags:?}");
        let id = operation.operation_id.clone().unwrap_or_default();
        assert!(!id.is_empty() && ids.insert(id.clone()), "{path}: {id:?} is empty or used twice");
        let verb = id.split('_').next().unwrap_or_default();
        assert!(VERBS.contains(&verb), "{path}: {id:?} begins with no verb of ours");
    }
}

#[test]
fn every_json_body_has_an_example() {
    let mut document = document();
    let mut missing = Vec::new();
    for (path, operation) in every_operation(&mut document) {
        let id = operation.operation_id.clone().unwrap_or_default();
        for part in [Part::Request, Part::Response] {
            if json_contents_mut(operation, part).iter().any(|content| content.example.is_none()) {
                missing.push(format!("{part:?} of {id} ({path})"));
            }
        }
    }
    assert!(missing.is_empty(), "without an example: {missing:#?}");
}

#[test]
fn every_example_belongs_to_a_body() {
    let mut document = document();
    for example in examples() {
        let found = every_operation(&mut document)
            .into_iter()
            .filter(|(_, operation)| operation.operation_id.as_deref() == Some(example.operation_id))
            .map(|(_, operation)| json_contents_mut(operation, example.part).len())
            .sum::<usize>();
        assert!(found > 0, "{:?} of {} is nobody's example", example.part, example.operation_id);
    }
}

#[test]
fn a_key_is_asked_for_under_v1_and_nowhere_else() {
    let mut document = document();
    for (path, operation) in every_operation(&mut document) {
        let asks = operation.security.as_ref().is_some_and(|security| !security.is_empty());
        assert_eq!(asks, path.starts_with("/v1/"), "{path}");
        assert_eq!(operation.responses.responses.contains_key("401"), asks, "{path}");
    }
}

/// Two types of one name overwrite each other in the document without a word, so the sources are read instead.
#[test]
fn no_two_types_in_the_document_share_a_name() {
    let mut homes: BTreeMap<String, Vec<String>> = BTreeMap::new();
    visit(Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/src")), &mut |path, source| {
        for name in names_with_schemas(source) {
            homes.entry(name.to_owned()).or_default().push(path.display().to_string());
        }
    });
    assert!(homes.contains_key("Problem"), "the search finds what is there");
    homes.retain(|_, files| files.len() > 1);
    assert!(homes.is_empty(), "{homes:#?}");
}

fn visit(folder: &Path, see: &mut impl FnMut(&Path, &str)) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            visit(&path, see);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            see(&path, &fs::read_to_string(&path).unwrap());
        }
    }
}

/// Names in the document of the types that derive `ToSchema`: what `schema(as = …)` says, else that of the first
/// `struct` or `enum` after each such derive.
fn names_with_schemas(source: &str) -> impl Iterator<Item = &str> {
    source.match_indices("#[derive(").filter_map(|(at, _)| {
        let (derives, rest) = source[at..].split_once(")]")?;
        if !derives.contains("ToSchema") {
            return None;
        }
        let attributes = rest.split("struct ").next()?.split("enum ").next()?;
        if let Some((_, name)) = attributes.split_once("#[schema(as = ") {
            return name.split(')').next();
        }
        let line = rest.lines().map(str::trim).find(|line| line.contains("struct ") || line.contains("enum "))?;
        let (_, name) = line.split_once("struct ").or_else(|| line.split_once("enum "))?;
        name.split(|c: char| !c.is_alphanumeric()).next()
    })
}
