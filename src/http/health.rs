//! Whether this instance lives, and whether it can do its work.
//!
//! The rule of this file: `live` looks at nothing but the process, because restarting it mends nothing else; `ready`
//! fails only for what another instance may do better.

mod look;
pub mod metrics;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use self::metrics::lag;
use super::AppState;
use super::openapi::{Example, Part};
use crate::domain::zone;

pub use self::look::LastLook;
pub(super) use self::look::at_database;

/// From how long a wait on a loop is late.
const LATE_AFTER: TimeDelta = TimeDelta::minutes(5);

/// The state of an instance.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct InstanceHealth {
    /// Whether it takes requests: no part failed.
    pub ready: bool,
    /// What was looked at.
    pub parts: Vec<HealthPart>,
}

/// One thing an instance needs.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct HealthPart {
    /// Its name.
    pub name: HealthPartName,
    /// How it is.
    pub state: HealthState,
    /// What was found, in words.
    pub detail: String,
}

/// What is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum HealthPartName {
    /// The process itself.
    Process,
    /// The database answers.
    Database,
    /// Its schema is the one this program was built for.
    Migrations,
    /// No clinic waits long to be planned.
    Planner,
    /// The loop that seals what was recorded, and checks it.
    Sealer,
    /// The time zone data local times are resolved with.
    ZoneData,
}

/// How a part is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum HealthState {
    /// As it should be.
    Ok,
    /// Behind; requests are answered all the same.
    Late,
    /// Not usable.
    Failed,
}

impl HealthPart {
    fn new(name: HealthPartName, state: HealthState, detail: impl Into<String>) -> Self {
        Self { name, state, detail: detail.into() }
    }
}

impl InstanceHealth {
    fn of(parts: Vec<HealthPart>) -> Self {
        Self { ready: parts.iter().all(|part| part.state != HealthState::Failed), parts }
    }
}

/// The routes of this resource.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_live)).routes(routes!(get_ready))
}

/// Tell whether the process lives
///
/// Looks at nothing else: an orchestrator restarts the process when this does not answer.
#[utoipa::path(get, path = "/health/live", operation_id = "get_live", tag = "Operations",
    responses((status = 200, description = "It lives", body = InstanceHealth)))]
async fn get_live() -> Json<InstanceHealth> {
    Json(InstanceHealth::of(vec![HealthPart::new(HealthPartName::Process, HealthState::Ok, "answers")]))
}

/// Tell whether this instance can do its work
///
/// Ready while the database answers and its schema is the one this program was built for. A planner or a sealer that is
/// behind is named as late and does not make the instance unready: it would be no faster without requests. However often this
/// is asked, the database is looked at once a second.
#[utoipa::path(get, path = "/health/ready", operation_id = "get_ready", tag = "Operations",
    responses((status = 200, description = "Ready", body = InstanceHealth),
              (status = 503, description = "Not ready; the parts say why", body = InstanceHealth)))]
async fn get_ready(State(state): State<AppState>) -> (StatusCode, Json<InstanceHealth>) {
    let mut parts = database(look::at_database(&state).await, state.clock.now());
    parts.push(HealthPart::new(HealthPartName::ZoneData, HealthState::Ok, zone_data()));
    let health = InstanceHealth::of(parts);
    let status = if health.ready { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE };
    (status, Json(health))
}

fn database(found: Option<look::Found>, now: DateTime<Utc>) -> Vec<HealthPart> {
    let Some(found) = found else {
        let detail = "does not answer; the log says why";
        return vec![HealthPart::new(HealthPartName::Database, HealthState::Failed, detail)];
    };
    vec![
        HealthPart::new(HealthPartName::Database, HealthState::Ok, "answers"),
        match found.schema_difference {
            None => HealthPart::new(HealthPartName::Migrations, HealthState::Ok, "all applied"),
            Some(difference) => HealthPart::new(HealthPartName::Migrations, HealthState::Failed, difference),
        },
        behind(HealthPartName::Planner, found.plan_due_at, now),
        behind(HealthPartName::Sealer, found.seal_due_at, now),
    ]
}

/// A loop, by how long the clinic that waits longest for it has waited.
fn behind(loop_name: HealthPartName, due_at: Option<DateTime<Utc>>, now: DateTime<Utc>) -> HealthPart {
    let waited = lag(due_at, now);
    let state = if waited >= LATE_AFTER { HealthState::Late } else { HealthState::Ok };
    HealthPart::new(loop_name, state, format!("{} s behind", waited.num_seconds()))
}

/// Release of the time zone data that local times are resolved with.
#[must_use]
pub fn zone_data() -> String {
    let database = zone::database();
    format!("{}, {}", database.release(), database.origin())
}

/// Examples for the API document.
#[must_use]
pub fn examples() -> Vec<Example> {
    let live = InstanceHealth::of(vec![HealthPart::new(HealthPartName::Process, HealthState::Ok, "answers")]);
    let ready = InstanceHealth::of(vec![
        HealthPart::new(HealthPartName::Database, HealthState::Ok, "answers"),
        HealthPart::new(HealthPartName::Migrations, HealthState::Ok, "all applied"),
        HealthPart::new(HealthPartName::Planner, HealthState::Ok, "0 s behind"),
        HealthPart::new(HealthPartName::Sealer, HealthState::Ok, "0 s behind"),
        HealthPart::new(HealthPartName::ZoneData, HealthState::Ok, "2026f, built in"),
    ]);
    vec![
        Example { operation_id: "get_live", part: Part::Response, value: json!(live) },
        Example { operation_id: "get_ready", part: Part::Response, value: json!(ready) },
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_loop_is_late_from_five_minutes_on_and_never_makes_the_instance_unready() {
        let now = DateTime::from_timestamp(1_798_200_000, 0).unwrap();
        let at = |seconds| behind(HealthPartName::Planner, Some(now - TimeDelta::seconds(seconds)), now);
        assert_eq!(at(-60), HealthPart::new(HealthPartName::Planner, HealthState::Ok, "0 s behind"));
        assert_eq!(at(299).state, HealthState::Ok);
        assert_eq!(at(300), HealthPart::new(HealthPartName::Planner, HealthState::Late, "300 s behind"));
        assert!(InstanceHealth::of(vec![at(300)]).ready);
    }

    #[test]
    fn one_failed_part_makes_the_instance_unready() {
        let parts = [HealthState::Ok, HealthState::Failed]
            .map(|state| HealthPart::new(HealthPartName::Database, state, "looked at"));
        assert!(!InstanceHealth::of(parts.to_vec()).ready);
    }
}
