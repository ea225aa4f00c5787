//! One task with everything about it: what it asks for and what was recorded.

pub mod due;
pub mod feeds;
pub mod holds;
pub mod miss_reasons;
pub mod overdue;
pub mod summary;
pub mod why;
pub mod why_nothing;

use axum::Json;
use axum::extract::State;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use self::why::Telling;
use super::AppState;
use super::caller::Caller;
use super::completions::CompletionAnswer;
use super::extract::Path;
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult};
use super::samples;
use crate::domain::access::Role;
use crate::domain::cautions;
use crate::domain::evidence::TimedHold;
use crate::domain::ladder::Audience;
use crate::domain::limit::Source;
use crate::domain::plan::because::Because;
use crate::domain::routine::Routine;
use crate::domain::step::{self, StepEvidence};
use crate::domain::subject::{Subject, SubjectKind};
use crate::domain::task::{State as TaskState, TaskId};
use crate::store::clinics::subjects;
use crate::store::tasks::{self, Task};
use crate::store::{self, StoreError, completions};

/// The routes of tasks.
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_task))
}

/// A task as whoever works on it sees it.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct TaskView {
    /// Derived identity: the same occurrence always has the same id.
    pub task_id: Uuid,
    /// The clinic where it falls due.
    pub clinic_id: Uuid,
    /// The clinic day it belongs to.
    pub clinic_day: NaiveDate,
    /// On what.
    pub subject: TaskSubject,
    /// Which routine.
    pub routine_id: Uuid,
    /// In which version.
    pub routine_version: i32,
    /// The routine's name.
    pub routine_name: String,
    /// Which occurrence of the day: `opening`, `closing`, `turnover:…`, `rule:<date>`, `repeat:…`.
    pub slot: String,
    /// What it is now.
    pub state: TaskState,
    /// The reason of an outcome.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub outcome_reason: String,
    /// The ladder's level now; 0 until it is overdue.
    pub level: usize,
    /// Whom the level is for.
    #[schema(required)]
    pub audience: Option<Audience>,
    /// The subject is not ready by record while it is not recorded.
    pub blocking: bool,
    /// Why it is due then: the fact that set its moment; null: planned before reasons were kept.
    #[schema(required)]
    pub because: Option<Because>,
    /// The same in one sentence, for people.
    #[schema(example = "By its hours the clinic opens at 08:30 on Thursday 2026-11-26.")]
    pub why: String,
    /// The work may start.
    pub due_from: DateTime<Utc>,
    /// The work is due by then.
    pub due_by: DateTime<Utc>,
    /// Grace is over.
    pub overdue_at: DateTime<Utc>,
    /// Without evidence by then it is missed.
    pub missed_at: DateTime<Utc>,
    /// First hold or completion.
    #[schema(required)]
    pub started_at: Option<DateTime<Utc>>,
    /// The latest attempt or result did not pass.
    pub failed_attempt: bool,
    /// What it asks for, in order; a step worked for each line stands once for each.
    pub steps: Vec<WantedStepView>,
    /// Holds the server timed or is timing.
    pub holds: Vec<HoldView>,
    /// What can hurt, and who decides: those of the routine first, then those that every such work has.
    pub cautions: Vec<String>,
    /// On whose authority.
    pub sources: Vec<Source>,
    /// Rough working time in minutes; an estimate.
    pub rough_minutes: u32,
}

/// What a task is about.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct TaskSubject {
    /// Its id.
    pub subject_id: Uuid,
    /// What it is.
    pub kind: SubjectKind,
    /// What people call it.
    pub name: String,
}

/// One piece of evidence a task asks for.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct WantedStepView {
    /// The key to answer it by.
    #[schema(example = "flush:handpiece-1")]
    pub step: String,
    /// The part it is worked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub part: Option<String>,
    /// What to do.
    pub instruction: String,
    /// The task cannot be completed without it.
    pub required: bool,
    /// The cycle it belongs to: when one step of it fails, all of them are asked for again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cycle: Option<String>,
    /// What it wants as evidence, limits included.
    pub evidence: StepEvidence,
}

/// A hold the server timed or is timing.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct HoldView {
    /// Made by the client.
    pub hold_id: Uuid,
    /// The wanted step's key.
    pub step: String,
    /// Start by the server's clock.
    pub hold_started_at: DateTime<Utc>,
    /// End by the server's clock; null while it runs.
    #[schema(required)]
    pub hold_ended_at: Option<DateTime<Utc>>,
    /// Whole seconds between them; null while it runs.
    #[schema(required)]
    pub elapsed_seconds: Option<u32>,
}

impl HoldView {
    /// The view of a hold.
    #[must_use]
    pub fn of(hold_id: Uuid, hold: &TimedHold) -> Self {
        Self {
            hold_id,
            step: hold.step_key.clone(),
            hold_started_at: hold.started_at,
            hold_ended_at: hold.ended_at,
            elapsed_seconds: hold.elapsed_seconds(),
        }
    }
}

impl TaskView {
    /// The view of a task at `now`.
    pub fn of<'a>(
        task: &Task,
        routine: &Routine,
        subject: &Subject,
        holds: impl IntoIterator<Item = (&'a Uuid, &'a TimedHold)>,
        told: &Telling,
        now: DateTime<Utc>,
    ) -> Self {
        let (level, audience) = task.level(now);
        let steps = step::wanted(&routine.steps, subject)
            .into_iter()
            .map(|wanted| WantedStepView {
                step: wanted.key,
                part: wanted.part.map(str::to_owned),
                instruction: wanted.step.instruction.clone(),
                cycle: wanted.step.cycle.clone(),
                required: wanted.step.required,
                evidence: wanted.step.evidence.clone(),
            })
            .collect();
        Self {
            task_id: task.id.as_uuid(),
            clinic_id: task.clinic_id,
            clinic_day: task.id.clinic_day(),
            subject: TaskSubject { subject_id: subject.id, kind: subject.kind, name: subject.name.clone() },
            routine_id: task.routine_id,
            routine_version: task.routine_version,
            routine_name: routine.name.clone(),
            slot: task.slot.to_string(),
            state: task.state(now),
            outcome_reason: task.outcome_reason.clone(),
            level,
            audience,
            blocking: task.times.blocks_at.is_some(),
            because: task.because.clone(),
            why: told.sentence(task),
            due_from: task.times.due_from,
            due_by: task.times.due_by,
            overdue_at: task.times.overdue_at,
            missed_at: task.times.missed_at,
            started_at: task.started_at,
            failed_attempt: task.failed_at.is_some(),
            steps,
            holds: holds.into_iter().map(|(id, hold)| HoldView::of(*id, hold)).collect(),
            cautions: cautions_of(routine, subject),
            sources: routine.sources.clone(),
            rough_minutes: routine.rough_minutes,
        }
    }
}

fn cautions_of(routine: &Routine, subject: &Subject) -> Vec<String> {
    let mut said = routine.cautions.clone();
    for caution in cautions::of_work(routine, subject) {
        if !said.iter().any(|own| own == caution) {
            said.push(caution.to_owned());
        }
    }
    said
}

/// A task with its evidence.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct TaskWithEvidence {
    /// The task.
    pub task: TaskView,
    /// Every completion, in the order they reached the service.
    pub completions: Vec<CompletionAnswer>,
}

/// A task within reach, with what it takes to work on it.
pub struct Work {
    /// The task.
    pub task: Task,
    /// Its routine in the version it was planned by.
    pub routine: Routine,
    /// Its subject as it is now.
    pub subject: Subject,
}

/// How [`find_work`] reads the task.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Access {
    /// To look at it.
    Read,
    /// To change it: held until the transaction ends.
    Change,
}

/// The task with its routine and subject, if it is within the caller's reach.
///
/// # Errors
/// 404.
pub async fn find_work(db: &mut PgConnection, caller: &Caller, task_id: Uuid, access: Access) -> ApiResult<Work> {
    let missing = || ApiError::not_found("task");
    let id = TaskId::from_uuid(task_id).ok_or_else(missing)?;
    let task = match access {
        Access::Read => tasks::find(db, caller.group_id, id).await?,
        Access::Change => tasks::lock(db, caller.group_id, id).await?,
    };
    let task = task.filter(|t| caller.reach.covers_subject(t.clinic_id, t.subject_id)).ok_or_else(missing)?;
    let routine = tasks::find_routine(db, caller.group_id, &task).await?;
    let subject = subjects::find(db, caller.group_id, task.subject_id)
        .await?
        .ok_or_else(|| StoreError::bad_row("task", task.id, "subject_id", "no such subject"))?;
    Ok(Work { task, routine, subject })
}

/// Read one task with its evidence
///
/// Steps, limits, cautions and deadlines, and every completion that was posted for it.
#[utoipa::path(get, path = "/v1/tasks/{task_id}", operation_id = "get_task", tag = "Chairside",
    params(("task_id" = Uuid, Path, description = "The task")),
    responses((status = 200, body = TaskWithEvidence, description = "The task")))]
async fn get_task(
    State(state): State<AppState>,
    caller: Caller,
    Path(task_id): Path<Uuid>,
) -> ApiResult<Json<TaskWithEvidence>> {
    caller.must_be(&[Role::Chairside, Role::Manager, Role::Reader, Role::Administrator])?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let work = find_work(&mut tx, &caller, task_id, Access::Read).await?;
    let holds = completions::list_holds(&mut tx, caller.group_id, &[work.task.id]).await?;
    let rows = completions::list_of_task(&mut tx, caller.group_id, work.task.id).await?;
    let answers = CompletionAnswer::of_rows(&mut tx, caller.group_id, work.task.id.clinic_day(), rows).await?;
    let told = Telling::load(&mut tx, caller.group_id, work.task.clinic_id, [&work.task]).await?;
    tx.commit().await?;
    let holds = holds.get(&task_id).into_iter().flatten();
    Ok(Json(TaskWithEvidence {
        task: TaskView::of(&work.task, &work.routine, &work.subject, holds, &told, caller.now),
        completions: answers,
    }))
}

/// Examples for the API document.
pub fn examples() -> Vec<Example> {
    let value = TaskWithEvidence { task: samples::task(), completions: vec![samples::completion_answer()] };
    vec![Example { operation_id: "get_task", part: Part::Response, value: serde_json::json!(value) }]
}
