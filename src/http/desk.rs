//! The front desk: a clinic's day starts and ends, a chair is taken and left.
//!
//! The rule of this file: what the desk reports has happened, so it is kept, never argued with. Bodies have no place
//! for a patient; an unknown field is refused before anything else is looked at.

pub mod days_without_presence;
pub mod presence;

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sha2::{Digest, Sha256};
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::extract::{Path, RawBody, read_json};
use super::idempotency::{IdempotencyKey, Once};
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult};
use super::readiness::{self, ReadinessAnswer};
use super::samples;
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::evidence::CLOCK_TOLERANCE;
use crate::domain::hours::Hours;
use crate::domain::subject::{Subject, SubjectKind};
use crate::domain::zone;
use crate::store::clinics::{self, subjects};
use crate::store::corrective_actions::make_safe;
use crate::store::desk::{DayMark, SeatingMark};
use crate::store::tasks::{self, misses};
use crate::store::{self, events, planning};

/// How far back the desk may report.
const OLDEST_POST: TimeDelta = TimeDelta::days(7);
const MAY_POST: [Role; 2] = [Role::FrontDesk, Role::Administrator];

/// The desk's routes.
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(start_day))
        .routes(routes!(end_day))
        .routes(routes!(seat_patient))
        .routes(routes!(leave_operatory))
}

/// When something happened at the desk.
#[derive(Clone, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DeskPost {
    /// The instant; left out: now. Up to seven days back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<DateTime<Utc>>,
    /// The clinic day it belongs to; left out: the one the instant falls into by the clinic's hours.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clinic_day: Option<NaiveDate>,
}

/// A day's start or end as it stands.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayMarkAnswer {
    /// The clinic.
    pub clinic_id: Uuid,
    /// The clinic day.
    pub clinic_day: NaiveDate,
    /// When the day started or ended, as the desk says.
    pub at: DateTime<Utc>,
    /// When that was first recorded.
    pub recorded_at: DateTime<Utc>,
    /// How many tasks this post added, moved or withdrew; 0 for a repeat.
    pub tasks_changed: usize,
}

/// A chair taken or left, as it stands.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct SeatingAnswer {
    /// Derived from operatory, kind and instant: the same post always has the same id.
    pub mark_id: Uuid,
    /// The chair.
    pub operatory_id: Uuid,
    /// The clinic day.
    pub clinic_day: NaiveDate,
    /// When, as the desk says.
    pub at: DateTime<Utc>,
    /// For a patient seated: what was missing at that moment. Recorded all the same: the desk decides.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub readiness: Option<ReadinessAnswer>,
    /// For a patient who left: the turnover tasks that made due.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub task_ids: Option<Vec<Uuid>>,
}

/// Post a clinic's day start
///
/// Moves that day's opening tasks to the posted instant. It may come before, after or without the planned opening, on
/// a closed day too. One start a clinic day: a repeat answers 200 with what stands; another `at` is a conflict.
#[utoipa::path(post, path = "/v1/clinics/{clinic_id}/day-start", operation_id = "start_day", tag = "Front desk",
    params(("clinic_id" = Uuid, Path, description = "The clinic"),
           ("Idempotency-Key" = inline(Option<IdempotencyKey>), Header, description = "Optional: the clinic day is a natural key")),
    request_body = DeskPost,
    responses((status = 201, body = DayMarkAnswer, description = "Recorded"),
              (status = 200, body = DayMarkAnswer, description = "Stood already")))]
async fn start_day(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    key: IdempotencyKey,
    RawBody(body): RawBody,
) -> ApiResult<Response> {
    mark_day(&state, &caller, clinic_id, "start", key, &body).await
}

/// Post a clinic's day end
///
/// Moves that day's closing tasks to the posted instant. One end a clinic day: a repeat answers 200 with what stands;
/// another `at` is a conflict.
#[utoipa::path(post, path = "/v1/clinics/{clinic_id}/day-end", operation_id = "end_day", tag = "Front desk",
    params(("clinic_id" = Uuid, Path, description = "The clinic"),
           ("Idempotency-Key" = inline(Option<IdempotencyKey>), Header, description = "Optional: the clinic day is a natural key")),
    request_body = DeskPost,
    responses((status = 201, body = DayMarkAnswer, description = "Recorded"),
              (status = 200, body = DayMarkAnswer, description = "Stood already")))]
async fn end_day(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    key: IdempotencyKey,
    RawBody(body): RawBody,
) -> ApiResult<Response> {
    mark_day(&state, &caller, clinic_id, "end", key, &body).await
}

async fn mark_day(
    state: &AppState,
    caller: &Caller,
    clinic_id: Uuid,
    edge: &'static str,
    key: IdempotencyKey,
    body: &[u8],
) -> ApiResult<Response> {
    caller.must_be(&MAY_POST)?;
    caller.must_reach_clinic(clinic_id)?;
    let post: DeskPost = read_json(body)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let ticket = match key.begin(&mut tx, caller, &[edge.as_bytes(), clinic_id.as_bytes(), body]).await? {
        Once::Replay(answer) => return Ok(answer),
        Once::Fresh(ticket) => ticket,
    };
    // Whoever marks the day re-plans it, and two marks must not cross.
    planning::lock_clinic(&mut tx, caller.group_id, clinic_id).await?;
    let hours =
        clinics::hours(&mut tx, caller.group_id, clinic_id).await?.ok_or_else(|| ApiError::not_found("clinic"))?;
    let (at, clinic_day) = moment(&post, &hours, caller.now)?;
    let answer = |mark: DayMark, tasks_changed| DayMarkAnswer {
        clinic_id,
        clinic_day,
        at: mark.marked_at,
        recorded_at: mark.recorded_at,
        tasks_changed,
    };
    if let Some(mark) = store::desk::find_day_mark(&mut tx, caller.group_id, clinic_id, clinic_day, edge).await? {
        if post.at.is_some_and(|at| at != mark.marked_at) {
            return Err(ApiError::conflict(
                "day-already-marked",
                "The clinic day has a start or end already",
                format!("the {edge} of {clinic_day} stands at {}; it cannot be moved", mark.marked_at.to_rfc3339()),
            ));
        }
        return ticket.answer(tx, caller, StatusCode::OK, &answer(mark, 0)).await;
    }
    must_be_ordered(&mut tx, caller, clinic_id, clinic_day, edge, at).await?;
    let mark = DayMark { marked_at: at, recorded_at: caller.now };
    store::desk::insert_day_mark(&mut tx, caller.group_id, clinic_id, clinic_day, edge, mark, caller.key_id).await?;
    let counts = planning::replan(&mut tx, caller.group_id, clinic_id, state.horizon_days, caller.now).await?;
    let kind = if edge == "start" { EventKind::DayStarted } else { EventKind::DayEnded };
    let event = json!({ "clinic_id": clinic_id, "clinic_day": clinic_day, "at": at });
    events::append(&mut tx, caller.group_id, kind, Some(clinic_id), &event, caller.now).await?;
    let changed = counts.added + counts.changed + counts.removed + counts.withdrawn;
    ticket.answer(tx, caller, StatusCode::CREATED, &answer(mark, changed)).await
}

/// A day ends after it starts.
async fn must_be_ordered(
    db: &mut PgConnection,
    caller: &Caller,
    clinic_id: Uuid,
    clinic_day: NaiveDate,
    edge: &str,
    at: DateTime<Utc>,
) -> ApiResult<()> {
    let other = if edge == "start" { "end" } else { "start" };
    let Some(mark) = store::desk::find_day_mark(db, caller.group_id, clinic_id, clinic_day, other).await? else {
        return Ok(());
    };
    let ordered = if edge == "start" { at <= mark.marked_at } else { mark.marked_at <= at };
    if ordered {
        return Ok(());
    }
    Err(ApiError::rule_broken("/at", format!("the {other} of {clinic_day} stands at {}", mark.marked_at.to_rfc3339())))
}

/// The instant and the clinic day of a post.
fn moment(post: &DeskPost, hours: &Hours, now: DateTime<Utc>) -> ApiResult<(DateTime<Utc>, NaiveDate)> {
    use chrono::SubsecRound;
    let at = post.at.unwrap_or(now).trunc_subsecs(6);
    if at > now + CLOCK_TOLERANCE {
        return Err(ApiError::rule_broken("/at", "lies in the future; post what has happened"));
    }
    if at < now - OLDEST_POST {
        return Err(ApiError::rule_broken("/at", "lies more than seven days back"));
    }
    let clinic_day = post.clinic_day.unwrap_or_else(|| hours.clinic_day_of(at));
    let local_date = zone::local(&hours.zone, at).date();
    if (clinic_day - local_date).num_days().abs() > 1 {
        return Err(ApiError::rule_broken(
            "/clinic_day",
            format!("must be within a day of the clinic's local date at that instant, {local_date}"),
        ));
    }
    Ok((at, clinic_day))
}

/// Post that a patient was seated
///
/// Recorded whatever is missing or stands against the chair, and answered with it, as it was by what had been recorded then:
/// the desk decides. It is kept with the seating and shown to the lead who signs the day. There is no place for who it was.
/// Work between two patients that is not recorded at that instant is missed from then on; where its routine asks for an
/// action, that is opened and a make-safe task is created at once.
/// Needs an `Idempotency-Key`; the same instant at the same chair is one seating however often it is posted.
#[utoipa::path(post, path = "/v1/operatories/{operatory_id}/seated", operation_id = "seat_patient", tag = "Front desk",
    params(("operatory_id" = Uuid, Path, description = "The operatory"),
           ("Idempotency-Key" = inline(IdempotencyKey), Header, description = "A fresh value for each seating, repeated on retry")),
    request_body = DeskPost,
    responses((status = 201, body = SeatingAnswer, description = "Recorded"),
              (status = 200, body = SeatingAnswer, description = "Stood already")))]
async fn seat_patient(
    State(state): State<AppState>,
    caller: Caller,
    Path(operatory_id): Path<Uuid>,
    key: IdempotencyKey,
    RawBody(body): RawBody,
) -> ApiResult<Response> {
    mark_seating(&state, &caller, operatory_id, "seated", key, &body).await
}

/// Post that a patient left
///
/// Makes the turnover tasks of the operatory due and answers with their ids. Needs an `Idempotency-Key`.
#[utoipa::path(post, path = "/v1/operatories/{operatory_id}/left", operation_id = "leave_operatory", tag = "Front desk",
    params(("operatory_id" = Uuid, Path, description = "The operatory"),
           ("Idempotency-Key" = inline(IdempotencyKey), Header, description = "A fresh value for each departure, repeated on retry")),
    request_body = DeskPost,
    responses((status = 201, body = SeatingAnswer, description = "Recorded"),
              (status = 200, body = SeatingAnswer, description = "Stood already")))]
async fn leave_operatory(
    State(state): State<AppState>,
    caller: Caller,
    Path(operatory_id): Path<Uuid>,
    key: IdempotencyKey,
    RawBody(body): RawBody,
) -> ApiResult<Response> {
    mark_seating(&state, &caller, operatory_id, "left", key, &body).await
}

async fn mark_seating(
    state: &AppState,
    caller: &Caller,
    operatory_id: Uuid,
    edge: &'static str,
    key: IdempotencyKey,
    body: &[u8],
) -> ApiResult<Response> {
    caller.must_be(&MAY_POST)?;
    let key = key.required()?;
    let post: DeskPost = read_json(body)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let operatory = find_operatory(&mut tx, caller, operatory_id).await?;
    let ticket = match key.begin(&mut tx, caller, &[edge.as_bytes(), operatory_id.as_bytes(), body]).await? {
        Once::Replay(answer) => return Ok(answer),
        Once::Fresh(ticket) => ticket,
    };
    let clinic_id = operatory.clinic_id;
    planning::lock_clinic(&mut tx, caller.group_id, clinic_id).await?;
    let hours =
        clinics::hours(&mut tx, caller.group_id, clinic_id).await?.ok_or_else(|| ApiError::not_found("clinic"))?;
    let (at, clinic_day) = moment(&post, &hours, caller.now)?;
    let mark_id = derive_mark_id(operatory_id, edge, at);
    let mut answer = SeatingAnswer { mark_id, operatory_id, clinic_day, at, readiness: None, task_ids: None };
    if edge == "seated" {
        // As it was by what had been recorded when somebody sat down: work that came after is none of that.
        answer.readiness = Some(readiness::of(&mut tx, caller.group_id, &operatory, at.min(caller.now)).await?);
    }
    let missing = answer.readiness.as_ref().map_or_else(|| json!([]), |found| json!(found.missing));
    let standing = answer.readiness.as_ref().map(|found| json!(found.standing));
    let mark = SeatingMark { mark_id, clinic_id, operatory_id, clinic_day, edge, marked_at: at, missing, standing };
    let is_new = store::desk::insert_seating_mark(&mut tx, caller.group_id, &mark, caller.key_id, caller.now).await?;
    if is_new {
        let kind = if edge == "seated" { EventKind::PatientSeated } else { EventKind::PatientLeft };
        let event = json!({ "operatory_id": operatory_id, "clinic_day": clinic_day, "at": at, "mark_id": mark_id });
        events::append(&mut tx, caller.group_id, kind, Some(clinic_id), &event, caller.now).await?;
    }
    if is_new {
        planning::replan_after_seating(&mut tx, caller.group_id, clinic_id, clinic_day, mark_id, caller.now).await?;
        planning::mark_clinic(&mut tx, caller.group_id, clinic_id, caller.now).await?;
        let missed = end_turnovers(&mut tx, caller, &mark).await?;
        let missed = misses::list_of_tasks(&mut tx, caller.group_id, &missed, caller.now).await?;
        misses::open_actions(&mut tx, caller.group_id, missed, caller.now).await?;
    }
    if edge == "left" {
        let made = tasks::list_of_turnover(&mut tx, caller.group_id, operatory_id, clinic_day, mark_id).await?;
        answer.task_ids = Some(made);
    }
    let status = if is_new { StatusCode::CREATED } else { StatusCode::OK };
    ticket.answer(tx, caller, status, &answer).await
}

/// The work between two patients is missed once the next one is in the chair, in whichever order the desk says so.
async fn end_turnovers(db: &mut PgConnection, caller: &Caller, mark: &SeatingMark) -> ApiResult<Vec<Uuid>> {
    let (group_id, chair) = (caller.group_id, mark.operatory_id);
    if mark.edge == "seated" {
        return Ok(make_safe::end_turnovers(db, group_id, chair, (mark.marked_at, None), caller.now).await?);
    }
    if let Some(next) = make_safe::find_next_seating(&mut *db, group_id, chair, mark.marked_at).await? {
        make_safe::end_turnovers(&mut *db, group_id, chair, (next, Some(mark.mark_id)), caller.now).await?;
    }
    // A departure may be told of so late that its work is missed as it is planned.
    Ok(tasks::list_of_turnover(db, group_id, chair, mark.clinic_day, mark.mark_id).await?)
}

/// The operatory, if there is one within the caller's reach.
///
/// # Errors
/// 404.
pub async fn find_operatory(db: &mut PgConnection, caller: &Caller, operatory_id: Uuid) -> ApiResult<Subject> {
    subjects::find(db, caller.group_id, operatory_id)
        .await?
        .filter(|s| s.kind == SubjectKind::Operatory && caller.reach.covers_subject(s.clinic_id, s.id))
        .ok_or_else(|| ApiError::not_found("operatory"))
}

/// The natural key of a seating: the same instant at the same chair is the same seating.
fn derive_mark_id(operatory_id: Uuid, edge: &str, at: DateTime<Utc>) -> Uuid {
    let mut hash = Sha256::new();
    hash.update(b"chairtide seating v1");
    hash.update(operatory_id.as_bytes());
    hash.update(edge.as_bytes());
    hash.update(at.timestamp_micros().to_be_bytes());
    let digest = hash.finalize();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    uuid::Builder::from_custom_bytes(bytes).into_uuid()
}

/// Examples for the API document.
pub fn examples() -> Vec<Example> {
    let post = json!(DeskPost { at: Some(samples::morning(8, 25)), clinic_day: None });
    let day = json!(DayMarkAnswer {
        clinic_id: samples::CLINIC,
        clinic_day: samples::day(),
        at: samples::morning(8, 25),
        recorded_at: samples::morning(8, 25),
        tasks_changed: 14,
    });
    let seating = |readiness, task_ids| {
        json!(SeatingAnswer {
            mark_id: samples::MARK,
            operatory_id: samples::OPERATORY,
            clinic_day: samples::day(),
            at: samples::morning(8, 25),
            readiness,
            task_ids,
        })
    };
    let request = |operation_id| Example { operation_id, part: Part::Request, value: post.clone() };
    let response = |operation_id, value| Example { operation_id, part: Part::Response, value };
    vec![
        request("start_day"),
        request("end_day"),
        request("seat_patient"),
        request("leave_operatory"),
        response("start_day", day.clone()),
        response("end_day", day),
        response("seat_patient", seating(Some(readiness::example()), None)),
        response("leave_operatory", seating(None, Some(vec![samples::TASK]))),
    ]
}
