//! Why a task was missed.
//!
//! The rule of this file: a reason changes nothing about the task. What was missed between two patients stays missed; the
//! reason stands beside it, and a second thought is a further row.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::{Access, find_work};
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::fault::check_text;
use crate::domain::miss::MissCode;
use crate::domain::task::State as TaskState;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::without_faults;
use crate::http::extract::{Body, Path};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::http::staff::signature::SignatureInput;
use crate::http::staff::telling::{Teller, ToldBy};
use crate::store::tasks::misses::{self, MissReason};
use crate::store::{self, events};

const MAY_TELL: [Role; 3] = [Role::Chairside, Role::Manager, Role::Administrator];
const MAY_READ: [Role; 4] = [Role::Chairside, Role::Manager, Role::Reader, Role::Administrator];

/// Most reasons of one task.
const MOST_REASONS: i64 = 50;

/// Why a task was missed, as a person tells it.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MissReasonInput {
    /// In a word that can be counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub code: Option<MissCode>,
    /// In the person's words. No patient or health data.
    #[schema(min_length = 1, max_length = 400, example = "The next patient was seated before the flush was begun.")]
    pub reason: String,
    /// The person, by initials as in `/v1/staff`; may be left out where the person signs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub told_by: Option<String>,
    /// The person, by a PIN of their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<SignatureInput>,
}

/// A reason as it is kept.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct MissReasonDocument {
    /// The missed task.
    pub task_id: Uuid,
    /// 1, 2, 3 …: the last one counts.
    #[schema(minimum = 1)]
    pub number: i32,
    /// In a word that can be counted; null: in words only.
    #[schema(required)]
    pub code: Option<MissCode>,
    /// In the person's words.
    pub reason: String,
    /// The person.
    pub told_by: String,
    /// The same by identity, where they signed it; null: by initials only.
    #[schema(required)]
    pub staff_id: Option<Uuid>,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
}

impl MissReasonDocument {
    fn of(task_id: Uuid, reason: MissReason) -> Self {
        let MissReason { number, code, reason, told_by, staff_id, recorded_at, .. } = reason;
        Self { task_id, number, code, reason, told_by, staff_id, recorded_at }
    }
}

/// The reasons recorded for a missed task.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct MissReasonList {
    /// The newest first.
    pub items: Vec<MissReasonDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_miss_reasons, put_miss_reason))
}

/// List the reasons recorded for a missed task
///
/// All of them, the newest first.
#[utoipa::path(get, path = "/v1/tasks/{task_id}/miss-reason", operation_id = "list_miss_reasons", tag = "Corrective actions",
    params(("task_id" = Uuid, Path, description = "The task")),
    responses((status = 200, body = MissReasonList, description = "The reasons")))]
async fn list_miss_reasons(
    State(state): State<AppState>,
    caller: Caller,
    Path(task_id): Path<Uuid>,
) -> ApiResult<Json<MissReasonList>> {
    caller.must_be(&MAY_READ)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_work(&mut tx, &caller, task_id, Access::Read).await?;
    let reasons = misses::list_reasons(&mut tx, caller.group_id, task_id, MOST_REASONS).await?;
    tx.commit().await?;
    let items = reasons.into_iter().map(|reason| MissReasonDocument::of(task_id, reason)).collect();
    Ok(Json(MissReasonList { items }))
}

/// Record why a task was missed
///
/// The task stays missed. The person is named by initials, or signs with a PIN of their own. The same reason may be sent
/// any number of times; another is added to it, and the earlier ones stay. A task that is not missed is refused with 409.
#[utoipa::path(put, path = "/v1/tasks/{task_id}/miss-reason", operation_id = "put_miss_reason", tag = "Corrective actions",
    params(("task_id" = Uuid, Path, description = "The task")),
    request_body = MissReasonInput,
    responses((status = 201, body = MissReasonDocument, description = "Recorded"),
              (status = 200, body = MissReasonDocument, description = "It was recorded already")))]
async fn put_miss_reason(
    State(state): State<AppState>,
    caller: Caller,
    Path(task_id): Path<Uuid>,
    Body(input): Body<MissReasonInput>,
) -> ApiResult<(StatusCode, Json<MissReasonDocument>)> {
    caller.must_be(&MAY_TELL)?;
    let mut faults = Vec::new();
    check_text(&mut faults, "/reason", &input.reason, 400);
    let telling = ToldBy::new("/told_by", input.told_by.as_ref(), input.signature.as_ref());
    faults.extend(telling.faults());
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let clinic_id = find_work(&mut tx, &caller, task_id, Access::Read).await?.task.clinic_id;
    tx.commit().await?;
    let Teller { initials: told_by, staff_id } = telling.teller(&state, &caller, clinic_id).await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    // Held, so that two reasons never get one number.
    let work = find_work(&mut tx, &caller, task_id, Access::Change).await?;
    let told = misses::list_reasons(&mut tx, caller.group_id, task_id, MOST_REASONS).await?;
    // Of all that was told: a device whose answer was lost repeats it, though somebody else told more meanwhile.
    let is_same = |l: &&MissReason| {
        l.reason == input.reason && l.told_by == told_by && l.code == input.code && l.staff_id == staff_id
    };
    if let Some(standing) = told.iter().find(is_same) {
        return Ok((StatusCode::OK, Json(MissReasonDocument::of(task_id, standing.clone()))));
    }
    if work.task.state(caller.now) != TaskState::Missed {
        return Err(ApiError::conflict(
            "task-not-missed",
            "The task is not missed",
            "only a missed task has such a reason",
        ));
    }
    let number = told.first().map_or(1, |last| last.number + 1);
    if i64::from(number) > MOST_REASONS {
        let detail = format!("there are at most {MOST_REASONS} reasons of one task");
        return Err(ApiError::conflict("too-many", "No more of these are kept", detail));
    }
    let MissReasonInput { code, reason, .. } = input;
    let kept = MissReason { number, code, reason, told_by, staff_id, recorded_at: caller.now, key_id: caller.key_id };
    let of = (task_id, work.task.clinic_id);
    misses::insert_reason(&mut tx, caller.group_id, of, &kept).await?;
    let document = MissReasonDocument::of(task_id, kept);
    let event = json!({ "by_key_id": caller.key_id, "miss_reason": document });
    let clinic = Some(work.task.clinic_id);
    events::append(&mut tx, caller.group_id, EventKind::MissReasonRecorded, clinic, &event, caller.now).await?;
    tx.commit().await?;
    Ok((StatusCode::CREATED, Json(document)))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let input = MissReasonInput {
        code: Some(MissCode::NextPatientSeated),
        reason: "The next patient was seated before the flush was begun.".to_owned(),
        told_by: Some("KV".to_owned()),
        signature: None,
    };
    let document = MissReasonDocument {
        task_id: samples::TASK,
        number: 1,
        code: input.code,
        reason: input.reason.clone(),
        told_by: "KV".to_owned(),
        staff_id: None,
        recorded_at: samples::morning(12, 40),
    };
    let list = MissReasonList { items: vec![document.clone()] };
    let example = |operation_id, part, value| Example { operation_id, part, value };
    vec![
        example("list_miss_reasons", Part::Response, json!(list)),
        example("put_miss_reason", Part::Request, json!(input)),
        example("put_miss_reason", Part::Response, json!(document)),
    ]
}
