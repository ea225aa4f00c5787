//! Why a task is due when it is.
//!
//! The rule of this file: the answer is what the planner kept with the task. Nothing is worked out anew, so it stays
//! true of a task that was planned by yesterday's hours or an older release of the zone data.

use axum::Json;
use axum::extract::State;
use chrono::{DateTime, NaiveDate, NaiveDateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::{Access, TaskSubject, find_work};
use crate::domain::access::Role;
use crate::domain::plan::because::{Because, RoutineNames, sentence_without_reason};
use crate::domain::subject::SubjectKind;
use crate::domain::task::Times;
use crate::domain::zone::{self, Zone};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::Path;
use crate::http::openapi::{Example, Part};
use crate::http::problem::ApiResult;
use crate::http::samples;
use crate::store::tasks::Task;
use crate::store::{self, StoreError, clinics, planning, routines};

/// What it takes to tell in sentences why tasks of one clinic are due.
#[derive(Clone, Debug)]
pub struct Telling {
    zone: Zone,
    routines: RoutineNames,
}

impl Telling {
    /// Loads it for these tasks of a clinic.
    ///
    /// # Errors
    /// When the database does not answer.
    pub async fn load<'t>(
        db: &mut PgConnection,
        group_id: Uuid,
        clinic_id: Uuid,
        tasks: impl IntoIterator<Item = &'t Task>,
    ) -> ApiResult<Self> {
        let clinic = clinics::find(db, group_id, clinic_id).await?;
        let clinic = clinic.ok_or_else(|| StoreError::bad_row("task", clinic_id, "clinic_id", "no such clinic"))?;
        let named = tasks.into_iter().filter_map(|task| task.because.as_ref()?.other_routine()).collect();
        Ok(Self { zone: clinic.zone, routines: routines::names(db, group_id, &named).await? })
    }

    /// The task's reason as a sentence.
    #[must_use]
    pub fn sentence(&self, task: &Task) -> String {
        match &task.because {
            Some(because) => because.sentence(task.times.anchor_at, &self.zone, &self.routines),
            None => sentence_without_reason(),
        }
    }
}

/// The instants of a task's window.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct WindowView {
    /// The work may start.
    pub due_from: DateTime<Utc>,
    /// The work is due by then.
    pub due_by: DateTime<Utc>,
    /// Grace is over.
    pub overdue_at: DateTime<Utc>,
    /// Without evidence by then it is missed.
    pub missed_at: DateTime<Utc>,
    /// From when the subject is not ready by record without it; null: never.
    #[schema(required)]
    pub blocks_at: Option<DateTime<Utc>>,
}

impl From<&Times> for WindowView {
    fn from(times: &Times) -> Self {
        let Times { due_from, due_by, overdue_at, missed_at, blocks_at, .. } = *times;
        Self { due_from, due_by, overdue_at, missed_at, blocks_at }
    }
}

/// Why a task is due when it is.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct WhyDue {
    /// The task.
    pub task_id: Uuid,
    /// Which routine.
    pub routine_id: Uuid,
    /// The version it was planned by.
    pub routine_version: i32,
    /// The routine's name in that version.
    pub routine_name: String,
    /// On what.
    pub subject: TaskSubject,
    /// Which occurrence of the day.
    pub slot: String,
    /// The clinic day it belongs to.
    pub clinic_day: NaiveDate,
    /// The instant its window is counted from.
    pub anchor_at: DateTime<Utc>,
    /// The same by the clinic's clock.
    #[schema(value_type = String, example = "2026-11-26T08:30:00",
        pattern = "^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}([.][0-9]+)?$")]
    pub anchor_local: NaiveDateTime,
    /// The offset from UTC between the two, in seconds: as the planner used it.
    pub utc_offset_seconds: i32,
    /// The clinic's zone.
    #[schema(example = "Europe/London")]
    pub zone: String,
    /// The release of the zone data the clinic was last planned with.
    #[schema(example = "2026f")]
    pub zone_data: String,
    /// The fact that set the instant; null: planned before reasons were kept.
    #[schema(required)]
    pub because: Option<Because>,
    /// What follows from the instant.
    pub window: WindowView,
    /// The reason in one sentence.
    pub sentence: String,
}

/// The routes of reasons.
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(explain_task))
}

/// Explain why a task is due
///
/// The fact that set its moment, as data and as a sentence, with the local time and the offset it was worked out with.
#[utoipa::path(get, path = "/v1/tasks/{task_id}/why", operation_id = "explain_task", tag = "Chairside",
    params(("task_id" = Uuid, Path, description = "The task")),
    responses((status = 200, body = WhyDue, description = "The reason")))]
async fn explain_task(
    State(state): State<AppState>,
    caller: Caller,
    Path(task_id): Path<Uuid>,
) -> ApiResult<Json<WhyDue>> {
    caller.must_be(&[Role::Chairside, Role::Manager, Role::Reader, Role::Administrator])?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let work = find_work(&mut tx, &caller, task_id, Access::Read).await?;
    let task = &work.task;
    let told = Telling::load(&mut tx, caller.group_id, task.clinic_id, [task]).await?;
    let zone_data = planning::find_zone_data(&mut tx, caller.group_id, task.clinic_id).await?;
    tx.commit().await?;
    let anchor_at = task.times.anchor_at;
    let utc_offset_seconds = match &task.because {
        Some(because) => because.utc_offset_seconds,
        None => zone::offset_at(&told.zone, anchor_at).local_minus_utc(),
    };
    Ok(Json(WhyDue {
        task_id,
        routine_id: task.routine_id,
        routine_version: task.routine_version,
        routine_name: work.routine.name.clone(),
        subject: TaskSubject { subject_id: work.subject.id, kind: work.subject.kind, name: work.subject.name.clone() },
        slot: task.slot.to_string(),
        clinic_day: task.id.clinic_day(),
        anchor_at,
        anchor_local: anchor_at.naive_utc() + TimeDelta::seconds(utc_offset_seconds.into()),
        utc_offset_seconds,
        zone: told.zone.name().to_owned(),
        zone_data,
        because: task.because.clone(),
        window: WindowView::from(&task.times),
        sentence: told.sentence(task),
    }))
}

/// Examples for the API document.
pub fn examples() -> Vec<Example> {
    let task = samples::task();
    let value = WhyDue {
        task_id: task.task_id,
        routine_id: task.routine_id,
        routine_version: task.routine_version,
        routine_name: task.routine_name,
        subject: TaskSubject { subject_id: samples::OPERATORY, kind: SubjectKind::Operatory, name: task.subject.name },
        slot: task.slot,
        clinic_day: task.clinic_day,
        anchor_at: task.due_by,
        anchor_local: task.due_by.naive_utc(),
        utc_offset_seconds: 0,
        zone: "Europe/London".to_owned(),
        zone_data: "2026f".to_owned(),
        because: task.because,
        window: WindowView {
            due_from: task.due_from,
            due_by: task.due_by,
            overdue_at: task.overdue_at,
            missed_at: task.missed_at,
            blocks_at: Some(task.due_from),
        },
        sentence: task.why,
    };
    vec![Example { operation_id: "explain_task", part: Part::Response, value: serde_json::json!(value) }]
}
