//! Timed holds by the server's clock: start and end.
//!
//! The rule of this file: the times are ours and not the caller's; a start or an end that is repeated answers with
//! the first one's instant.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::{Access, HoldView, find_work};
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::fault::check_text;
use crate::domain::step::{self, StepEvidence};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::{Body, Path};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store::completions::HoldMark;
use crate::store::{self, StoreError, completions, events, tasks};

/// The routes of holds.
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(start_hold)).routes(routes!(end_hold))
}

/// The start of a hold.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HoldStart {
    /// Made by the client, so that a repeat is harmless.
    pub hold_id: Uuid,
    /// The wanted step's key.
    #[schema(max_length = 90, example = "hold")]
    pub step: String,
    /// The person, by initials as in `/v1/staff`; never a patient.
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub performed_by: String,
}

/// The end of a hold.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HoldEnd {
    /// The person, by initials as in `/v1/staff`; never a patient.
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub performed_by: String,
}

/// Start a timed hold
///
/// The server notes the instant. The completion then refers to the hold by its id. A repeat answers 200 with the
/// first start.
#[utoipa::path(post, path = "/v1/tasks/{task_id}/holds", operation_id = "start_hold", tag = "Chairside",
    params(("task_id" = Uuid, Path, description = "The task")),
    request_body = HoldStart,
    responses((status = 201, body = HoldView, description = "Started"),
              (status = 200, body = HoldView, description = "Started already")))]
async fn start_hold(
    State(state): State<AppState>,
    caller: Caller,
    Path(task_id): Path<Uuid>,
    Body(input): Body<HoldStart>,
) -> ApiResult<(StatusCode, Json<HoldView>)> {
    caller.must_be(&[Role::Chairside])?;
    must_name_person(&input.performed_by)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let work = find_work(&mut tx, &caller, task_id, Access::Change).await?;
    let wanted = step::wanted(&work.routine.steps, &work.subject);
    let is_hold = wanted.iter().any(|w| w.key == input.step && matches!(w.step.evidence, StepEvidence::Hold { .. }));
    if !is_hold {
        return Err(ApiError::rule_broken("/step", "is not a timed hold of this task"));
    }
    let mark = HoldMark {
        hold_id: input.hold_id,
        edge: "start",
        step_key: input.step,
        marked_at: caller.now,
        performed_by: input.performed_by,
    };
    let of = (work.task.id, work.task.clinic_id);
    let is_new = completions::insert_hold_mark(&mut tx, caller.group_id, of, &mark, caller.key_id).await?;
    let view = find_hold(&mut tx, &caller, &work.task, input.hold_id).await?.filter(|v| v.step == mark.step_key);
    let Some(view) = view else {
        return Err(ApiError::conflict(
            "hold-id-taken",
            "The hold id stands for another hold",
            "make a new UUID for each hold",
        ));
    };
    if is_new {
        tasks::mark_started(&mut tx, caller.group_id, work.task.id, caller.now).await?;
        let event = json!({ "task_id": task_id, "hold_id": input.hold_id, "step": view.step });
        let clinic = Some(work.task.clinic_id);
        events::append(&mut tx, caller.group_id, EventKind::HoldStarted, clinic, &event, caller.now).await?;
    }
    tx.commit().await?;
    Ok((if is_new { StatusCode::CREATED } else { StatusCode::OK }, Json(view)))
}

/// End a timed hold
///
/// The server notes the instant and answers with the whole seconds held. A repeat answers with the first end.
#[utoipa::path(post, path = "/v1/tasks/{task_id}/holds/{hold_id}/end", operation_id = "end_hold", tag = "Chairside",
    params(("task_id" = Uuid, Path, description = "The task"), ("hold_id" = Uuid, Path, description = "The hold")),
    request_body = HoldEnd,
    responses((status = 200, body = HoldView, description = "Ended")))]
async fn end_hold(
    State(state): State<AppState>,
    caller: Caller,
    Path((task_id, hold_id)): Path<(Uuid, Uuid)>,
    Body(input): Body<HoldEnd>,
) -> ApiResult<Json<HoldView>> {
    caller.must_be(&[Role::Chairside])?;
    must_name_person(&input.performed_by)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let work = find_work(&mut tx, &caller, task_id, Access::Change).await?;
    let started = find_hold(&mut tx, &caller, &work.task, hold_id).await?.ok_or_else(|| ApiError::not_found("hold"))?;
    let mark = HoldMark {
        hold_id,
        edge: "end",
        step_key: started.step,
        marked_at: caller.now,
        performed_by: input.performed_by,
    };
    let of = (work.task.id, work.task.clinic_id);
    if completions::insert_hold_mark(&mut tx, caller.group_id, of, &mark, caller.key_id).await? {
        let event = json!({ "task_id": task_id, "hold_id": hold_id, "step": mark.step_key });
        let clinic = Some(work.task.clinic_id);
        events::append(&mut tx, caller.group_id, EventKind::HoldEnded, clinic, &event, caller.now).await?;
    }
    let view = find_hold(&mut tx, &caller, &work.task, hold_id)
        .await?
        .ok_or_else(|| StoreError::bad_row("hold_mark", hold_id, "edge", "an end without a start"))?;
    tx.commit().await?;
    Ok(Json(view))
}

async fn find_hold(
    db: &mut sqlx::PgConnection,
    caller: &Caller,
    task: &tasks::Task,
    hold_id: Uuid,
) -> ApiResult<Option<HoldView>> {
    let holds = completions::list_holds(db, caller.group_id, &[task.id]).await?;
    Ok(holds.get(&task.id.as_uuid()).and_then(|h| h.get(&hold_id)).map(|hold| HoldView::of(hold_id, hold)))
}

fn must_name_person(performed_by: &str) -> ApiResult<()> {
    let mut faults = Vec::new();
    check_text(&mut faults, "/performed_by", performed_by, 40);
    if faults.is_empty() { Ok(()) } else { Err(ApiError::rules_broken(faults)) }
}

/// Examples for the API document.
pub fn examples() -> Vec<Example> {
    let start =
        HoldStart { hold_id: samples::HOLD, step: "flush:handpiece-1".to_owned(), performed_by: "KV".to_owned() };
    let end = HoldEnd { performed_by: "KV".to_owned() };
    let running = HoldView { hold_ended_at: None, elapsed_seconds: None, ..samples::hold() };
    let example = |operation_id, part, value| Example { operation_id, part, value };
    vec![
        example("start_hold", Part::Request, json!(start)),
        example("start_hold", Part::Response, json!(running)),
        example("end_hold", Part::Request, json!(end)),
        example("end_hold", Part::Response, json!(samples::hold())),
    ]
}
