//! From configuration in the database to tasks in the database, one clinic in one transaction.
//!
//! The rule of this file: whoever re-plans a clinic holds its `clinic_plan` row, so two planners never work on one
//! clinic at once; and what to change is the domain's decision ([`crate::domain::plan`], [`crate::domain::reconcile`]).

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, Utc};
use serde_json::{Value, json};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, clinics, desk, events, ladders, routines, subjects, tasks};
use crate::domain::event::EventKind;
use crate::domain::plan::{self, Clinic, PlannedTask};
use crate::domain::reconcile::{Change, ExistingTask, WITHDRAWN, reconcile, too_late};
use crate::domain::task::{Slot, TaskId};
use crate::domain::zone;

/// The zone data plans are resolved with, as `clinic_plan.zone_data` keeps it.
fn zone_data() -> String {
    zone::database().release().to_string()
}

/// Reason of a repeat that is not wanted any more.
const VOID_CORRECTED: &str = "withdrawn: the void it repeats was corrected";

/// How long a clinic whose plan failed is left alone before the next try.
const RETRY: TimeDelta = TimeDelta::minutes(5);

/// Has the loop look at a clinic.
///
/// # Errors
/// When the database does not answer.
pub async fn mark_clinic(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "update clinic_plan set plan_due_at = least(plan_due_at, $3) where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Has the loop look at every clinic of a group.
///
/// # Errors
/// When the database does not answer.
pub async fn mark_group(db: &mut PgConnection, group_id: Uuid, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!("update clinic_plan set plan_due_at = least(plan_due_at, $2) where group_id = $1", group_id, now)
        .execute(db)
        .await?;
    Ok(())
}

/// Groups that have a clinic to plan, longest waiting first. Needs no tenant.
///
/// # Errors
/// When the database does not answer.
pub async fn list_groups_to_plan(db: &mut PgConnection, now: DateTime<Utc>, at_most: i32) -> Result<Vec<Uuid>> {
    Ok(sqlx::query_scalar!(
        r#"select groups_to_plan as "group_id!" from groups_to_plan($1, $2, $3)"#,
        now,
        zone_data(),
        at_most
    )
    .fetch_all(db)
    .await?)
}

/// How many clinics of all groups are due for planning. Needs no tenant.
///
/// # Errors
/// When the database does not answer.
pub async fn count_clinics_to_plan(db: &mut PgConnection, now: DateTime<Utc>) -> Result<u64> {
    let count =
        sqlx::query_scalar!(r#"select clinics_to_plan($1, $2) as "count!""#, now, zone_data()).fetch_one(db).await?;
    Ok(u64::try_from(count).unwrap_or(0))
}

/// Claims one clinic of the group that is due for planning and that nobody else holds.
///
/// # Errors
/// When the database does not answer.
pub async fn claim_clinic(db: &mut PgConnection, group_id: Uuid, now: DateTime<Utc>) -> Result<Option<Uuid>> {
    Ok(sqlx::query_scalar!(
        "select clinic_id from clinic_plan
         where group_id = $1 and (plan_due_at <= $2 or zone_data <> $3)
         order by plan_due_at limit 1 for update skip locked",
        group_id,
        now,
        zone_data()
    )
    .fetch_optional(db)
    .await?)
}

/// Holds a clinic's plan until the transaction ends; waits for whoever has it.
///
/// # Errors
/// When the database does not answer.
pub async fn lock_clinic(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<()> {
    sqlx::query!(
        "select clinic_id from clinic_plan where group_id = $1 and clinic_id = $2 for update",
        group_id,
        clinic_id
    )
    .fetch_optional(db)
    .await?;
    Ok(())
}

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

/// Re-plans everything of a clinic that is still open, up to `horizon_days` ahead. The caller holds the clinic.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn replan(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    horizon_days: u32,
    now: DateTime<Utc>,
) -> Result<Counts> {
    let Some(mut clinic) = load(db, group_id, clinic_id, now.date_naive()).await? else { return Ok(Counts::default()) };
    let today = clinic.hours.clinic_day_of(now);
    let (behind, ahead) = reach_days(&clinic);
    let from = today - Days::new(behind);
    let to = today + Days::new(u64::from(horizon_days) + ahead);
    // Dates are moved over closed days up to a month away, so the desk's posts of that month matter too.
    load_posts(db, group_id, clinic_id, &mut clinic, (from - Days::new(31), to)).await?;
    let clinic = Arc::new(clinic);
    let counts = replan_days(db, group_id, clinic_id, &clinic, (from, to), None, now).await?;
    let next_midnight = zone::resolve(&clinic.hours.zone, (today + Days::new(1)).and_time(NaiveTime::MIN));
    let due_again = next_midnight.max(now + TimeDelta::minutes(10));
    sqlx::query!(
        "update clinic_plan set plan_due_at = $3, planned_through = $4, zone_data = $5, last_error = null
         where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id,
        due_again,
        to,
        zone_data()
    )
    .execute(db)
    .await?;
    Ok(counts)
}

/// Re-plans one clinic day after a turnover, which can change no other. The caller holds the clinic.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn replan_after_turnover(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    day: NaiveDate,
    mark_id: Uuid,
    now: DateTime<Utc>,
) -> Result<Counts> {
    let Some(mut clinic) = load(db, group_id, clinic_id, day).await? else { return Ok(Counts::default()) };
    load_posts(db, group_id, clinic_id, &mut clinic, (day - Days::new(31), day + Days::new(31))).await?;
    replan_days(db, group_id, clinic_id, &Arc::new(clinic), (day, day), Some(mark_id), now).await
}

/// Notes that a clinic cannot be planned, and why; it is tried again in a while.
///
/// # Errors
/// When the database does not answer.
pub async fn note_failure(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    error: &str,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "update clinic_plan set plan_due_at = $3, last_error = $4, zone_data = $5
         where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id,
        now + RETRY,
        error,
        zone_data()
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Everything that decides the clinic's plan from about `day` on, but the desk's posts.
async fn load(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid, day: NaiveDate) -> Result<Option<Clinic>> {
    // As far back as a window reaches, and a date that is moved over closed days.
    let since = day - Days::new(super::WINDOW_DAYS + 40);
    let Some(hours) = clinics::hours(db, group_id, clinic_id).await? else { return Ok(None) };
    Ok(Some(Clinic {
        hours,
        ladder: ladders::current(db, group_id).await?,
        routines: routines::list_since(db, group_id, since).await?,
        subjects: subjects::list_of_clinic(db, group_id, clinic_id).await?,
        posted: BTreeMap::new(),
        turnovers: Vec::new(),
    }))
}

async fn load_posts(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic: &mut Clinic,
    days: (NaiveDate, NaiveDate),
) -> Result<()> {
    clinic.posted = desk::list_posted(db, group_id, clinic_id, days).await?;
    clinic.turnovers = desk::list_turnovers(db, group_id, clinic_id, days).await?;
    Ok(())
}

/// How many days behind and ahead of its anchor the longest windows reach: a task of last week may still be open, and
/// one of next month may have to start today.
fn reach_days(clinic: &Clinic) -> (u64, u64) {
    let windows = clinic.routines.iter().flatten().map(|v| v.routine.window);
    let (behind, ahead) = windows.fold((0, 0), |(behind, ahead): (i32, i32), window| {
        (behind.max(window.missed_minutes), ahead.max(-window.may_start_minutes))
    });
    let days = |minutes: i32| u64::try_from(minutes / 1440).unwrap_or(0);
    (days(behind) + 2, days(ahead) + 1)
}

async fn replan_days(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic: &Arc<Clinic>,
    (from, to): (NaiveDate, NaiveDate),
    turnover: Option<Uuid>,
    now: DateTime<Utc>,
) -> Result<Counts> {
    let existing = list_existing(db, group_id, clinic_id, clinic, (from, to)).await?;
    let clinic = Arc::clone(clinic);
    // Arithmetic over weeks of days and all routines: not on a thread that answers requests.
    let planned = tokio::task::spawn_blocking(move || plan::plan(&clinic, from, to)).await?;
    let too_late = turnover.map(|mark_id| too_late(&existing, &planned, mark_id, now)).unwrap_or_default();
    let mut changes = reconcile(&existing, planned, now);
    changes.extend(too_late);
    let counts = apply(db, group_id, clinic_id, changes, now).await?;
    if !counts.is_zero() {
        let body = json!({
            "clinic_id": clinic_id, "from": from, "to": to, "added": counts.added, "changed": counts.changed,
            "removed": counts.removed, "withdrawn": counts.withdrawn,
        });
        events::append(db, group_id, EventKind::PlanChanged, Some(clinic_id), &body, now).await?;
    }
    Ok(counts)
}

/// The tasks of the clinic, and those that subjects which moved here left open where they stood.
async fn list_existing(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic: &Clinic,
    (from, to): (NaiveDate, NaiveDate),
) -> Result<Vec<ExistingTask>> {
    let subject_ids: Vec<Uuid> = clinic.subjects.iter().map(|subject| subject.id).collect();
    let rows = sqlx::query_as!(
        tasks::Row,
        "select task_id, clinic_id, subject_id, subject_kind, routine_id, routine_version, slot, anchor_at, due_from,
                due_by, overdue_at, missed_at, blocks_at, rung_at, rung_audience, started_at, outcome, outcome_at,
                outcome_reason, outcome_by_plan, completion_id, failed_at
         from task
         where group_id = $1 and (clinic_id = $2 or subject_id = any($5)) and clinic_day between $3 and $4
         order by task_id for update",
        group_id,
        clinic_id,
        from,
        to,
        &subject_ids
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let task = tasks::Task::try_from(row)?;
            Ok(ExistingTask {
                id: task.id,
                slot: task.slot,
                times: task.times,
                routine_version: task.routine_version,
                started_at: task.started_at,
                outcome: task.recorded.map(|(outcome, _)| outcome),
                outcome_reason: task.outcome_reason,
                outcome_by_plan: task.outcome_by_plan,
                elsewhere: task.clinic_id != clinic_id,
            })
        })
        .collect()
}

async fn apply(
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
fn row(clinic_id: Uuid, task: &PlannedTask) -> Value {
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
        "not_required": task.not_required.as_ref().map(|n| &n.reason),
    })
}

async fn insert(db: &mut PgConnection, group_id: Uuid, rows: Vec<Value>, now: DateTime<Utc>) -> Result<()> {
    if rows.is_empty() {
        return Ok(());
    }
    // An existing row wins: it was made by a planner of the same plan.
    sqlx::query!(
        "insert into task (group_id, clinic_day, task_id, clinic_id, subject_id, subject_kind, routine_id,
                           routine_version, slot, anchor_at, due_from, due_by, overdue_at, missed_at, blocks_at,
                           rung_at, rung_audience, planned_at, outcome, outcome_at, outcome_reason, outcome_by_plan)
         select $1, r.clinic_day, r.task_id, r.clinic_id, r.subject_id, r.subject_kind, r.routine_id,
                r.routine_version, r.slot, r.anchor_at, r.due_from, r.due_by, r.overdue_at, r.missed_at, r.blocks_at,
                r.rung_at, r.rung_audience, $3::timestamptz,
                case when r.not_required is not null then 'not_required' end,
                case when r.not_required is not null then $3::timestamptz end,
                coalesce(r.not_required, ''), r.not_required is not null
         from jsonb_to_recordset($2) as r(
             task_id uuid, clinic_day date, clinic_id uuid, subject_id uuid, subject_kind text, routine_id uuid,
             routine_version integer, slot text, anchor_at timestamptz, due_from timestamptz, due_by timestamptz,
             overdue_at timestamptz, missed_at timestamptz, blocks_at timestamptz, rung_at timestamptz[],
             rung_audience text[], not_required text)
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
             rung_audience = r.rung_audience, planned_at = $3::timestamptz,
             outcome = case when r.not_required is not null then 'not_required' end,
             outcome_at = case when r.not_required is not null then $3::timestamptz end,
             outcome_reason = coalesce(r.not_required, ''), outcome_by_plan = r.not_required is not null
         from jsonb_to_recordset($2) as r(
             task_id uuid, clinic_day date, clinic_id uuid, routine_version integer, anchor_at timestamptz,
             due_from timestamptz,
             due_by timestamptz, overdue_at timestamptz, missed_at timestamptz, blocks_at timestamptz,
             rung_at timestamptz[], rung_audience text[], not_required text)
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
        "update task set outcome = 'not_required', outcome_at = $4, outcome_reason = $5, outcome_by_plan = true
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

fn repeat_id(task: &tasks::Task, completion_id: Uuid) -> TaskId {
    TaskId::derive(task.routine_id, task.subject_id, task.id.clinic_day(), &Slot::Repeat(completion_id))
}

/// The last instant a repeat can end at: the partitions' bound on windows holds for repeats too.
fn latest_repeat(clinic_day: NaiveDate) -> DateTime<Utc> {
    (clinic_day + Days::new(super::WINDOW_DAYS)).and_time(NaiveTime::MIN).and_utc() - TimeDelta::seconds(1)
}

/// Whether a test of this clinic day that is found void now can still get a repeat of its own.
#[must_use]
pub fn may_repeat(clinic_day: NaiveDate, now: DateTime<Utc>) -> bool {
    now < latest_repeat(clinic_day)
}

/// Whether one of these voids of the task has a repeat that was not withdrawn.
///
/// # Errors
/// When the database does not answer.
pub async fn has_repeat(db: &mut PgConnection, group_id: Uuid, task: &tasks::Task, voids: &[Uuid]) -> Result<bool> {
    let ids: Vec<Uuid> = voids.iter().map(|id| repeat_id(task, *id).as_uuid()).collect();
    Ok(sqlx::query_scalar!(
        r#"select exists (
               select from task where group_id = $1 and clinic_day = $2 and task_id = any($3)
               and (outcome is distinct from 'not_required' or not outcome_by_plan)) as "exists!""#,
        group_id,
        task.id.clinic_day(),
        &ids
    )
    .fetch_one(db)
    .await?)
}

/// Withdraws the repeats of voids that were corrected, where nobody has begun or recorded them.
///
/// # Errors
/// When the database does not answer.
pub async fn withdraw_repeats(
    db: &mut PgConnection,
    group_id: Uuid,
    task: &tasks::Task,
    voids: &[Uuid],
    now: DateTime<Utc>,
) -> Result<()> {
    let ids: Vec<Uuid> = voids.iter().map(|id| repeat_id(task, *id).as_uuid()).collect();
    sqlx::query!(
        "update task set outcome = 'not_required', outcome_at = $4, outcome_reason = $5, outcome_by_plan = true
         where group_id = $1 and clinic_day = $2 and task_id = any($3) and outcome is null and started_at is null",
        group_id,
        task.id.clinic_day(),
        &ids,
        now,
        VOID_CORRECTED
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Adds the task that repeats a void test, due at once; `None` when the void came so late that no window of its clinic
/// day can still be open: the next occurrence of the routine is the repeat then.
///
/// # Errors
/// When the database does not answer.
pub async fn insert_repeat(
    db: &mut PgConnection,
    group_id: Uuid,
    task: &tasks::Task,
    completion_id: Uuid,
    now: DateTime<Utc>,
) -> Result<Option<TaskId>> {
    let clinic_day = task.id.clinic_day();
    if !may_repeat(clinic_day, now) {
        return Ok(None);
    }
    let latest = latest_repeat(clinic_day);
    let mut times = task.times.repeated_at(now);
    times.missed_at = times.missed_at.min(latest).max(times.overdue_at.min(latest));
    times.overdue_at = times.overdue_at.min(times.missed_at);
    let planned = PlannedTask {
        id: repeat_id(task, completion_id),
        clinic_day,
        routine_id: task.routine_id,
        routine_version: task.routine_version,
        subject_id: task.subject_id,
        subject_kind: task.subject_kind,
        slot: Slot::Repeat(completion_id),
        times,
        not_required: None,
    };
    insert(db, group_id, vec![row(task.clinic_id, &planned)], now).await?;
    Ok(Some(planned.id))
}
