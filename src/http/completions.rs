//! Completions: one, or a batch that a tablet gathered while it was offline.
//!
//! The rule of this file: evidence that can be read is kept, whatever it says; a repeat under the same UUID is
//! harmless; and each item of a batch stands or falls by itself, in a transaction of its own.

use std::collections::{BTreeMap, BTreeSet};

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::extract::{Body, Path, RawBody, read_frame, read_value};
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult, Problem};
use super::samples;
use super::tasks::{Access, Work, find_work};
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::evidence::{self, Asked, CompletionKind, Judgement, MeasuredBy, StepAnswer, Submission, Verdict};
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::step;
use crate::domain::task::Outcome;
use crate::store::completions::{Completion, Receipt, StepResult};
use crate::store::tasks::Settlement;
use crate::store::{self, completions, events, planning, tasks};

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

/// Evidence about one task, as a person at the chair posts it.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CompletionInput {
    /// Made by the client, once for each completion.
    pub completion_id: Uuid,
    /// The task.
    pub task_id: Uuid,
    /// What it says about the task; left out: performed.
    #[serde(default = "performed")]
    pub kind: CompletionKind,
    /// When the work was done, by the device's clock; not in the future.
    pub performed_at: DateTime<Utc>,
    /// The person, by initials or staff number; never a patient.
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub performed_by: String,
    /// The answers to the task's steps, in any order.
    #[serde(default)]
    #[schema(max_items = 400)]
    pub steps: Vec<StepAnswer>,
    /// Why it is not required, void, or a correction.
    #[serde(default)]
    #[schema(max_length = 400)]
    pub reason: String,
    /// A note about the work; never about a patient.
    #[serde(default)]
    #[schema(max_length = 1000)]
    pub note: String,
    /// The completion of the same task that this one corrects; both stay visible.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub corrects: Option<Uuid>,
}

fn performed() -> CompletionKind {
    CompletionKind::Performed
}

/// A completion as it is kept.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[expect(clippy::struct_excessive_bools, reason = "each is a flag of its own that a reader filters by")]
pub struct CompletionAnswer {
    /// Made by the client.
    pub completion_id: Uuid,
    /// The task.
    pub task_id: Uuid,
    /// Where the task fell due.
    pub clinic_id: Uuid,
    /// What it says.
    pub kind: String,
    /// When the work was done.
    pub performed_at: DateTime<Utc>,
    /// When it reached the service.
    pub recorded_at: DateTime<Utc>,
    /// The person.
    pub performed_by: String,
    /// The device: the API key it was posted with.
    pub key_id: Uuid,
    /// The verdict: `passed`, `failed`, `result_pending`, `not_required` or `void`.
    pub verdict: String,
    /// What a reader should see beside the verdict.
    pub findings: Vec<evidence::Finding>,
    /// Performed before the window opened.
    pub early: bool,
    /// Performed after it was due.
    pub late: bool,
    /// Recorded after the window had closed.
    pub late_entry: bool,
    /// The task had been completed already; both are kept.
    pub duplicate: bool,
    /// The completion it corrects.
    #[schema(required)]
    pub corrects: Option<Uuid>,
    /// Reason of a correction, a not-required or a void.
    pub reason: String,
    /// The note.
    pub note: String,
    /// Each step with the rule it was judged by.
    pub steps: Vec<StepResultView>,
}

/// A step's answer with the rule it was judged by.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct StepResultView {
    /// The wanted step's key.
    pub step: String,
    /// `confirmation`, `hold` or `reading`.
    pub kind: String,
    /// `done`, `skipped`, `not_applicable` or `result_pending`.
    pub status: String,
    /// `passed`, `failed`, `result_pending` or `not_applicable`.
    pub verdict: String,
    /// The verdict in words; empty when passed.
    pub finding: String,
    /// The server-timed hold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hold_id: Option<Uuid>,
    /// Seconds held.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elapsed_seconds: Option<i32>,
    /// Who measured them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measured_by: Option<MeasuredBy>,
    /// The minimum it was judged by, in seconds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minimum_seconds: Option<i32>,
    /// Of a reading: `lt`, `eq` or `gt`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub qualifier: Option<String>,
    /// Of a reading, as a decimal string.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<String>,
    /// Of a reading, UCUM.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// The limits it was judged by, with their sources.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Vec<crate::domain::limit::Limit>>)]
    pub limits: Option<Value>,
    /// Why it was skipped or does not apply.
    pub reason: String,
}

impl StepResultView {
    fn of(row: StepResult) -> ApiResult<Self> {
        Ok(Self {
            measured_by: row.measured_by()?,
            step: row.step_key,
            kind: row.kind,
            status: row.status,
            verdict: row.verdict,
            finding: row.finding,
            hold_id: row.hold_id,
            elapsed_seconds: row.elapsed_seconds,
            minimum_seconds: row.minimum_seconds,
            qualifier: row.qualifier,
            value: row.value.map(|v| v.to_string()),
            unit: row.unit,
            limits: row.limits,
            reason: row.reason,
        })
    }
}

impl CompletionAnswer {
    /// The views of some completions of one clinic day, in their order.
    ///
    /// # Errors
    /// When the database does not answer.
    pub async fn of_rows(
        db: &mut PgConnection,
        group_id: Uuid,
        clinic_day: NaiveDate,
        rows: Vec<Completion>,
    ) -> ApiResult<Vec<Self>> {
        let ids: Vec<Uuid> = rows.iter().map(|r| r.completion_id).collect();
        let mut steps: BTreeMap<Uuid, Vec<StepResultView>> = BTreeMap::new();
        for row in completions::list_steps(db, group_id, clinic_day, &ids).await? {
            steps.entry(row.completion_id).or_default().push(StepResultView::of(row)?);
        }
        Ok(rows
            .into_iter()
            .map(|row| Self {
                steps: steps.remove(&row.completion_id).unwrap_or_default(),
                completion_id: row.completion_id,
                task_id: row.task_id,
                clinic_id: row.clinic_id,
                kind: row.kind,
                performed_at: row.performed_at,
                recorded_at: row.recorded_at,
                performed_by: row.performed_by,
                key_id: row.key_id,
                verdict: row.verdict,
                findings: serde_json::from_value(row.findings).unwrap_or_default(),
                early: row.early,
                late: row.late,
                late_entry: row.late_entry,
                duplicate: row.duplicate,
                corrects: row.corrects,
                reason: row.reason,
                note: row.note,
            })
            .collect())
    }
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
/// other content under the same id is a conflict.
#[utoipa::path(post, path = "/v1/completions", operation_id = "record_completion", tag = "Chairside",
    request_body = CompletionInput,
    responses((status = 201, body = CompletionAnswer, description = "Recorded"),
              (status = 200, body = CompletionAnswer, description = "Recorded before")))]
async fn record_completion(
    State(state): State<AppState>,
    caller: Caller,
    Body(input): Body<CompletionInput>,
) -> ApiResult<(StatusCode, Json<CompletionAnswer>)> {
    let (is_new, answer) = record(&state, &caller, &input).await?;
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
    for (place, input) in in_order_of_work(readable) {
        let answer = &mut answers[place];
        match record(&state, &caller, &input).await {
            Ok((is_new, completion)) => {
                answer.status = if is_new { ItemStatus::Recorded } else { ItemStatus::Repeated };
                answer.completion = Some(completion);
            }
            // The database is gone: what was recorded so far stands, and the tablet repeats the whole batch.
            Err(error) if error.status().is_server_error() => return Err(error),
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
    find_work(&mut tx, &caller, answer.task_id, Access::Read).await.map_err(|_| ApiError::not_found("completion"))?;
    tx.commit().await?;
    Ok(Json(answer))
}

async fn read_back(
    db: &mut PgConnection,
    caller: &Caller,
    clinic_day: NaiveDate,
    completion_id: Uuid,
) -> ApiResult<CompletionAnswer> {
    let row = completions::find(db, caller.group_id, clinic_day, completion_id)
        .await?
        .ok_or_else(|| ApiError::not_found("completion"))?;
    let mut answers = CompletionAnswer::of_rows(db, caller.group_id, clinic_day, vec![row]).await?;
    answers.pop().ok_or_else(ApiError::internal)
}

/// Records one completion in a transaction of its own; `false` beside the answer when it stood already.
async fn record(state: &AppState, caller: &Caller, input: &CompletionInput) -> ApiResult<(bool, CompletionAnswer)> {
    caller.must_be(&MAY_RECORD)?;
    if input.kind == CompletionKind::NotRequired {
        caller.must_be(&[Role::Manager, Role::Administrator])?;
    } else {
        caller.must_be(&[Role::Chairside])?;
    }
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let work = find_work(&mut tx, caller, input.task_id, Access::Change).await?;
    let clinic_day = work.task.id.clinic_day();
    let receipt = Receipt { clinic_day, content_hash: content_hash(input) };
    if let Some(first) = completions::find_receipt(&mut tx, caller.group_id, input.completion_id).await? {
        return repeat(&mut tx, caller, input, &receipt, &first).await;
    }
    let judged = judge(&mut tx, caller, input, &work).await?;
    if !completions::insert_receipt(&mut tx, caller.group_id, input.completion_id, &receipt).await? {
        // Another request took the id while we judged.
        let first = completions::find_receipt(&mut tx, caller.group_id, input.completion_id).await?;
        let first = first.ok_or_else(|| ApiError::unavailable("the same completion is being recorded; repeat it"))?;
        return repeat(&mut tx, caller, input, &receipt, &first).await;
    }
    keep(&mut tx, caller, input, &work, &judged).await?;
    let answer = read_back(&mut tx, caller, clinic_day, input.completion_id).await?;
    tx.commit().await?;
    Ok((true, answer))
}

fn content_hash(input: &CompletionInput) -> Vec<u8> {
    // Field order is the struct's, so the same content always has the same text.
    Sha256::digest(serde_json::to_vec(input).unwrap_or_default()).to_vec()
}

async fn repeat(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    now_sent: &Receipt,
    first: &Receipt,
) -> ApiResult<(bool, CompletionAnswer)> {
    if now_sent.clinic_day != first.clinic_day || now_sent.content_hash != first.content_hash {
        return Err(ApiError::conflict(
            "completion-id-taken",
            "The completion id stands for other content",
            "make a new UUID for each completion; to correct one, post another that names it in `corrects`",
        ));
    }
    Ok((false, read_back(db, caller, first.clinic_day, input.completion_id).await?))
}

/// What a completion amounts to and what it does to its task.
struct Judged {
    judgement: Judgement,
    /// The task had been completed already, and this does not correct it.
    duplicate: bool,
}

async fn judge(db: &mut PgConnection, caller: &Caller, input: &CompletionInput, work: &Work) -> ApiResult<Judged> {
    let holds = completions::list_holds(db, caller.group_id, &[work.task.id]).await?;
    let no_holds = BTreeMap::new();
    let wanted = step::wanted(&work.routine.steps, &work.subject);
    let outcome = work.task.recorded.map(|(outcome, _)| outcome).filter(|_| !work.task.outcome_by_plan);
    let asked = Asked {
        clinic_day: work.task.id.clinic_day(),
        times: &work.task.times,
        steps: &work.routine.steps,
        wanted: &wanted,
        holds: holds.get(&input.task_id).unwrap_or(&no_holds),
        sampled_before: outcome == Some(Outcome::ResultPending),
    };
    let submission =
        Submission { kind: input.kind, performed_at: input.performed_at, answers: &input.steps, reason: &input.reason };
    let mut faults = text_faults(input);
    faults.extend(evidence::faults(&submission, &asked, caller.now));
    if let Some(corrected) = input.corrects {
        faults.extend(correction_faults(db, caller, input, work, corrected).await?);
    }
    if !faults.is_empty() {
        return Err(ApiError::rules_broken(faults));
    }
    let duplicate =
        input.corrects.is_none() && matches!(outcome, Some(Outcome::Done | Outcome::NotRequired | Outcome::Void));
    Ok(Judged { judgement: evidence::judge(&submission, &asked, caller.now), duplicate })
}

fn text_faults(input: &CompletionInput) -> Vec<Fault> {
    let mut faults = Vec::new();
    check_text(&mut faults, "/performed_by", &input.performed_by, 40);
    check_optional_text(&mut faults, "/reason", &input.reason, 400);
    check_optional_text(&mut faults, "/note", &input.note, 1000);
    if input.steps.len() > 400 {
        faults.push(Fault::new("/steps", "must have at most 400 answers"));
    }
    faults
}

async fn correction_faults(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    work: &Work,
    corrected: Uuid,
) -> ApiResult<Vec<Fault>> {
    let mut faults = Vec::new();
    if input.reason.trim().is_empty() {
        faults.push(Fault::new("/reason", "must say what is corrected and why"));
    }
    let earlier = completions::list_of_task(db, caller.group_id, work.task.id).await?;
    if !earlier.iter().any(|c| c.completion_id == corrected) {
        faults.push(Fault::new("/corrects", "is not a completion of this task"));
    }
    if earlier.iter().any(|c| c.corrects == Some(corrected)) {
        faults.push(Fault::new("/corrects", "was corrected already; correct the correction"));
    }
    Ok(faults)
}

/// Keeps the evidence, settles the task and appends the event, all in the caller's transaction.
async fn keep(
    db: &mut PgConnection,
    caller: &Caller,
    input: &CompletionInput,
    work: &Work,
    judged: &Judged,
) -> ApiResult<()> {
    let judgement = &judged.judgement;
    let row = Completion {
        completion_id: input.completion_id,
        task_id: input.task_id,
        clinic_id: work.task.clinic_id,
        kind: input.kind.as_str().to_owned(),
        performed_at: input.performed_at,
        recorded_at: caller.now,
        performed_by: input.performed_by.clone(),
        key_id: caller.key_id,
        verdict: judgement.verdict.as_str().to_owned(),
        findings: json!(judgement.findings),
        early: judgement.early,
        late: judgement.late,
        late_entry: judgement.late_entry,
        duplicate: judged.duplicate,
        corrects: input.corrects,
        reason: input.reason.clone(),
        note: input.note.clone(),
    };
    let clinic_day = work.task.id.clinic_day();
    completions::insert(db, caller.group_id, clinic_day, &row, &judgement.steps).await?;
    if !judged.duplicate {
        let settlement = settlement(input, work, judgement);
        tasks::settle(db, caller.group_id, work.task.id, &settlement, caller.now).await?;
        if settlement.outcome == Some(Outcome::Void) {
            planning::insert_repeat(db, caller.group_id, &work.task, input.completion_id, caller.now).await?;
        }
    }
    let event = json!({
        "completion_id": input.completion_id, "task_id": input.task_id, "kind": row.kind, "verdict": row.verdict,
        "performed_at": input.performed_at, "duplicate": judged.duplicate, "corrects": input.corrects,
    });
    let clinic = Some(work.task.clinic_id);
    events::append(db, caller.group_id, EventKind::CompletionRecorded, clinic, &event, caller.now).await?;
    Ok(())
}

/// How the task stands after a completion that counts. One that falls short leaves an awaited result awaited; a
/// correction that falls short opens the task again.
fn settlement(input: &CompletionInput, work: &Work, judgement: &Judgement) -> Settlement {
    let awaited = work.task.recorded.is_some_and(|(outcome, _)| outcome == Outcome::ResultPending);
    let still_awaited = (awaited && input.corrects.is_none()).then_some(Outcome::ResultPending);
    let outcome = judgement.outcome.or(still_awaited);
    let declared = matches!(judgement.verdict, Verdict::NotRequired | Verdict::Void);
    Settlement {
        outcome,
        reason: if declared { input.reason.clone() } else { String::new() },
        completion_id: input.completion_id,
        done_late: outcome == Some(Outcome::Done) && judgement.late,
        failed: judgement.verdict == Verdict::Failed,
    }
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
