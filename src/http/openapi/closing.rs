//! Says in the document that what is sent has no other fields than those described.
//!
//! The rule of this file: whatever can be sent is closed, since every input refuses unknown fields. The derive says so
//! for structs; the variants of an enum are closed here.

use std::collections::BTreeSet;

use serde::Serialize;
use serde_json::Value;
use utoipa::openapi::schema::{AdditionalProperties, Schema};
use utoipa::openapi::{OpenApi, RefOr};

const SCHEMAS: &str = "#/components/schemas/";

/// Closes every variant of what can be sent.
pub(super) fn close_variants(document: &mut OpenApi) {
    let sent = names_sent(document);
    let Some(components) = &mut document.components else { return };
    for name in sent {
        let Some(RefOr::T(Schema::OneOf(one_of))) = components.schemas.get_mut(&name) else { continue };
        for variant in &mut one_of.items {
            if let RefOr::T(Schema::Object(variant)) = variant {
                variant.additional_properties.get_or_insert_with(|| Box::new(AdditionalProperties::FreeForm(false)));
            }
        }
    }
}

/// Names of the schemas that a request body leads to.
fn names_sent(document: &OpenApi) -> BTreeSet<String> {
    let operations = document.paths.paths.values().flat_map(|item| [&item.put, &item.post]);
    let mut waiting: Vec<String> =
        operations.flatten().filter_map(|operation| operation.request_body.as_ref()).flat_map(names_in).collect();
    let mut sent = BTreeSet::new();
    while let Some(name) = waiting.pop() {
        if sent.contains(&name) {
            continue;
        }
        if let Some(schema) = document.components.as_ref().and_then(|components| components.schemas.get(&name)) {
            waiting.extend(names_in(schema));
        }
        sent.insert(name);
    }
    sent
}

/// Names of the schemas that a part of the document refers to. Read from its JSON, where a reference has one form.
fn names_in(part: &impl Serialize) -> Vec<String> {
    let mut names = Vec::new();
    collect(&serde_json::to_value(part).unwrap_or_default(), &mut names);
    names
}

fn collect(value: &Value, names: &mut Vec<String>) {
    match value {
        Value::Object(fields) => {
            let reference = fields.get("$ref").and_then(Value::as_str);
            names.extend(reference.and_then(|text| text.strip_prefix(SCHEMAS)).map(str::to_owned));
            fields.values().for_each(|value| collect(value, names));
        }
        Value::Array(items) => items.iter().for_each(|value| collect(value, names)),
        _ => {}
    }
}
