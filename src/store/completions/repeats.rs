//! Repeats: the task that stands in for a test found void.
//!
//! The rule of this file: a repeat is made by evidence and not by the plan, so the planner leaves it alone; its slot names
//! the completion that found the void, so a void makes one repeat however often it is posted.

use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::plan::PlannedTask;
use crate::domain::plan::because::{Because, Fact};
use crate::domain::task::{Slot, TaskId};
use crate::domain::zone;
use crate::store::planning::plan_changes::{self, Columns};
use crate::store::tasks::Task;
use crate::store::{Result, clinics};

/// Reason of a repeat that is not wanted any more.
const VOID_CORRECTED: &str = "withdrawn: the void it repeats was corrected";

fn repeat_id(task: &Task, completion_id: Uuid) -> TaskId {
    TaskId::derive(task.routine_id, task.subject_id, task.id.clinic_day(), &Slot::Repeat(completion_id))
}

/// The last instant a repeat can end at: the partitions' bound on windows holds for repeats too.
fn latest_repeat(clinic_day: NaiveDate) -> DateTime<Utc> {
    (clinic_day + Days::new(crate::store::WINDOW_DAYS)).and_time(NaiveTime::MIN).and_utc() - TimeDelta::seconds(1)
}

/// Whether a test of this clinic day that is found void now can still get a repeat of its own.
#[must_use]
pub fn is_possible(clinic_day: NaiveDate, now: DateTime<Utc>) -> bool {
    now < latest_repeat(clinic_day)
}

/// Whether one of these voids of the task has a repeat that was not withdrawn.
///
/// # Errors
/// When the database does not answer.
pub async fn has_any(db: &mut PgConnection, group_id: Uuid, task: &Task, voids: &[Uuid]) -> Result<bool> {
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
pub async fn withdraw(
    db: &mut PgConnection,
    group_id: Uuid,
    task: &Task,
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
pub async fn insert(
    db: &mut PgConnection,
    group_id: Uuid,
    task: &Task,
    completion_id: Uuid,
    rough_minutes: u32,
    now: DateTime<Utc>,
) -> Result<Option<TaskId>> {
    let clinic_day = task.id.clinic_day();
    if !is_possible(clinic_day, now) {
        return Ok(None);
    }
    // Of its own instant: between a test and its repeat the clocks may change.
    let clinic = clinics::find(db, group_id, task.clinic_id).await?;
    let utc_offset_seconds = clinic.map_or(0, |clinic| zone::offset_at(&clinic.zone, now).local_minus_utc());
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
        because: Because { fact: Fact::VoidTest { completion_id }, moved: None, utc_offset_seconds },
        rough_minutes,
    };
    let mut columns = Columns::default();
    columns.push(task.clinic_id, &planned);
    plan_changes::insert(db, group_id, &columns, now).await?;
    Ok(Some(planned.id))
}
