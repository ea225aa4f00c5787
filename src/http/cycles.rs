//! Cycles that equipment ran: what routines count that fall due after so many of them.
//!
//! The rule of this file: a cycle says that a machine ran and when it ended. What was in it, and how it ended, is said in its
//! record; nothing is judged here. One that is posted late is held with the loads of an action that is open about its
//! machine.

pub mod loads;
pub mod log_reductions;
pub mod records;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{DateTime, NaiveDate, SubsecRound as _, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::configuration::{created_or_ok, without_faults};
use super::extract::{Body, Path, Query};
use super::openapi::{Example, Part};
use super::paging::{NewestFirst, linked};
use super::problem::{ApiError, ApiResult};
use super::samples;
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::evidence::CLOCK_TOLERANCE;
use crate::domain::fault::{Fault, check_optional_text};
use crate::domain::subject::{Subject, SubjectKind};
use crate::store::clinics::{self, subjects};
use crate::store::corrective_actions::held_loads;
use crate::store::cycles::CycleMark;
use crate::store::{self, events, planning};

/// How far back a cycle may be posted, as for the desk's posts.
const OLDEST_POST: TimeDelta = TimeDelta::days(7);
const MAY_POST: [Role; 3] = [Role::Chairside, Role::FrontDesk, Role::Administrator];

/// A cycle as it is posted.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CycleInput {
    /// Made by the client, so that a repeat is harmless.
    pub cycle_id: Uuid,
    /// When it ended: up to seven days back.
    pub ended_at: DateTime<Utc>,
    /// What the machine calls its program.
    #[serde(default)]
    #[schema(max_length = 60, example = "wrapped 134")]
    pub program: String,
}

impl CycleInput {
    fn check(&self) -> ApiResult<()> {
        let mut faults = Vec::new();
        check_optional_text(&mut faults, "/program", &self.program, 60);
        without_faults((), faults).map_err(ApiError::rules_broken)
    }

    /// Only a cycle that is new must have ended lately: a repeat may come late.
    fn check_time(&self, now: DateTime<Utc>) -> ApiResult<()> {
        let fault = if self.ended_at > now + CLOCK_TOLERANCE {
            "lies in the future; post what has happened"
        } else if self.ended_at < now - OLDEST_POST {
            "lies more than seven days back"
        } else {
            return Ok(());
        };
        Err(ApiError::rules_broken(vec![Fault::new("/ended_at", fault)]))
    }
}

/// A cycle as it is kept.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct CycleDocument {
    /// Its identity.
    pub cycle_id: Uuid,
    /// The piece of equipment that ran it.
    pub equipment_id: Uuid,
    /// The clinic that stood in.
    pub clinic_id: Uuid,
    /// The clinic day it ended on, by the clinic's hours when it was posted.
    pub clinic_day: NaiveDate,
    /// When it ended, as posted.
    pub ended_at: DateTime<Utc>,
    /// What the machine calls its program; may be empty.
    pub program: String,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
}

impl From<CycleMark> for CycleDocument {
    fn from(mark: CycleMark) -> Self {
        Self {
            cycle_id: mark.cycle_id,
            equipment_id: mark.subject_id,
            clinic_id: mark.clinic_id,
            clinic_day: mark.clinic_day,
            ended_at: mark.ended_at,
            program: mark.program,
            recorded_at: mark.recorded_at,
        }
    }
}

/// One page of the cycles of a piece of equipment.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct CyclePage {
    /// The newest first.
    pub items: Vec<CycleDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_cycles, record_cycle))
}

/// Post a cycle that a piece of equipment ran
///
/// For sterilisers, washer-disinfectors and ultrasonic baths. It is counted for routines that fall due after so many
/// cycles; it is no completion, and says nothing about the load: the cycle's record does. A cycle that ended before an
/// action was opened which holds loads, and since the last test that passed, is held as it comes. Under the same `cycle_id` the same cycle may be posted
/// any number of times, and no other.
#[utoipa::path(
    post,
    path = "/v1/equipment/{equipment_id}/cycles",
    operation_id = "record_cycle",
    tag = "Chairside",
    params(("equipment_id" = Uuid, Path, description = "The piece of equipment.")),
    request_body = CycleInput,
    responses(
        (status = 201, description = "Recorded.", body = CycleDocument),
        (status = 200, description = "It stood already.", body = CycleDocument)
    )
)]
async fn record_cycle(
    State(state): State<AppState>,
    caller: Caller,
    Path(equipment_id): Path<Uuid>,
    Body(input): Body<CycleInput>,
) -> ApiResult<(StatusCode, Json<CycleDocument>)> {
    caller.must_be(&MAY_POST)?;
    input.check()?;
    let input = CycleInput { ended_at: input.ended_at.trunc_subsecs(6), ..input };
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let equipment = find_equipment(&mut tx, &caller, equipment_id).await?;
    if !equipment.kind.has_cycles() {
        let rule = format!(
            "a {} runs no cycles; they are posted for sterilisers, washer-disinfectors and ultrasonic baths",
            equipment.kind.as_str()
        );
        return Err(ApiError::rule_broken("", rule));
    }
    let (created, mark) = keep(&mut tx, &caller, &equipment, input).await?;
    tx.commit().await?;
    if created {
        state.wake_planner.notify_one();
    }
    Ok((created_or_ok(created), Json(CycleDocument::from(mark))))
}

/// Keeps the cycle, or finds it kept already.
async fn keep(
    db: &mut PgConnection,
    caller: &Caller,
    equipment: &Subject,
    input: CycleInput,
) -> ApiResult<(bool, CycleMark)> {
    if let Some(standing) = store::cycles::find(db, caller.group_id, input.cycle_id).await? {
        return must_be_the_same(standing, equipment, &input).map(|mark| (false, mark));
    }
    input.check_time(caller.now)?;
    let clinic_id = equipment.clinic_id;
    let hours = clinics::hours(db, caller.group_id, clinic_id).await?.ok_or_else(|| ApiError::not_found("clinic"))?;
    let mark = CycleMark {
        cycle_id: input.cycle_id,
        clinic_day: hours.clinic_day_of(input.ended_at),
        clinic_id,
        subject_id: equipment.id,
        ended_at: input.ended_at,
        program: input.program.clone(),
        recorded_at: caller.now,
        key_id: caller.key_id,
    };
    if !store::cycles::insert(db, caller.group_id, &mark).await? {
        // Somebody posted it between the look and the write.
        let standing = store::cycles::find(db, caller.group_id, input.cycle_id).await?;
        // Its receipt outlives it.
        let standing = standing.ok_or_else(|| {
            let detail = "a cycle was recorded under this cycle_id and has been purged since; it is not recorded again";
            ApiError::conflict("record-purged", "The record was purged", detail)
        })?;
        return must_be_the_same(standing, equipment, &input).map(|mark| (false, mark));
    }
    let event = json!({ "by_key_id": caller.key_id, "cycle": CycleDocument::from(mark.clone()) });
    events::append(db, caller.group_id, EventKind::CycleRecorded, Some(clinic_id), &event, caller.now).await?;
    planning::mark_clinic(db, caller.group_id, clinic_id, caller.now).await?;
    // After the plan, as a completion takes both.
    held_loads::hold_late(db, caller.group_id, (clinic_id, equipment.id), caller.now).await?;
    Ok((true, mark))
}

fn must_be_the_same(standing: CycleMark, equipment: &Subject, input: &CycleInput) -> ApiResult<CycleMark> {
    let is_same =
        standing.subject_id == equipment.id && standing.ended_at == input.ended_at && standing.program == input.program;
    if is_same {
        return Ok(standing);
    }
    Err(ApiError::conflict(
        "cycle-differs",
        "The id names another cycle",
        "a cycle with other content was recorded under this cycle_id; make a new id for a new cycle",
    ))
}

/// List the cycles of a piece of equipment, the newest first
///
/// By the instant they ended. A `Link` field with `rel="next"` leads to the next page.
#[utoipa::path(
    get,
    path = "/v1/equipment/{equipment_id}/cycles",
    operation_id = "list_cycles",
    tag = "Chairside",
    params(("equipment_id" = Uuid, Path, description = "The piece of equipment."), NewestFirst),
    responses((
        status = 200,
        description = "One page of the cycles.",
        body = CyclePage,
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)"))
    ))
)]
async fn list_cycles(
    State(state): State<AppState>,
    caller: Caller,
    Path(equipment_id): Path<Uuid>,
    Query(query): Query<NewestFirst>,
) -> ApiResult<Response> {
    let (limit, place) = (query.limit()?, query.place()?);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_equipment(&mut tx, &caller, equipment_id).await?;
    // One more than is shown tells whether there is a next page.
    let at_most = i64::from(limit) + 1;
    let mut marks = store::cycles::list_of_subject(&mut tx, caller.group_id, equipment_id, place, at_most).await?;
    tx.commit().await?;
    let path = format!("/v1/equipment/{equipment_id}/cycles");
    let link = query.cut(&path, &mut marks, limit, |mark| (mark.ended_at, mark.cycle_id));
    let page = CyclePage { items: marks.into_iter().map(CycleDocument::from).collect() };
    Ok(linked(&page, link))
}

/// The piece of equipment, if there is one within the caller's reach.
pub(super) async fn find_equipment(db: &mut PgConnection, caller: &Caller, equipment_id: Uuid) -> ApiResult<Subject> {
    subjects::find(db, caller.group_id, equipment_id)
        .await?
        .filter(|s| !matches!(s.kind, SubjectKind::Clinic | SubjectKind::Operatory))
        .filter(|s| caller.reach.covers_subject(s.clinic_id, s.id))
        .ok_or_else(|| ApiError::not_found("piece of equipment"))
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let input =
        CycleInput { cycle_id: samples::CYCLE, ended_at: samples::morning(9, 42), program: "wrapped 134".to_owned() };
    let document = CycleDocument {
        cycle_id: input.cycle_id,
        equipment_id: samples::EQUIPMENT,
        clinic_id: samples::CLINIC,
        clinic_day: samples::day(),
        ended_at: input.ended_at,
        program: input.program.clone(),
        recorded_at: samples::morning(9, 43),
    };
    let page = CyclePage { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_cycles", part: Part::Response, value: json!(page) },
        Example { operation_id: "record_cycle", part: Part::Request, value: json!(input) },
        Example { operation_id: "record_cycle", part: Part::Response, value: json!(document) },
    ]
}
