//! Tasks: the plan's rows, and what became of them.

pub mod feeds;
pub mod misses;
pub mod overdue;
pub mod summary;

use chrono::{DateTime, NaiveDate, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError};
use crate::domain::ladder::Audience;
use crate::domain::plan::because::Because;
use crate::domain::routine::Routine;
use crate::domain::subject::SubjectKind;
use crate::domain::task::{Outcome, Recorded, Slot, State, TaskId, Times, level_at, state_at};

/// A task as it is stored.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Task {
    /// Derived identity.
    pub id: TaskId,
    /// Where it fell due.
    pub clinic_id: Uuid,
    /// On what.
    pub subject_id: Uuid,
    /// What kind of thing that is.
    pub subject_kind: SubjectKind,
    /// Which routine.
    pub routine_id: Uuid,
    /// The version it was planned by.
    pub routine_version: i32,
    /// Which occurrence of the day.
    pub slot: Slot,
    /// Its instants.
    pub times: Times,
    /// First hold or completion.
    pub started_at: Option<DateTime<Utc>>,
    /// How it ended and when that was recorded.
    pub recorded: Recorded,
    /// Why.
    pub outcome_reason: String,
    /// The plan gave the outcome.
    pub outcome_by_plan: bool,
    /// The evidence behind the outcome.
    pub completion_id: Option<Uuid>,
    /// Latest attempt or result that did not pass.
    pub failed_at: Option<DateTime<Utc>>,
    /// Why it hangs on its instant; `None`: planned before reasons were kept.
    pub because: Option<Because>,
}

impl Task {
    /// What it is at `now`.
    #[must_use]
    pub fn state(&self, now: DateTime<Utc>) -> State {
        state_at(&self.times, self.recorded, now)
    }

    /// The ladder's level at `now`, and whom it is for.
    #[must_use]
    pub fn level(&self, now: DateTime<Utc>) -> (usize, Option<Audience>) {
        level_at(&self.times, self.recorded, now)
    }
}

/// A task's row. Every query of this crate that reads whole tasks names these columns.
#[derive(Debug)]
pub(super) struct Row {
    pub(super) task_id: Uuid,
    pub(super) clinic_id: Uuid,
    pub(super) subject_id: Uuid,
    pub(super) subject_kind: String,
    pub(super) routine_id: Uuid,
    pub(super) routine_version: i32,
    pub(super) slot: String,
    pub(super) anchor_at: DateTime<Utc>,
    pub(super) due_from: DateTime<Utc>,
    pub(super) due_by: DateTime<Utc>,
    pub(super) overdue_at: DateTime<Utc>,
    pub(super) missed_at: DateTime<Utc>,
    pub(super) blocks_at: Option<DateTime<Utc>>,
    pub(super) rung_at: Vec<DateTime<Utc>>,
    pub(super) rung_audience: Vec<String>,
    pub(super) started_at: Option<DateTime<Utc>>,
    pub(super) outcome: Option<String>,
    pub(super) outcome_at: Option<DateTime<Utc>>,
    pub(super) outcome_reason: String,
    pub(super) outcome_by_plan: bool,
    pub(super) completion_id: Option<Uuid>,
    pub(super) failed_at: Option<DateTime<Utc>>,
    pub(super) because: Option<Value>,
}

impl TryFrom<Row> for Task {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let bad = |column, detail: &str| StoreError::bad_row("task", row.task_id, column, detail);
        let id = TaskId::from_uuid(row.task_id).ok_or_else(|| bad("task_id", "no derived id"))?;
        let subject_kind =
            SubjectKind::from_name(&row.subject_kind).ok_or_else(|| bad("subject_kind", &row.subject_kind))?;
        let slot = Slot::parse(&row.slot).ok_or_else(|| bad("slot", &row.slot))?;
        let outcome = row
            .outcome
            .as_deref()
            .map(|name| Outcome::from_name(name).ok_or_else(|| bad("outcome", name)))
            .transpose()?;
        let because = row.because.clone().map(serde_json::from_value).transpose();
        let because = because.map_err(|error| StoreError::bad_row("task", row.task_id, "because", error))?;
        let rungs = row
            .rung_at
            .iter()
            .zip(&row.rung_audience)
            .map(|(at, name)| Ok((*at, Audience::from_name(name).ok_or_else(|| bad("rung_audience", name))?)))
            .collect::<Result<Vec<_>>>()?;
        Ok(Self {
            id,
            clinic_id: row.clinic_id,
            subject_id: row.subject_id,
            subject_kind,
            routine_id: row.routine_id,
            routine_version: row.routine_version,
            slot,
            times: Times {
                anchor_at: row.anchor_at,
                due_from: row.due_from,
                due_by: row.due_by,
                overdue_at: row.overdue_at,
                missed_at: row.missed_at,
                blocks_at: row.blocks_at,
                rungs,
            },
            started_at: row.started_at,
            recorded: outcome.zip(row.outcome_at),
            outcome_reason: row.outcome_reason,
            outcome_by_plan: row.outcome_by_plan,
            completion_id: row.completion_id,
            failed_at: row.failed_at,
            because,
        })
    }
}

/// The task with this id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, id: TaskId) -> Result<Option<Task>> {
    sqlx::query_as!(
        Row,
        "select task_id, clinic_id, subject_id, subject_kind, routine_id, routine_version, slot, anchor_at, due_from,
                due_by, overdue_at, missed_at, blocks_at, rung_at, rung_audience, started_at, outcome, outcome_at,
                outcome_reason, outcome_by_plan, completion_id, failed_at, because
         from task where group_id = $1 and clinic_day = $2 and task_id = $3",
        group_id,
        id.clinic_day(),
        id.as_uuid()
    )
    .fetch_optional(db)
    .await?
    .map(Task::try_from)
    .transpose()
}

/// The task with this id, held until the transaction ends: two completions of one task are judged one after the other.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn lock(db: &mut PgConnection, group_id: Uuid, id: TaskId) -> Result<Option<Task>> {
    sqlx::query_as!(
        Row,
        "select task_id, clinic_id, subject_id, subject_kind, routine_id, routine_version, slot, anchor_at, due_from,
                due_by, overdue_at, missed_at, blocks_at, rung_at, rung_audience, started_at, outcome, outcome_at,
                outcome_reason, outcome_by_plan, completion_id, failed_at, because
         from task where group_id = $1 and clinic_day = $2 and task_id = $3 for update",
        group_id,
        id.clinic_day(),
        id.as_uuid()
    )
    .fetch_optional(db)
    .await?
    .map(Task::try_from)
    .transpose()
}

/// What a list of tasks is narrowed to.
#[derive(Clone, Copy, Debug)]
pub struct Place {
    /// In this clinic.
    pub clinic_id: Uuid,
    /// Only on this subject.
    pub subject_id: Option<Uuid>,
}

/// The tasks somebody can work on: open and begun by `until`, or waiting for a result; soonest due first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_workable(
    db: &mut PgConnection,
    group_id: Uuid,
    place: Place,
    now: DateTime<Utc>,
    until: DateTime<Utc>,
) -> Result<Vec<Task>> {
    let earliest = now.date_naive() - chrono::Days::new(super::WINDOW_DAYS);
    sqlx::query_as!(
        Row,
        "select task_id, clinic_id, subject_id, subject_kind, routine_id, routine_version, slot, anchor_at, due_from,
                due_by, overdue_at, missed_at, blocks_at, rung_at, rung_audience, started_at, outcome, outcome_at,
                outcome_reason, outcome_by_plan, completion_id, failed_at, because
         from task
         where group_id = $1 and clinic_id = $2 and ($3::uuid is null or subject_id = $3) and clinic_day >= $4
           and ((outcome is null and missed_at > $5 and due_from <= $6) or outcome = 'result_pending')
         order by due_by, task_id",
        group_id,
        place.clinic_id,
        place.subject_id,
        earliest,
        now,
        until
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(Task::try_from)
    .collect()
}

/// The tasks of a routine on a subject that belong to a clinic day, and those of the periods that hold it.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_of_day(
    db: &mut PgConnection,
    group_id: Uuid,
    routine_id: Uuid,
    subject_id: Uuid,
    day: NaiveDate,
) -> Result<Vec<Task>> {
    // A period's task belongs to the period's last date, at most a year ahead.
    sqlx::query_as!(
        Row,
        "select task_id, clinic_id, subject_id, subject_kind, routine_id, routine_version, slot, anchor_at, due_from,
                due_by, overdue_at, missed_at, blocks_at, rung_at, rung_audience, started_at, outcome, outcome_at,
                outcome_reason, outcome_by_plan, completion_id, failed_at, because
         from task
         where group_id = $1 and routine_id = $2 and subject_id = $3
           and (clinic_day = $4 or clinic_day > $4 and clinic_day <= $5 and slot like 'period:%')
         order by due_by, task_id",
        group_id,
        routine_id,
        subject_id,
        day,
        day + chrono::Days::new(366)
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(Task::try_from)
    .collect()
}

/// Ids of the tasks a turnover made.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_of_turnover(
    db: &mut PgConnection,
    group_id: Uuid,
    operatory_id: Uuid,
    clinic_day: NaiveDate,
    mark_id: Uuid,
) -> Result<Vec<Uuid>> {
    Ok(sqlx::query_scalar!(
        "select task_id from task
         where group_id = $1 and subject_id = $2 and clinic_day = $3 and slot = $4 order by due_by, task_id",
        group_id,
        operatory_id,
        clinic_day,
        Slot::Turnover(mark_id).to_string()
    )
    .fetch_all(db)
    .await?)
}

/// The routine a task was planned by, in that version.
///
/// # Errors
/// When the database does not answer, or holds a definition the model does not know.
pub async fn find_routine(db: &mut PgConnection, group_id: Uuid, task: &Task) -> Result<Routine> {
    let definition = sqlx::query_scalar!(
        "select definition from routine_version where group_id = $1 and routine_id = $2 and version = $3",
        group_id,
        task.routine_id,
        task.routine_version
    )
    .fetch_one(db)
    .await?;
    read_routine(definition, task.routine_id)
}

/// The routines a list of tasks was planned by, keyed by id and version.
///
/// # Errors
/// When the database does not answer, or holds a definition the model does not know.
pub async fn list_routines(
    db: &mut PgConnection,
    group_id: Uuid,
    tasks: &[Task],
) -> Result<std::collections::BTreeMap<(Uuid, i32), Routine>> {
    let wanted: std::collections::BTreeSet<(Uuid, i32)> =
        tasks.iter().map(|t| (t.routine_id, t.routine_version)).collect();
    let (ids, versions): (Vec<Uuid>, Vec<i32>) = wanted.into_iter().unzip();
    let rows = sqlx::query!(
        "select v.routine_id, v.version, v.definition from routine_version v
         join unnest($2::uuid[], $3::integer[]) as wanted(routine_id, version) using (routine_id, version)
         where v.group_id = $1",
        group_id,
        &ids,
        &versions
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| Ok(((row.routine_id, row.version), read_routine(row.definition, row.routine_id)?)))
        .collect()
}

fn read_routine(definition: Value, routine_id: Uuid) -> Result<Routine> {
    serde_json::from_value(definition)
        .map_err(|error| StoreError::bad_row("routine_version", routine_id, "definition", error))
}

/// Marks the first work on a task: from now on the planner leaves it alone.
///
/// # Errors
/// When the database does not answer.
pub async fn mark_started(db: &mut PgConnection, group_id: Uuid, id: TaskId, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "update task set started_at = coalesce(started_at, $4)
         where group_id = $1 and clinic_day = $2 and task_id = $3",
        group_id,
        id.clinic_day(),
        id.as_uuid(),
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// What a completion makes of its task.
#[derive(Clone, Debug)]
pub struct Settlement {
    /// How the task stands from now on; `None`: open.
    pub outcome: Option<Outcome>,
    /// The reason of a not-required or void.
    pub reason: String,
    /// The evidence behind it.
    pub completion_id: Uuid,
    /// Performed after it was due.
    pub done_late: bool,
    /// The attempt or result did not pass.
    pub failed: bool,
}

/// Saves what a completion makes of its task.
///
/// # Errors
/// When the database does not answer.
pub async fn settle(
    db: &mut PgConnection,
    group_id: Uuid,
    id: TaskId,
    settlement: &Settlement,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "update task set
             started_at = coalesce(started_at, $4),
             outcome = $5,
             outcome_at = case when $5::text is null then null
                               when outcome = $5 and not outcome_by_plan then outcome_at -- known since then, by another
                               else $4 end,
             outcome_reason = $6,
             outcome_by_plan = false,
             completion_id = $7,
             done_late = $8,
             failed_at = case when $9 then $4 end
         where group_id = $1 and clinic_day = $2 and task_id = $3",
        group_id,
        id.clinic_day(),
        id.as_uuid(),
        now,
        settlement.outcome.map(Outcome::as_str),
        settlement.reason,
        settlement.completion_id,
        settlement.done_late,
        settlement.failed
    )
    .execute(&mut *db)
    .await?;
    // The task keeps only what it is now; what was known at an instant gone by is read from its turns.
    sqlx::query!(
        "insert into task_settlement (group_id, task_id, clinic_day, settled_at, outcome, failed, completion_id)
         values ($1, $2, $3, $4, $5, $6, $7)",
        group_id,
        id.as_uuid(),
        id.clinic_day(),
        now,
        settlement.outcome.map(Outcome::as_str),
        settlement.failed,
        settlement.completion_id
    )
    .execute(db)
    .await?;
    Ok(())
}
