//! What becomes of a lot: it is opened, used up or thrown away, or recalled.
//!
//! The rule of this file: the same mark sent again changes nothing; another one of its kind is a correction, takes a
//! reason, and leaves the first in sight.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, SubsecRound as _, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::lots::{LotDocument, MAY_KEEP, find_lot};
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::evidence::CLOCK_TOLERANCE;
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::lot::{LotMark, LotMarkKind, last_like};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{created_or_ok, must_have_room, without_faults};
use crate::http::extract::{Body, Path};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::http::staff::signature::SignatureInput;
use crate::http::staff::telling::{Teller, ToldBy};
use crate::store::corrective_actions::actions::{self, LotRecall};
use crate::store::{self, events};

/// Most marks of one lot: far above what corrections need.
const MOST_MARKS: i64 = 100;
/// Where whoever tells of a mark is named.
const TELLER: &str = "/performed_by";
const MAY_RECALL: [Role; 2] = [Role::Manager, Role::Administrator];

/// The opening of a lot.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LotOpenedInput {
    /// When.
    pub opened_at: DateTime<Utc>,
    /// The person, by initials as in `/v1/staff`; left out where the person signs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub performed_by: Option<String>,
    /// The person, by a PIN of their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<SignatureInput>,
    /// Why an opening that was entered before is corrected; only then.
    #[serde(default)]
    #[schema(max_length = 400)]
    pub reason: String,
}

/// How a lot came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LotEnd {
    /// Used up.
    Emptied,
    /// Thrown away.
    Discarded,
}

/// The end of a lot.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LotEndedInput {
    /// How.
    pub how: LotEnd,
    /// When.
    pub ended_at: DateTime<Utc>,
    /// The person, by initials as in `/v1/staff`; left out where the person signs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub performed_by: Option<String>,
    /// The person, by a PIN of their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<SignatureInput>,
    /// Why it was thrown away, or why an end that was entered before is corrected.
    #[serde(default)]
    #[schema(max_length = 400)]
    pub reason: String,
}

/// The recall of a lot, or its withdrawal.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LotRecallInput {
    /// `true`: it is recalled; `false`: the recall was entered by mistake.
    pub recalled: bool,
    /// Why.
    #[schema(min_length = 1, max_length = 400, example = "Cap seals of this lot may leak.")]
    pub reason: String,
    /// Whose notice it follows, with its reference; must be named with a recall.
    #[serde(default)]
    #[schema(max_length = 200, example = "Maker's notice 2026-17")]
    pub authority: String,
    /// The person, by initials as in `/v1/staff`; left out where the person signs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 40, example = "MO")]
    pub performed_by: Option<String>,
    /// The person, by a PIN of their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<SignatureInput>,
}

/// Its routes.
pub(super) fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(put_lot_opened)).routes(routes!(put_lot_ended)).routes(routes!(put_lot_recall))
}

/// Record that a lot was opened
///
/// Its life after opening is counted from then. The same again changes nothing; another instant or person corrects the
/// entry, takes a reason, and leaves the first in sight.
#[utoipa::path(
    put,
    path = "/v1/lots/{lot_id}/opened",
    operation_id = "put_lot_opened",
    tag = "Products",
    params(("lot_id" = Uuid, Path, description = "The lot.")),
    request_body = LotOpenedInput,
    responses(
        (status = 200, description = "It stood already.", body = LotDocument),
        (status = 201, description = "Recorded.", body = LotDocument)
    )
)]
async fn put_lot_opened(
    State(state): State<AppState>,
    caller: Caller,
    Path(lot_id): Path<Uuid>,
    Body(input): Body<LotOpenedInput>,
) -> ApiResult<(StatusCode, Json<LotDocument>)> {
    caller.must_be(&MAY_KEEP)?;
    check_time("/opened_at", input.opened_at, caller.now)?;
    let said = Said {
        kind: LotMarkKind::Opened,
        marked_at: input.opened_at.trunc_subsecs(6),
        by: ToldBy::new(TELLER, input.performed_by.as_ref(), input.signature.as_ref()),
        reason: input.reason,
        authority: String::new(),
    };
    record(&state, &caller, lot_id, said, EventKind::LotMarked).await
}

/// Record that a lot was used up or thrown away
///
/// Work with it later than that fails. The same again changes nothing; another end takes a reason and leaves the first
/// in sight.
#[utoipa::path(
    put,
    path = "/v1/lots/{lot_id}/ended",
    operation_id = "put_lot_ended",
    tag = "Products",
    params(("lot_id" = Uuid, Path, description = "The lot.")),
    request_body = LotEndedInput,
    responses(
        (status = 200, description = "It stood already.", body = LotDocument),
        (status = 201, description = "Recorded.", body = LotDocument)
    )
)]
async fn put_lot_ended(
    State(state): State<AppState>,
    caller: Caller,
    Path(lot_id): Path<Uuid>,
    Body(input): Body<LotEndedInput>,
) -> ApiResult<(StatusCode, Json<LotDocument>)> {
    caller.must_be(&MAY_KEEP)?;
    check_time("/ended_at", input.ended_at, caller.now)?;
    let kind = match input.how {
        LotEnd::Emptied => LotMarkKind::Emptied,
        LotEnd::Discarded => LotMarkKind::Discarded,
    };
    let said = Said {
        kind,
        marked_at: input.ended_at.trunc_subsecs(6),
        by: ToldBy::new(TELLER, input.performed_by.as_ref(), input.signature.as_ref()),
        reason: input.reason,
        authority: String::new(),
    };
    record(&state, &caller, lot_id, said, EventKind::LotMarked).await
}

/// Recall a lot, or withdraw a recall that was entered by mistake
///
/// From then on no step can be recorded as passed with it, whenever the work was done. What was worked with it before is
/// listed under `/v1/lots/{lot_id}/uses`; those verdicts stay as they were given. A corrective action is opened for each
/// subject it was used on, and for one whose use is recorded only afterwards, unless one of this lot is open there. A
/// recall that follows a withdrawn one opens them anew. What follows for patients is for the licensed dentist and the
/// health authority.
#[utoipa::path(
    put,
    path = "/v1/lots/{lot_id}/recall",
    operation_id = "put_lot_recall",
    tag = "Products",
    params(("lot_id" = Uuid, Path, description = "The lot.")),
    request_body = LotRecallInput,
    responses(
        (status = 200, description = "It stood already.", body = LotDocument),
        (status = 201, description = "Recorded.", body = LotDocument)
    )
)]
async fn put_lot_recall(
    State(state): State<AppState>,
    caller: Caller,
    Path(lot_id): Path<Uuid>,
    Body(input): Body<LotRecallInput>,
) -> ApiResult<(StatusCode, Json<LotDocument>)> {
    caller.must_be(&MAY_RECALL)?;
    let mut faults = Vec::new();
    check_text(&mut faults, "/reason", &input.reason, 400);
    if input.recalled {
        check_text(&mut faults, "/authority", &input.authority, 200);
    }
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let (kind, told) = if input.recalled {
        (LotMarkKind::Recalled, EventKind::LotRecalled)
    } else {
        (LotMarkKind::RecallWithdrawn, EventKind::LotRecallWithdrawn)
    };
    let said = Said {
        kind,
        marked_at: caller.now,
        by: ToldBy::new(TELLER, input.performed_by.as_ref(), input.signature.as_ref()),
        reason: input.reason,
        authority: input.authority,
    };
    record(&state, &caller, lot_id, said, told).await
}

fn check_time(pointer: &str, at: DateTime<Utc>, now: DateTime<Utc>) -> ApiResult<()> {
    if at > now + CLOCK_TOLERANCE {
        return Err(ApiError::rule_broken(pointer, "lies in the future; record what has happened"));
    }
    if at < DateTime::UNIX_EPOCH {
        return Err(ApiError::rule_broken(pointer, "must not be before the year 1970"));
    }
    Ok(())
}

/// What is said of a lot.
struct Said<'a> {
    kind: LotMarkKind,
    marked_at: DateTime<Utc>,
    by: ToldBy<'a>,
    reason: String,
    authority: String,
}

/// Adds a mark to a lot, unless the last of its kind says the same.
async fn record(
    state: &AppState,
    caller: &Caller,
    lot_id: Uuid,
    said: Said<'_>,
    told: EventKind,
) -> ApiResult<(StatusCode, Json<LotDocument>)> {
    let mut faults = said.by.faults();
    check_optional_text(&mut faults, "/reason", &said.reason, 400);
    check_optional_text(&mut faults, "/authority", &said.authority, 200);
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let clinic_id = find_lot(&mut tx, caller, lot_id).await?.clinic_id;
    tx.commit().await?;
    let Teller { initials, staff_id } = said.by.teller(state, caller, clinic_id).await?;
    let mark = LotMark {
        kind: said.kind,
        marked_at: said.marked_at,
        marked_by: initials,
        staff_id,
        reason: said.reason,
        authority: said.authority,
        recorded_at: caller.now,
    };
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let row = find_lot(&mut tx, caller, lot_id).await?;
    store::products::lots::hold(&mut tx, caller.group_id, lot_id).await?;
    let marks = store::products::lots::list_marks(&mut tx, caller.group_id, &[lot_id]).await?.remove(&lot_id);
    let mut marks = marks.unwrap_or_default();
    let before = last_like(&marks, mark.kind);
    let created = !before.is_some_and(|before| says_the_same(before, &mark));
    if created {
        check_follows(before, &mark)?;
        must_have_room(i64::try_from(marks.len()).unwrap_or(i64::MAX), MOST_MARKS, "marks of a lot")?;
        store::products::lots::insert_mark(&mut tx, caller.group_id, &row, &mark, caller.key_id).await?;
    }
    let clinic = Some(row.clinic_id);
    let document = LotDocument::of_row(&mut tx, caller, row).await?;
    if created {
        let event = json!({ "by_key_id": caller.key_id, "lot": document });
        events::append(&mut tx, caller.group_id, told, clinic, &event, caller.now).await?;
        if told == EventKind::LotRecalled {
            marks.push(mark);
            open_actions(&mut tx, caller, lot_id, &marks).await?;
        }
    }
    tx.commit().await?;
    Ok((created_or_ok(created), Json(document)))
}

/// Opens an action for each subject that a recalled lot was used on. Each opening locks its subject, in one order: two
/// recalls at once never wait for each other.
async fn open_actions(db: &mut PgConnection, caller: &Caller, lot_id: Uuid, marks: &[LotMark]) -> ApiResult<()> {
    let Some(recall) = LotRecall::standing(lot_id, marks) else { return Ok(()) };
    for place in store::products::lots::list_used_on(db, caller.group_id, lot_id).await? {
        actions::open_for_recall(db, caller.group_id, &recall, place, caller.key_id, caller.now).await?;
    }
    Ok(())
}

/// A recall is told at the instant it is recorded, so a repeat of it comes at another; everything else names its own.
fn says_the_same(before: &LotMark, mark: &LotMark) -> bool {
    let is_recall = mark.kind.replaces(LotMarkKind::Recalled);
    before.kind == mark.kind
        && (&before.marked_by, before.staff_id) == (&mark.marked_by, mark.staff_id)
        && (is_recall || before.marked_at == mark.marked_at)
        && (mark.reason.is_empty() || before.reason == mark.reason)
        && before.authority == mark.authority
}

fn check_follows(before: Option<&LotMark>, mark: &LotMark) -> ApiResult<()> {
    let fault = match (before, mark.kind) {
        (None, LotMarkKind::RecallWithdrawn) => Fault::new("/recalled", "no recall of this lot is recorded"),
        (Some(_), _) if mark.reason.trim().is_empty() => {
            Fault::new("/reason", "must say why what was recorded before is corrected")
        }
        _ => return Ok(()),
    };
    Err(ApiError::rules_broken(vec![fault]))
}

/// Examples for the API's document.
pub(super) fn examples(document: &LotDocument) -> Vec<Example> {
    let opened = LotOpenedInput {
        opened_at: samples::morning(7, 45),
        performed_by: Some("KV".to_owned()),
        signature: None,
        reason: String::new(),
    };
    let ended = LotEndedInput {
        how: LotEnd::Emptied,
        ended_at: samples::morning(9, 0),
        performed_by: Some("KV".to_owned()),
        signature: None,
        reason: String::new(),
    };
    let recall = LotRecallInput {
        recalled: true,
        reason: "Cap seals of this lot may leak.".to_owned(),
        authority: "Maker's notice 2026-17".to_owned(),
        performed_by: Some("MO".to_owned()),
        signature: None,
    };
    vec![
        Example { operation_id: "put_lot_opened", part: Part::Request, value: json!(opened) },
        Example { operation_id: "put_lot_opened", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_lot_ended", part: Part::Request, value: json!(ended) },
        Example { operation_id: "put_lot_ended", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_lot_recall", part: Part::Request, value: json!(recall) },
        Example { operation_id: "put_lot_recall", part: Part::Response, value: json!(document) },
    ]
}
