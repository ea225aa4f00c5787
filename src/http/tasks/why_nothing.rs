//! Why nothing of a routine is due on a day.
//!
//! The rule of this file: tasks that stand in the store come first, since the past was planned by the facts of its
//! day; only where there are none is the planner asked, on the spot and without keeping what it says.

use std::collections::BTreeSet;

use axum::Json;
use axum::extract::State;
use chrono::{DateTime, Days, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::access::Role;
use crate::domain::fault::Fault;
use crate::domain::plan::PlannedTask;
use crate::domain::plan::absence::{self, Absence, NoTask};
use crate::domain::plan::because::{Because, Fact, RoutineNames, sentence_without_reason};
use crate::domain::task::{Outcome, State as TaskState};
use crate::domain::zone::Zone;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::{Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store::planning::facts;
use crate::store::tasks::{self, Task};
use crate::store::{self, StoreError, routines};

/// How far from the clinic's today a day may be asked about. A bound on the work of one answer.
const REACH_DAYS: i64 = 400;
/// How far ahead of a day the hours and facts of the clinic may matter to it: a quarter, and a date moved over it.
const MARGIN_DAYS: u64 = 131;

/// Of what, on what, and when.
#[derive(Clone, Copy, Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct WhyNothingQuery {
    /// The routine.
    pub routine_id: Uuid,
    /// The clinic itself, or an operatory or a piece of equipment that stands in it.
    pub subject_id: Uuid,
    /// The clinic day, at most 400 days from the clinic's today.
    pub on: NaiveDate,
}

/// What is due of a routine on a subject and a day, or why nothing is.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct WhyNothing {
    /// The clinic.
    pub clinic_id: Uuid,
    /// The routine.
    pub routine_id: Uuid,
    /// Its name in the latest version.
    pub routine_name: String,
    /// The subject.
    pub subject_id: Uuid,
    /// The subject's name.
    pub subject_name: String,
    /// The clinic day.
    pub on: NaiveDate,
    /// What is due after all. Work that is wanted once in a period belongs to the day it is planned for.
    pub due: Vec<DueThen>,
    /// Why nothing is; what excludes it as such comes first. Empty when something is due.
    pub reasons: Vec<NoTaskReason>,
}

/// A task of the day that was asked about.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DueThen {
    /// The task's id; of one beyond the planning horizon, the id it will have.
    pub task_id: Uuid,
    /// Which occurrence of the day.
    pub slot: String,
    /// What it is now; null: not planned yet.
    #[schema(required)]
    pub state: Option<TaskState>,
    /// The work may start.
    pub due_from: DateTime<Utc>,
    /// The work is due by then.
    pub due_by: DateTime<Utc>,
    /// Why it is due then; null: planned before reasons were kept.
    #[schema(required)]
    pub because: Option<Because>,
    /// The same in one sentence.
    pub sentence: String,
}

/// A reason, as data and as a sentence.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct NoTaskReason {
    /// The reason.
    pub reason: NoTask,
    /// The same in one sentence.
    pub sentence: String,
}

/// The routes of absences.
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(explain_absence))
}

/// Explain why nothing is due
///
/// What is due of a routine on a subject and a clinic day; and if nothing is, why not, by the rules of the plan.
#[utoipa::path(get, path = "/v1/clinics/{clinic_id}/why-nothing", operation_id = "explain_absence", tag = "Chairside",
    params(("clinic_id" = Uuid, Path, description = "The clinic"), WhyNothingQuery),
    responses((status = 200, body = WhyNothing, description = "What is due, or the reasons why nothing is")))]
async fn explain_absence(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<WhyNothingQuery>,
) -> ApiResult<Json<WhyNothing>> {
    caller.must_be(&[Role::Chairside, Role::Manager, Role::Reader, Role::Administrator])?;
    let WhyNothingQuery { routine_id, subject_id, on } = query;
    if !caller.reach.covers_subject(clinic_id, subject_id) {
        return Err(ApiError::not_found("clinic"));
    }
    let utc_today = caller.now.date_naive();
    // The clinic's own today is at most a day from that of UTC.
    if (on - utc_today).num_days().abs() > REACH_DAYS {
        let fault = Fault::new("/on", format!("must be at most {REACH_DAYS} days from today"));
        return Err(ApiError::rules_broken(vec![fault]));
    }
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let span = (on.min(utc_today) - Days::new(store::WINDOW_DAYS), on.max(utc_today) + Days::new(MARGIN_DAYS));
    let clinic = facts::load(&mut tx, caller.group_id, clinic_id, span).await?;
    let clinic = clinic.ok_or_else(|| ApiError::not_found("clinic"))?;
    let subject = clinic.subjects.iter().find(|subject| subject.id == subject_id).cloned();
    let subject = subject.ok_or_else(|| ApiError::not_found("subject"))?;
    let is_routine = clinic.routines.iter().any(|v| v.first().is_some_and(|v| v.routine_id == routine_id));
    if !is_routine {
        return Err(ApiError::not_found("routine"));
    }
    let stored = tasks::list_of_day(&mut tx, caller.group_id, routine_id, subject_id, on).await?;
    let stored: Vec<Task> =
        stored.into_iter().filter(|task| task.clinic_id == clinic_id && day_of(task) == on).collect();
    let zone = clinic.hours.zone.clone();
    let subject_name = subject.name.clone();
    let planner = move || {
        let today = clinic.hours.clinic_day_of(caller.now);
        absence::why_nothing(&clinic, routine_id, &subject, on, today)
    };
    // Arithmetic over days and routines: not on a thread that answers requests.
    let absence = tokio::task::spawn_blocking(planner).await.map_err(StoreError::from)?;
    let found = Found::new(stored, absence);
    let mut mentioned = found.other_routines();
    mentioned.insert(routine_id);
    let names = routines::names(&mut tx, caller.group_id, &mentioned).await?;
    tx.commit().await?;
    let routine_name = names.0.get(&routine_id).cloned().unwrap_or_default();
    let (due, reasons) = found.told(&zone, &names, caller.now);
    Ok(Json(WhyNothing { clinic_id, routine_id, routine_name, subject_id, subject_name, on, due, reasons }))
}

/// The clinic day a stored task is planned for.
fn day_of(task: &Task) -> NaiveDate {
    match task.because.as_ref().map(|because| &because.fact) {
        Some(Fact::PeriodDue { chosen_on, .. }) => *chosen_on,
        _ => task.id.clinic_day(),
    }
}

/// What the store and the planner say together.
struct Found {
    stored: Vec<Task>,
    planned: Vec<PlannedTask>,
    reasons: Vec<NoTask>,
}

impl Found {
    fn new(stored: Vec<Task>, absence: Absence) -> Self {
        let is_required = |task: &Task| !matches!(task.recorded, Some((Outcome::NotRequired, _)));
        let (stored, not_required): (Vec<_>, Vec<_>) = stored.into_iter().partition(is_required);
        if !stored.is_empty() {
            return Self { stored, planned: Vec::new(), reasons: Vec::new() };
        }
        let mut reasons: Vec<NoTask> = not_required
            .iter()
            .map(|task| NoTask::NotRequired { task_id: task.id.as_uuid(), reason: task.outcome_reason.clone() })
            .collect();
        let planned = match absence {
            Absence::Due(tasks) => {
                // What people recorded as not required the plan still wants; their word stands.
                let is_stored = |task: &PlannedTask| not_required.iter().any(|kept| kept.id == task.id);
                tasks.into_iter().filter(|task| !is_stored(task)).collect()
            }
            Absence::Nothing(others) => {
                let is_told = |other: &NoTask| reasons.iter().any(|told| same_task(told, other));
                let more: Vec<_> = others.into_iter().filter(|other| !is_told(other)).collect();
                reasons.extend(more);
                Vec::new()
            }
        };
        let reasons = if planned.is_empty() { reasons } else { Vec::new() };
        Self { stored, planned, reasons }
    }

    fn other_routines(&self) -> BTreeSet<Uuid> {
        let of_stored = self.stored.iter().filter_map(|task| task.because.as_ref()?.other_routine());
        let of_planned = self.planned.iter().filter_map(|task| task.because.other_routine());
        of_stored.chain(of_planned).chain(self.reasons.iter().filter_map(NoTask::other_routine)).collect()
    }

    fn told(self, zone: &Zone, names: &RoutineNames, now: DateTime<Utc>) -> (Vec<DueThen>, Vec<NoTaskReason>) {
        let of_stored = self.stored.into_iter().map(|task| DueThen {
            task_id: task.id.as_uuid(),
            slot: task.slot.to_string(),
            state: Some(task.state(now)),
            due_from: task.times.due_from,
            due_by: task.times.due_by,
            sentence: task
                .because
                .as_ref()
                .map_or_else(sentence_without_reason, |because| because.sentence(task.times.anchor_at, zone, names)),
            because: task.because,
        });
        let of_planned = self.planned.into_iter().map(|task| DueThen {
            task_id: task.id.as_uuid(),
            slot: task.slot.to_string(),
            state: None,
            due_from: task.times.due_from,
            due_by: task.times.due_by,
            sentence: task.because.sentence(task.times.anchor_at, zone, names),
            because: Some(task.because),
        });
        let due = of_stored.chain(of_planned).collect();
        let tell = |reason: NoTask| NoTaskReason { sentence: reason.sentence(zone, names), reason };
        (due, self.reasons.into_iter().map(tell).collect())
    }
}

fn same_task(a: &NoTask, b: &NoTask) -> bool {
    matches!((a, b), (NoTask::NotRequired { task_id: a, .. }, NoTask::NotRequired { task_id: b, .. }) if a == b)
}

/// Examples for the API document.
pub fn examples() -> Vec<Example> {
    let sunday = samples::day() + Days::new(3);
    let value = WhyNothing {
        clinic_id: samples::CLINIC,
        routine_id: samples::ROUTINE,
        routine_name: samples::task().routine_name,
        subject_id: samples::OPERATORY,
        subject_name: samples::task().subject.name,
        on: sunday,
        due: Vec::new(),
        reasons: vec![NoTaskReason {
            reason: NoTask::ClosedDay { closure: None },
            sentence: "The clinic has no opening hours that day.".to_owned(),
        }],
    };
    vec![Example { operation_id: "explain_absence", part: Part::Response, value: serde_json::json!(value) }]
}
