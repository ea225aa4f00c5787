//! The changes of a plan, carried out on the stored tasks.
//!
//! The rule of this file: any number of tasks is one statement of each kind, so that re-planning a clinic costs a few
//! round trips whatever its size.

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use sqlx::types::Json;
use uuid::Uuid;

use crate::domain::plan::PlannedTask;
use crate::domain::plan::because::Because;
use crate::domain::reconcile::{Change, WITHDRAWN};
use crate::domain::task::TaskId;
use crate::store::Result;

/// How many tasks a re-planning changed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    /// Tasks that did not exist.
    pub added: usize,
    /// Tasks with other times, version or requirement.
    pub changed: usize,
    /// Tasks gone before anybody could have seen them due.
    pub removed: usize,
    /// Due tasks kept as not required.
    pub withdrawn: usize,
}

impl Counts {
    /// Nothing changed.
    #[must_use]
    pub fn is_zero(self) -> bool {
        self == Self::default()
    }
}

/// Carries changes out, and counts them.
pub(super) async fn apply(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    changes: &[Change],
    now: DateTime<Utc>,
) -> Result<Counts> {
    let mut added = Columns::default();
    let mut moved = Columns::default();
    let mut removed = Vec::new();
    let mut withdrawn = Vec::new();
    for change in changes {
        match change {
            Change::Add(task) => added.push(clinic_id, task),
            Change::Set(task) => moved.push(clinic_id, task),
            Change::Remove(id) => removed.push(*id),
            Change::Withdraw(id) => withdrawn.push(*id),
        }
    }
    let counts =
        Counts { added: added.len(), changed: moved.len(), removed: removed.len(), withdrawn: withdrawn.len() };
    insert(db, group_id, &added, now).await?;
    set(db, group_id, &moved, now).await?;
    remove(db, group_id, &removed).await?;
    withdraw(db, group_id, &withdrawn, now).await?;
    Ok(counts)
}

/// Planned tasks by column: one array a column carries any number of rows, and Postgres reads those in a fraction of the
/// time that one JSON document takes.
#[derive(Default)]
pub(in crate::store) struct Columns<'a> {
    task_id: Vec<Uuid>,
    clinic_day: Vec<NaiveDate>,
    clinic_id: Vec<Uuid>,
    subject_id: Vec<Uuid>,
    subject_kind: Vec<&'static str>,
    routine_id: Vec<Uuid>,
    routine_version: Vec<i32>,
    slot: Vec<String>,
    anchor_at: Vec<DateTime<Utc>>,
    due_from: Vec<DateTime<Utc>>,
    due_by: Vec<DateTime<Utc>>,
    overdue_at: Vec<DateTime<Utc>>,
    missed_at: Vec<DateTime<Utc>>,
    blocks_at: Vec<Option<DateTime<Utc>>>,
    /// Arrays as Postgres writes them, since an array of arrays would have to be a rectangle.
    rung_at: Vec<String>,
    rung_audience: Vec<String>,
    because: Vec<Json<&'a Because>>,
    rough_minutes: Vec<i32>,
    not_required: Vec<Option<&'a str>>,
}

impl<'a> Columns<'a> {
    pub(in crate::store) fn push(&mut self, clinic_id: Uuid, task: &'a PlannedTask) {
        let times = &task.times;
        self.task_id.push(task.id.as_uuid());
        self.clinic_day.push(task.clinic_day);
        self.clinic_id.push(clinic_id);
        self.subject_id.push(task.subject_id);
        self.subject_kind.push(task.subject_kind.as_str());
        self.routine_id.push(task.routine_id);
        self.routine_version.push(task.routine_version);
        self.slot.push(task.slot.to_string());
        self.anchor_at.push(times.anchor_at);
        self.due_from.push(times.due_from);
        self.due_by.push(times.due_by);
        self.overdue_at.push(times.overdue_at);
        self.missed_at.push(times.missed_at);
        self.blocks_at.push(times.blocks_at);
        self.rung_at.push(array_text(times.rungs.iter().map(|(at, _)| at.to_rfc3339())));
        self.rung_audience.push(array_text(times.rungs.iter().map(|(_, audience)| audience.as_str().to_owned())));
        self.because.push(Json(&task.because));
        self.rough_minutes.push(i32::try_from(task.rough_minutes).unwrap_or(i32::MAX));
        self.not_required.push(task.not_required.as_ref().map(|n| n.reason.as_str()));
    }

    fn len(&self) -> usize {
        self.task_id.len()
    }

    fn is_empty(&self) -> bool {
        self.task_id.is_empty()
    }
}

/// Of words that need no quotes.
fn array_text(words: impl Iterator<Item = String>) -> String {
    format!("{{{}}}", words.collect::<Vec<_>>().join(","))
}

/// Adds planned tasks.
pub(in crate::store) async fn insert(
    db: &mut PgConnection,
    group_id: Uuid,
    tasks: &Columns<'_>,
    now: DateTime<Utc>,
) -> Result<()> {
    if tasks.is_empty() {
        return Ok(());
    }
    // An existing row wins: it was made by a planner of the same plan.
    sqlx::query!(
        "insert into task (group_id, clinic_day, task_id, clinic_id, subject_id, subject_kind, routine_id,
                           routine_version, slot, anchor_at, due_from, due_by, overdue_at, missed_at, blocks_at,
                           rung_at, rung_audience, because, rough_minutes, planned_at, outcome, outcome_at,
                           outcome_reason, outcome_by_plan)
         select $1, r.clinic_day, r.task_id, r.clinic_id, r.subject_id, r.subject_kind, r.routine_id,
                r.routine_version, r.slot, r.anchor_at, r.due_from, r.due_by, r.overdue_at, r.missed_at, r.blocks_at,
                r.rung_at::timestamptz[], r.rung_audience::text[], r.because, r.rough_minutes, $2::timestamptz,
                case when r.not_required is not null then 'not_required' end,
                case when r.not_required is not null then $2::timestamptz end,
                coalesce(r.not_required, ''), r.not_required is not null
         from unnest($3::uuid[], $4::date[], $5::uuid[], $6::uuid[], $7::text[], $8::uuid[], $9::int[], $10::text[],
                     $11::timestamptz[], $12::timestamptz[], $13::timestamptz[], $14::timestamptz[],
                     $15::timestamptz[], $16::timestamptz[], $17::text[], $18::text[], $19::jsonb[], $20::int[],
                     $21::text[])
              as r(task_id, clinic_day, clinic_id, subject_id, subject_kind, routine_id, routine_version, slot,
                   anchor_at, due_from, due_by, overdue_at, missed_at, blocks_at, rung_at, rung_audience, because,
                   rough_minutes, not_required)
         on conflict do nothing",
        group_id,
        now,
        &tasks.task_id,
        &tasks.clinic_day,
        &tasks.clinic_id,
        &tasks.subject_id,
        &tasks.subject_kind as _,
        &tasks.routine_id,
        &tasks.routine_version,
        &tasks.slot,
        &tasks.anchor_at,
        &tasks.due_from,
        &tasks.due_by,
        &tasks.overdue_at,
        &tasks.missed_at,
        &tasks.blocks_at as _,
        &tasks.rung_at,
        &tasks.rung_audience,
        &tasks.because as _,
        &tasks.rough_minutes,
        &tasks.not_required as _
    )
    .execute(db)
    .await?;
    Ok(())
}

async fn set(db: &mut PgConnection, group_id: Uuid, tasks: &Columns<'_>, now: DateTime<Utc>) -> Result<()> {
    if tasks.is_empty() {
        return Ok(());
    }
    // The ids are named twice: an array leads to the primary key whatever Postgres believes about the table's size.
    sqlx::query!(
        "update task set
             clinic_id = r.clinic_id, routine_version = r.routine_version, anchor_at = r.anchor_at,
             due_from = r.due_from, due_by = r.due_by, overdue_at = r.overdue_at, missed_at = r.missed_at,
             blocks_at = r.blocks_at, rung_at = r.rung_at::timestamptz[], rung_audience = r.rung_audience::text[],
             because = r.because, rough_minutes = r.rough_minutes,
             revision = task.revision + 1, planned_at = $2::timestamptz,
             outcome = case when r.not_required is not null then 'not_required' end,
             outcome_at = case when r.not_required is not null then $2::timestamptz end,
             outcome_reason = coalesce(r.not_required, ''), outcome_by_plan = r.not_required is not null
         from unnest($3::uuid[], $4::date[], $5::uuid[], $6::int[], $7::timestamptz[], $8::timestamptz[],
                     $9::timestamptz[], $10::timestamptz[], $11::timestamptz[], $12::timestamptz[], $13::text[],
                     $14::text[], $15::jsonb[], $16::int[], $17::text[])
              as r(task_id, clinic_day, clinic_id, routine_version, anchor_at, due_from, due_by, overdue_at, missed_at,
                   blocks_at, rung_at, rung_audience, because, rough_minutes, not_required)
         where task.group_id = $1 and task.clinic_day = any($4) and task.task_id = any($3)
           and task.clinic_day = r.clinic_day and task.task_id = r.task_id",
        group_id,
        now,
        &tasks.task_id,
        &tasks.clinic_day,
        &tasks.clinic_id,
        &tasks.routine_version,
        &tasks.anchor_at,
        &tasks.due_from,
        &tasks.due_by,
        &tasks.overdue_at,
        &tasks.missed_at,
        &tasks.blocks_at as _,
        &tasks.rung_at,
        &tasks.rung_audience,
        &tasks.because as _,
        &tasks.rough_minutes,
        &tasks.not_required as _
    )
    .execute(db)
    .await?;
    Ok(())
}

async fn remove(db: &mut PgConnection, group_id: Uuid, ids: &[TaskId]) -> Result<()> {
    if ids.is_empty() {
        return Ok(());
    }
    let (days, ids) = keys(ids);
    sqlx::query!(
        "delete from task using unnest($2::date[], $3::uuid[]) as gone(clinic_day, task_id)
         where task.group_id = $1 and task.clinic_day = any($2) and task.task_id = any($3)
           and task.clinic_day = gone.clinic_day and task.task_id = gone.task_id",
        group_id,
        &days,
        &ids
    )
    .execute(db)
    .await?;
    Ok(())
}

async fn withdraw(db: &mut PgConnection, group_id: Uuid, ids: &[TaskId], now: DateTime<Utc>) -> Result<()> {
    if ids.is_empty() {
        return Ok(());
    }
    let (days, ids) = keys(ids);
    sqlx::query!(
        "update task set outcome = 'not_required', outcome_at = $4, outcome_reason = $5, outcome_by_plan = true,
             revision = revision + 1
         from unnest($2::date[], $3::uuid[]) as gone(clinic_day, task_id)
         where task.group_id = $1 and task.clinic_day = any($2) and task.task_id = any($3)
           and task.clinic_day = gone.clinic_day and task.task_id = gone.task_id",
        group_id,
        &days,
        &ids,
        now,
        WITHDRAWN
    )
    .execute(db)
    .await?;
    Ok(())
}

fn keys(ids: &[TaskId]) -> (Vec<NaiveDate>, Vec<Uuid>) {
    ids.iter().map(|id| (id.clinic_day(), id.as_uuid())).unzip()
}
