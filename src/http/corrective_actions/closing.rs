//! Closing a corrective action.
//!
//! The rule of this file: a second person closes it, by a PIN of their own: nobody who opened it, recorded a step of it,
//! what opened it, a test that a step rests on, or what was said in the place of what opened it.
//! Either every step that was asked for is recorded and what it put out of use is released, or what opened it was
//! corrected with nothing left of it.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::documents::{ActionDocument, ClosingDocument};
use super::{MAY_WORK, find_action};
use crate::domain::cautions;
use crate::domain::chain::progress::{Progress, StepRecord};
use crate::domain::corrective_action::{ActionCause, Closing, CorrectiveAction, Grounds, not_a_second_person};
use crate::domain::fault::check_text;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::without_faults;
use crate::http::extract::{Body, Path};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::http::staff::signature::SignatureInput;
use crate::http::staff::signing;
use crate::store;
use crate::store::corrective_actions::{self, actions, hands, quarantines};
use crate::store::tasks::misses;

/// A closing as it is signed.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CloseInput {
    /// Made by the client, so that a repeat is harmless.
    pub close_id: Uuid,
    /// In the person's words.
    #[schema(min_length = 1, max_length = 400, example = "Report read, retest seen, trend unremarkable.")]
    pub reason: String,
    /// The second person.
    pub signature: SignatureInput,
}

pub(super) fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(close_corrective_action))
}

/// Close a corrective action
///
/// By a second person with a PIN of their own: nobody who opened it, recorded a step of it or a completion that it was opened
/// for, rests on or was lifted by. Refused with 409 while something is missing; the answer names each: a step
/// that was asked for, a release of what was put in quarantine, the reason of a missed task. Where what opened it was
/// corrected with nothing left of it, it is closed on that ground.
#[utoipa::path(post, path = "/v1/corrective-actions/{action_id}/close", operation_id = "close_corrective_action",
    tag = "Corrective actions", params(("action_id" = Uuid, Path, description = "The action")),
    request_body = CloseInput,
    responses((status = 201, body = ActionDocument, description = "It is closed"),
              (status = 200, body = ActionDocument, description = "It was closed so already")))]
async fn close_corrective_action(
    State(state): State<AppState>,
    caller: Caller,
    Path(action_id): Path<Uuid>,
    Body(input): Body<CloseInput>,
) -> ApiResult<(StatusCode, Json<ActionDocument>)> {
    caller.must_be(&MAY_WORK)?;
    let mut faults = Vec::new();
    check_text(&mut faults, "/reason", &input.reason, 400);
    faults.extend(input.signature.pin.fault("/signature/pin"));
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    // Looked at first without a lock: a PIN is checked in a transaction of its own, and none may stay open meanwhile.
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let action = find_action(&mut tx, &caller, action_id).await?;
    if let Some(closing) = corrective_actions::find_close(&mut tx, caller.group_id, action_id).await? {
        return closed_already(&mut tx, &caller, action, &closing, &input).await;
    }
    grounds(&mut tx, &caller, &action).await?;
    tx.commit().await?;
    let signer = signing::verify_closing(&state, &caller, &input.signature, action.clinic_id).await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let place = (action.clinic_id, action.subject_id);
    corrective_actions::lock_subject(&mut tx, caller.group_id, place, caller.now).await?;
    if let Some(closing) = corrective_actions::find_close(&mut tx, caller.group_id, action_id).await? {
        return closed_already(&mut tx, &caller, action, &closing, &input).await;
    }
    let grounds = grounds(&mut tx, &caller, &action).await?;
    let hands = hands::list(&mut tx, caller.group_id, &action).await?;
    if let Some(why) = not_a_second_person(&hands, signer.signing()) {
        let detail = format!("{why}; a second person closes it");
        return Err(ApiError::conflict("second-person-needed", "A second person closes an action", detail));
    }
    let closing = Closing {
        close_id: input.close_id,
        grounds,
        staff_id: signer.staff_id,
        closed_by: signer.name,
        reason: input.reason,
        recorded_at: caller.now,
        key_id: caller.key_id,
    };
    if !actions::close(&mut tx, caller.group_id, &action, &closing).await? {
        return Err(ApiError::conflict(
            "close-id-taken",
            "The id stands for another closing",
            "make a new UUID for each closing",
        ));
    }
    let document = ActionDocument::of(&mut tx, &caller, action).await?;
    tx.commit().await?;
    Ok((StatusCode::CREATED, Json(document)))
}

async fn list_records(db: &mut PgConnection, caller: &Caller, action: &CorrectiveAction) -> ApiResult<Vec<StepRecord>> {
    let records = corrective_actions::list_steps(db, caller.group_id, &[action.action_id]).await?;
    Ok(records.into_iter().map(|(_, record)| record).collect())
}

/// On what grounds the action can be closed.
async fn grounds(db: &mut PgConnection, caller: &Caller, action: &CorrectiveAction) -> ApiResult<Grounds> {
    if actions::is_lifted(&mut *db, caller.group_id, action).await? {
        return Ok(Grounds::CauseCorrected);
    }
    let records = list_records(&mut *db, caller, action).await?;
    let progress = Progress::new(&action.chain, action.opened_at, &records);
    let mut missing = Vec::new();
    if let Some(next) = progress.next() {
        missing.push(format!("record missing: step {}, {}", next.key, next.instruction));
        missing.extend(actions::list_undecided(&mut *db, caller.group_id, action, &progress).await?);
    }
    let put_out = quarantines::list_of_cause(&mut *db, caller.group_id, action.action_id).await?;
    for quarantine in put_out.iter().filter(|q| q.release.is_none()) {
        missing.push(format!("quarantine {} is not released", quarantine.quarantine_id));
    }
    if let (ActionCause::MissedTask, Some(task_id)) = (action.cause, action.cause_id)
        && misses::list_reasons(&mut *db, caller.group_id, task_id, 1).await?.is_empty()
    {
        missing.push(format!("record missing: why task {task_id} was missed"));
    }
    if missing.is_empty() {
        return Ok(Grounds::StepsRecorded);
    }
    Err(ApiError::not_yet(
        "close-not-yet",
        "What stands before the closing is not recorded",
        missing,
        cautions::CLOSING,
    ))
}

async fn closed_already(
    db: &mut PgConnection,
    caller: &Caller,
    action: CorrectiveAction,
    closing: &Closing,
    input: &CloseInput,
) -> ApiResult<(StatusCode, Json<ActionDocument>)> {
    let is_same = closing.close_id == input.close_id
        && closing.staff_id == input.signature.staff_id
        && closing.reason == input.reason;
    if !is_same {
        let detail = format!("{} closed it", closing.closed_by);
        return Err(ApiError::conflict("action-closed", "The action is closed", detail));
    }
    Ok((StatusCode::OK, Json(ActionDocument::of(db, caller, action).await?)))
}

pub(super) fn examples(open: &ActionDocument) -> Vec<Example> {
    let reason = "Report read, container changed, level seen.";
    let input = json!({ "close_id": samples::CLOSING, "reason": reason, "signature": signing::example() });
    let closing = ClosingDocument {
        close_id: samples::CLOSING,
        grounds: Grounds::StepsRecorded,
        staff_id: samples::STAFF,
        closed_by: "Kofi Vale".to_owned(),
        reason: reason.to_owned(),
        recorded_at: samples::morning(16, 30),
    };
    let closed = ActionDocument { waits_for: None, closing: Some(closing), ..open.clone() };
    let example = |part, value| Example { operation_id: "close_corrective_action", part, value };
    vec![example(Part::Request, input), example(Part::Response, json!(closed))]
}
