//! Says in the document that an edit can be tried: whatever takes `preview` may answer 200 with what it would do.
//!
//! The rule of this file: the parameter alone decides, so that no operation can take it and keep quiet about it.

use utoipa::openapi::path::{Operation, Parameter};
use utoipa::openapi::schema::OneOfBuilder;
use utoipa::openapi::{ContentBuilder, OpenApi, Ref, RefOr, ResponseBuilder};
use utoipa::{PartialSchema as _, ToSchema as _};

use super::operations_mut;
use crate::http::planning::preview::{self, Preview};

const JSON: &str = "application/json";
const DESCRIPTION: &str = "With `preview=true`: what planning would do. Nothing was kept.";

/// Adds the answer of a trial to every operation that can be tried.
pub(super) fn add_trials(document: &mut OpenApi) {
    let mut schemas = vec![(Preview::name().into_owned(), Preview::schema())];
    Preview::schemas(&mut schemas);
    document.components.get_or_insert_default().schemas.extend(schemas);
    let operations = document.paths.paths.values_mut().flat_map(operations_mut);
    for (_, operation) in operations.filter(|(_, operation)| can_be_tried(operation)) {
        add_trial(operation);
    }
}

fn can_be_tried(operation: &Operation) -> bool {
    let mut parameters = operation.parameters.iter().flatten();
    parameters.any(|parameter| matches!(parameter, RefOr::T(Parameter { name, .. }) if name == "preview"))
}

fn add_trial(operation: &mut Operation) {
    let tried = Ref::from_schema_name(Preview::name());
    let answers = &mut operation.responses.responses;
    let Some(RefOr::T(answer)) = answers.get_mut("200") else {
        let content = ContentBuilder::new().schema(Some(tried)).example(Some(preview::example())).build();
        let answer = ResponseBuilder::new().description(DESCRIPTION).content(JSON, content).build();
        answers.insert("200".to_owned(), RefOr::T(answer));
        return;
    };
    answer.description = format!("{} {DESCRIPTION}", answer.description);
    if let Some(RefOr::T(content)) = answer.content.get_mut(JSON)
        && let Some(kept) = content.schema.take()
    {
        content.schema = Some(RefOr::T(OneOfBuilder::new().item(kept).item(tried).build().into()));
    }
}
