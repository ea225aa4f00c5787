//! The changes of a plan, carried out on the stored tasks.
//!
//! The rule of this file: any number of tasks is one statement of each kind, so that re-planning a clinic costs a few
//! round trips whatever its size.

use chrono::{DateTime, NaiveDate, Utc};
use serde_json::{Value, json};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Result;
use super::planning::Counts;
use crate::domain::plan::PlannedTask;
use crate::domain::reconcile::{Change, WITHDRAWN};
use crate::domain::task::TaskId;

/// Carries changes out, and counts them.
pub(super) async fn apply(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    changes: Vec<Change>,
    now: DateTime<Utc>,
) -> Result<Counts> {
    let mut added = Vec::new();
    let mut set_rows = Vec::new();
    let mut removed = Vec::new();
    let mut withdrawn = Vec::new();
    for change in changes {
        match change {
            Change::Add(task) => added.push(row(clinic_id, &task)),
            Change::Set(task) => set_rows.push(row(clinic_id, &task)),
            Change::Remove(id) => removed.push(id),
            Change::Withdraw(id) => withdrawn.push(id),
        }
    }
    let counts =
        Counts { added: added.len(), changed: set_rows.len(), removed: removed.len(), withdrawn: withdrawn.len() };
    insert(db, group_id, added, now).await?;
    set(db, group_id, set_rows, now).await?;
    remove(db, group_id, &removed).await?;
    withdraw(db, group_id, &withdrawn, now).await?;
    Ok(counts)
}

/// A planned task as one JSON record: one parameter carries any number of rows, arrays within them included.
pub(super) fn row(clinic_id: Uuid, task: &PlannedTask) -> Value {
    let times = &task.times;
    json!({
        "task_id": task.id,
        "clinic_day": task.clinic_day,
        "clinic_id": clinic_id,
        "subject_id": task.subject_id,
        "subject_kind": task.subject_kind,
        "routine_id": task.routine_id,
        "routine_version": task.routine_version,
        "slot": task.slot.to_string(),
        "anchor_at": times.anchor_at,
        "due_from": times.due_from,
        "due_by": times.due_by,
        "overdue_at": times.overdue_at,
        "missed_at": times.missed_at,
        "blocks_at": times.blocks_at,
        "rung_at": times.rungs.iter().map(|(at, _)| at).collect::<Vec<_>>(),
        "rung_audience": times.rungs.iter().map(|(_, audience)| audience).collect::<Vec<_>>(),
        "because": task.because,
        "rough_minutes": task.rough_minutes,
        "not_required": task.not_required.as_ref().map(|n| &n.reason),
    })
}

/// Adds planned tasks.
pub(super) async fn insert(db: &mut PgConnection, group_id: Uuid, rows: Vec<Value>, now: DateTime<Utc>) -> Result<()> {
    if rows.is_empty() {
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
                r.rung_at, r.rung_audience, r.because, r.rough_minutes, $3::timestamptz,
                case when r.not_required is not null then 'not_required' end,
                case when r.not_required is not null then $3::timestamptz end,
                coalesce(r.not_required, ''), r.not_required is not null
         from jsonb_to_recordset($2) as r(
             task_id uuid, clinic_day date, clinic_id uuid, subject_id uuid, subject_kind text, routine_id uuid,
             routine_version integer, slot text, anchor_at timestamptz, due_from timestamptz, due_by timestamptz,
             overdue_at timestamptz, missed_at timestamptz, blocks_at timestamptz, rung_at timestamptz[],
             rung_audience text[], because jsonb, rough_minutes integer,
             not_required text)
         on conflict do nothing",
        group_id,
        Value::Array(rows),
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

async fn set(db: &mut PgConnection, group_id: Uuid, rows: Vec<Value>, now: DateTime<Utc>) -> Result<()> {
    if rows.is_empty() {
        return Ok(());
    }
    sqlx::query!(
        "update task set
             clinic_id = r.clinic_id, routine_version = r.routine_version, anchor_at = r.anchor_at, due_from = r.due_from, due_by = r.due_by,
             overdue_at = r.overdue_at, missed_at = r.missed_at, blocks_at = r.blocks_at, rung_at = r.rung_at,
             rung_audience = r.rung_audience, because = r.because, rough_minutes = r.rough_minutes,
             revision = task.revision + 1, planned_at = $3::timestamptz,
             outcome = case when r.not_required is not null then 'not_required' end,
             outcome_at = case when r.not_required is not null then $3::timestamptz end,
             outcome_reason = coalesce(r.not_required, ''), outcome_by_plan = r.not_required is not null
         from jsonb_to_recordset($2) as r(
             task_id uuid, clinic_day date, clinic_id uuid, routine_version integer, anchor_at timestamptz,
             due_from timestamptz,
             due_by timestamptz, overdue_at timestamptz, missed_at timestamptz, blocks_at timestamptz,
             rung_at timestamptz[], rung_audience text[], because jsonb, rough_minutes integer,
             not_required text)
         where task.group_id = $1 and task.clinic_day = r.clinic_day and task.task_id = r.task_id",
        group_id,
        Value::Array(rows),
        now
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
         where task.group_id = $1 and task.clinic_day = gone.clinic_day and task.task_id = gone.task_id",
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
         where task.group_id = $1 and task.clinic_day = gone.clinic_day and task.task_id = gone.task_id",
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
