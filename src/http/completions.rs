//! Completions: one, or a batch that a tablet gathered while it was offline.
//!
//! The rule of this file: evidence that can be read is kept, whatever it says; a repeat under the same UUID is
//! harmless; and each item of a batch stands or falls by itself, in a transaction of its own.

mod documents;
pub mod entries_to_review;
mod known;
mod people;
mod recording;
mod settling;

use std::collections::{BTreeMap, BTreeSet};

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

pub use self::documents::{CompletionAnswer, CompletionInput, FlagNote, StepResultView};
use self::recording::{read_back, record};
use super::AppState;
use super::caller::Caller;
use super::extract::{Body, Path, RawBody, read_frame, read_value};
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult, Problem};
use super::samples;
use super::staff::signature::RightPins;
use super::tasks::{Access, find_work};
use crate::domain::access::Role;
use crate::store::{self, completions};

/// Most completions in one batch.
const LARGEST_BATCH: usize = 500;
const MAY_RECORD: [Role; 3] = [Role::Chairside, Role::Manager, Role::Administrator];

/// The routes of completions.
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(record_completion))
        .routes(routes!(record_batch))
        .routes(routes!(get_completion))
}

/// Up to 500 completions gathered offline, in any order.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BatchInput {
    /// The completions; each is read and answered by itself.
    #[schema(value_type = Vec<CompletionInput>, min_items = 1, max_items = 500)]
    pub completions: Vec<Value>,
}

/// The answers to a batch, in its order.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct BatchAnswer {
    /// One answer for each item.
    pub answers: Vec<ItemAnswer>,
}

/// The answer to one item of a batch.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ItemAnswer {
    /// The item's id, when it could be read.
    #[schema(required)]
    pub completion_id: Option<Uuid>,
    /// What became of it.
    pub status: ItemStatus,
    /// The completion as it is kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub completion: Option<CompletionAnswer>,
    /// Why it was refused; nothing of it was kept. Pointers start at the item.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub problem: Option<Problem>,
}

/// What became of an item.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ItemStatus {
    /// Kept now.
    Recorded,
    /// Kept before; a repeat.
    Repeated,
    /// Not kept.
    Refused,
}

/// Post one completion
///
/// Judged by the routine's version and the limits in force on the task's clinic day. A completion that falls short (a
/// hold cut short, a step skipped) is kept and the task stays open. A repeat with the same id and content answers 200;
/// other content under the same id is a conflict. A person who signs gives `staff_id` and `pin`; a wrong PIN refuses the
/// completion. `flags` say what a lead should look at, and change no verdict.
#[utoipa::path(post, path = "/v1/completions", operation_id = "record_completion", tag = "Chairside",
    request_body = CompletionInput,
    responses((status = 201, body = CompletionAnswer, description = "Recorded"),
              (status = 200, body = CompletionAnswer, description = "Recorded before")))]
async fn record_completion(
    State(state): State<AppState>,
    caller: Caller,
    Body(input): Body<CompletionInput>,
) -> ApiResult<(StatusCode, Json<CompletionAnswer>)> {
    let (is_new, answer) = record(&state, &caller, &input, &mut RightPins::default()).await?;
    Ok((if is_new { StatusCode::CREATED } else { StatusCode::OK }, Json(answer)))
}

/// Post a batch of completions
///
/// Up to 500 that were gathered offline. Each is answered by itself, in the order of the batch; they are recorded in
/// the order the work was done, so their order in the batch does not matter, and repeats are harmless.
#[utoipa::path(post, path = "/v1/completions/batch", operation_id = "record_batch", tag = "Chairside",
    request_body = BatchInput,
    responses((status = 200, body = BatchAnswer, description = "One answer for each item")))]
async fn record_batch(
    State(state): State<AppState>,
    caller: Caller,
    RawBody(body): RawBody,
) -> ApiResult<Json<BatchAnswer>> {
    caller.must_be(&MAY_RECORD)?;
    let batch: BatchInput = read_frame(&body)?;
    if batch.completions.is_empty() || batch.completions.len() > LARGEST_BATCH {
        return Err(ApiError::malformed_field("/completions", "must have 1 to 500 items"));
    }
    let mut answers = Vec::with_capacity(batch.completions.len());
    let mut readable = Vec::with_capacity(batch.completions.len());
    for (place, item) in batch.completions.into_iter().enumerate() {
        let completion_id = item.get("completion_id").and_then(Value::as_str).and_then(|id| id.parse().ok());
        let mut answer = ItemAnswer { completion_id, status: ItemStatus::Refused, completion: None, problem: None };
        match read_value::<CompletionInput>(item) {
            Ok(input) => readable.push((place, input)),
            Err(error) => answer.problem = Some(error.into_document()),
        }
        answers.push(answer);
    }
    let mut pins = RightPins::default();
    for (place, input) in in_order_of_work(readable) {
        let answer = &mut answers[place];
        match record(&state, &caller, &input, &mut pins).await {
            Ok((is_new, completion)) => {
                answer.status = if is_new { ItemStatus::Recorded } else { ItemStatus::Repeated };
                answer.completion = Some(completion);
            }
            // The database is away: what was recorded so far stands, and the tablet repeats the whole batch. Anything
            // else is about this item, and no reason to refuse the others.
            Err(error) if error.status() == StatusCode::SERVICE_UNAVAILABLE => return Err(error),
            Err(error) => answer.problem = Some(error.into_document()),
        }
    }
    Ok(Json(BatchAnswer { answers }))
}

/// The items as the work was done, each correction behind what it corrects: in whichever order a tablet stored them,
/// they come to the same end.
fn in_order_of_work(mut items: Vec<(usize, CompletionInput)>) -> Vec<(usize, CompletionInput)> {
    items.sort_by_key(|(_, input)| (input.performed_at, input.completion_id));
    let mut to_come: BTreeSet<Uuid> = items.iter().map(|(_, input)| input.completion_id).collect();
    let mut held_back: BTreeMap<Uuid, Vec<(usize, CompletionInput)>> = BTreeMap::new();
    let mut ordered = Vec::with_capacity(items.len());
    for item in items {
        if let Some(corrected) = item.1.corrects.filter(|id| to_come.contains(id)) {
            held_back.entry(corrected).or_default().push(item);
            continue;
        }
        let mut next = vec![item];
        while let Some(item) = next.pop() {
            to_come.remove(&item.1.completion_id);
            next.extend(held_back.remove(&item.1.completion_id).into_iter().flatten().rev());
            ordered.push(item);
        }
    }
    // What is still held back corrects itself in a ring; each is refused when its turn comes.
    ordered.extend(held_back.into_values().flatten());
    ordered
}

/// Read one completion
///
/// With each step and the rule it was judged by.
#[utoipa::path(get, path = "/v1/completions/{completion_id}", operation_id = "get_completion", tag = "Chairside",
    params(("completion_id" = Uuid, Path, description = "The completion")),
    responses((status = 200, body = CompletionAnswer, description = "The completion")))]
async fn get_completion(
    State(state): State<AppState>,
    caller: Caller,
    Path(completion_id): Path<Uuid>,
) -> ApiResult<Json<CompletionAnswer>> {
    caller.must_be(&[Role::Chairside, Role::Manager, Role::Reader, Role::Administrator])?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let receipt = completions::find_receipt(&mut tx, caller.group_id, completion_id)
        .await?
        .ok_or_else(|| ApiError::not_found("completion"))?;
    let answer = read_back(&mut tx, &caller, receipt.clinic_day, completion_id).await?;
    // A completion is within reach when its task is.
    find_work(&mut tx, &caller, answer.task_id, Access::Read).await.map_err(|error| match error.status() {
        StatusCode::NOT_FOUND => ApiError::not_found("completion"),
        _ => error,
    })?;
    tx.commit().await?;
    Ok(Json(answer))
}

/// Examples for the API document.
pub fn examples() -> Vec<Example> {
    let input = json!(samples::completion_input());
    let answer = json!(samples::completion_answer());
    let batch = json!(BatchInput { completions: vec![input.clone()] });
    let answers = json!(BatchAnswer {
        answers: vec![ItemAnswer {
            completion_id: Some(samples::COMPLETION),
            status: ItemStatus::Recorded,
            completion: Some(samples::completion_answer()),
            problem: None,
        }],
    });
    let example = |operation_id, part, value| Example { operation_id, part, value };
    vec![
        example("record_completion", Part::Request, input),
        example("record_completion", Part::Response, answer.clone()),
        example("record_batch", Part::Request, batch),
        example("record_batch", Part::Response, answers),
        example("get_completion", Part::Response, answer),
    ]
}
