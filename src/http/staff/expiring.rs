//! Competences that end soon, and who works without one.
//!
//! The rule of this file: it tells of records; whether somebody may go on working is a lead's decision.

use std::collections::{BTreeMap, BTreeSet};

use axum::Json;
use axum::extract::State;
use chrono::{DateTime, Days, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::competences::{self, CompetenceDocument};
use crate::domain::access::Role;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::Query;
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store::completions::flagged;
use crate::store::{self, staff};

const DEFAULT_DAYS: u16 = 30;
const MOST_DAYS: u16 = 366;
/// How far back work without a competence is looked for.
const LOOK_BACK: TimeDelta = TimeDelta::days(30);
/// Most of each kind in one answer: a lead works from the top.
const AT_MOST: i64 = 500;

/// How far ahead.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ExpiringQuery {
    /// Competences whose last day lies within so many days from today, today with them; 30 when not given.
    #[param(minimum = 1, maximum = 366, example = 60)]
    pub within_days: Option<u16>,
}

/// What a lead should see to.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ExpiringAnswer {
    /// The instant the answer is for; today is its date in UTC.
    pub as_of: DateTime<Utc>,
    /// Competences that end soon, the first to end first; at most 500. Of people who are on the staff today.
    pub ending: Vec<CompetenceDocument>,
    /// Work recorded in the last 30 days without a competence that was valid, the last first; at most 500.
    pub without: Vec<WithoutCompetence>,
}

/// Work that somebody did without a competence on record.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct WithoutCompetence {
    /// The person, as sent.
    pub performed_by: String,
    /// The person, where the device named one by id.
    #[schema(required)]
    pub staff_id: Option<Uuid>,
    /// The routine.
    pub routine_id: Uuid,
    /// Its name, in its latest version.
    pub routine_name: String,
    /// How many completions.
    #[schema(minimum = 1)]
    pub completions: i64,
    /// When the last of them was performed.
    pub last_performed_at: DateTime<Utc>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_expiring_competences))
}

/// List competences that end soon, and who works without one
///
/// A competence with a successor is listed too: look at the person's list. Only work within the key's reach is listed.
#[utoipa::path(
    get,
    path = "/v1/competences/expiring",
    operation_id = "list_expiring_competences",
    tag = "Staff",
    params(ExpiringQuery),
    responses((status = 200, description = "What a lead should see to.", body = ExpiringAnswer))
)]
async fn list_expiring_competences(
    State(state): State<AppState>,
    caller: Caller,
    Query(query): Query<ExpiringQuery>,
) -> ApiResult<Json<ExpiringAnswer>> {
    caller.must_be(&[Role::Manager, Role::Reader, Role::Administrator])?;
    let within_days = query.within_days.unwrap_or(DEFAULT_DAYS);
    if !(1..=MOST_DAYS).contains(&within_days) {
        return Err(ApiError::malformed(format!("within_days must be from 1 to {MOST_DAYS}")));
    }
    let today = caller.now.date_naive();
    let last_on = today + Days::new(within_days.into());
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let people: BTreeMap<_, _> =
        staff::list(&mut tx, caller.group_id).await?.into_iter().map(|person| (person.staff_id, person)).collect();
    let ending = staff::list_ending(&mut tx, caller.group_id, (today, last_on), AT_MOST).await?;
    let since = caller.now - LOOK_BACK;
    let without = flagged::list_uncovered(&mut tx, caller.group_id, caller.reach.clinics(), since, AT_MOST).await?;
    let routine_ids: BTreeSet<Uuid> = without.iter().map(|work| work.routine_id).collect();
    let names = store::routines::names(&mut tx, caller.group_id, &routine_ids).await?;
    tx.commit().await?;
    let is_here = |staff_id: &Uuid| people.get(staff_id).is_some_and(|person| person.is_active_on(today));
    let ending = ending.into_iter().filter(|(staff_id, _)| is_here(staff_id));
    Ok(Json(ExpiringAnswer {
        as_of: caller.now,
        ending: ending.map(|(staff_id, competence)| CompetenceDocument::of(staff_id, competence)).collect(),
        without: without
            .into_iter()
            .map(|work| WithoutCompetence {
                performed_by: work.performed_by,
                staff_id: work.staff_id,
                routine_id: work.routine_id,
                routine_name: names.0.get(&work.routine_id).cloned().unwrap_or_default(),
                completions: work.completions,
                last_performed_at: work.last_performed_at,
            })
            .collect(),
    }))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let answer = ExpiringAnswer {
        as_of: samples::morning(12, 0),
        ending: vec![competences::example()],
        without: vec![WithoutCompetence {
            performed_by: "KV".to_owned(),
            staff_id: None,
            routine_id: samples::ROUTINE,
            routine_name: "Flush the waterlines before the first patient".to_owned(),
            completions: 2,
            last_performed_at: samples::morning(8, 9),
        }],
    };
    vec![Example { operation_id: "list_expiring_competences", part: Part::Response, value: json!(answer) }]
}
