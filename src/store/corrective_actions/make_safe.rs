//! What is done now for work between two patients that was missed.
//!
//! The rule of this file: nothing here makes up for what was missed. The missed task stays missed; what makes the place fit
//! for the next patient is a task of its own, with the same steps, which stands in the way of readiness as the missed one
//! does, and is a record from now.

use chrono::{DateTime, Days, NaiveTime, TimeDelta, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::daybook::DayBook;
use crate::domain::plan::PlannedTask;
use crate::domain::plan::because::{Because, Fact};
use crate::domain::routine::Routine;
use crate::domain::task::{Slot, TaskId, Times};
use crate::domain::zone;
use crate::store::planning::plan_changes::{self, Columns};
use crate::store::routines::ladders;
use crate::store::tasks::{self, Task};
use crate::store::{Result, clinics};

/// How long after it is wanted it can be recorded: the visit that has begun may be a long one. Common practice, no source.
const MISSED_AFTER: TimeDelta = TimeDelta::days(1);

/// Ends the windows of an operatory's turnover work as the next patient is seated: what is not recorded then is missed,
/// whatever the routine's window says. Answers the tasks that this made missed.
///
/// `only` is the departure whose work is looked at; `None`: of every one before the seating. What its own window made missed
/// already stays as it is. A task that the planner has
/// made so is one that has passed, and left alone from then on.
///
/// # Errors
/// When the database does not answer.
pub async fn end_turnovers(
    db: &mut PgConnection,
    group_id: Uuid,
    operatory_id: Uuid,
    (seated_at, only): (DateTime<Utc>, Option<Uuid>),
    now: DateTime<Utc>,
) -> Result<Vec<Uuid>> {
    let ended_at = seated_at.min(now);
    Ok(sqlx::query_scalar!(
        "update task set due_from = least(due_from, $3), due_by = least(due_by, $3),
                         overdue_at = least(overdue_at, $3), missed_at = $3,
                         blocks_at = case when blocks_at is null then null else least(blocks_at, $3) end
         where group_id = $1 and subject_id = $2 and clinic_day between $5 and $6
           and slot like 'turnover:%' and ($4::text is null or slot = $4)
           and outcome is null and anchor_at < $3 and missed_at > $7
         returning task_id",
        group_id,
        operatory_id,
        ended_at,
        only.map(|mark_id| Slot::Turnover(mark_id).to_string()),
        (ended_at - TimeDelta::days(8)).date_naive(),
        (ended_at + TimeDelta::days(2)).date_naive(),
        now
    )
    .fetch_all(db)
    .await?)
}

/// When the next patient was seated after one left, if the desk has said so already.
///
/// # Errors
/// When the database does not answer.
pub async fn find_next_seating(
    db: &mut PgConnection,
    group_id: Uuid,
    operatory_id: Uuid,
    left_at: DateTime<Utc>,
) -> Result<Option<DateTime<Utc>>> {
    Ok(sqlx::query_scalar!(
        "select min(marked_at) from seating_mark
         where group_id = $1 and operatory_id = $2 and clinic_day between $4 and $5 and edge = 'seated'
           and marked_at > $3",
        group_id,
        operatory_id,
        left_at,
        (left_at - TimeDelta::days(2)).date_naive(),
        (left_at + TimeDelta::days(2)).date_naive()
    )
    .fetch_one(db)
    .await?)
}

/// Puts what makes safe on the list of what is due, for turnover work that was missed; what stands there stays. Nothing for
/// other work, or where no window of the task's clinic day can still be open. Answers whether it stands there.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub(super) async fn insert(
    db: &mut PgConnection,
    group_id: Uuid,
    (action_id, task_id): (Uuid, Uuid),
    now: DateTime<Utc>,
) -> Result<bool> {
    let Some(missed) = TaskId::from_uuid(task_id) else { return Ok(false) };
    let Some(missed) = tasks::find(&mut *db, group_id, missed).await? else { return Ok(false) };
    if !matches!(missed.slot, Slot::Turnover(_)) {
        return Ok(false);
    }
    let routine = tasks::find_routine(&mut *db, group_id, &missed).await?;
    let Some(times) = times(&mut *db, group_id, &missed, &routine, now).await? else { return Ok(false) };
    let slot = Slot::Repeat(task_id);
    let id = TaskId::derive(missed.routine_id, missed.subject_id, missed.id.clinic_day(), &slot);
    if tasks::find(&mut *db, group_id, id).await?.is_some() {
        return Ok(true);
    }
    let clinic = clinics::find(&mut *db, group_id, missed.clinic_id).await?;
    let utc_offset_seconds = clinic.map_or(0, |clinic| zone::offset_at(&clinic.zone, now).local_minus_utc());
    let planned = PlannedTask {
        id,
        clinic_day: id.clinic_day(),
        routine_id: missed.routine_id,
        routine_version: missed.routine_version,
        subject_id: missed.subject_id,
        subject_kind: missed.subject_kind,
        slot,
        times,
        not_required: None,
        because: Because { fact: Fact::MissedWork { action_id, task_id }, moved: None, utc_offset_seconds },
        rough_minutes: routine.rough_minutes,
    };
    let mut columns = Columns::default();
    columns.push(missed.clinic_id, &planned);
    plan_changes::insert(db, group_id, &columns, now).await?;
    Ok(true)
}

/// Wanted at once, with the routine's grace, and blocking where the routine blocks.
async fn times(
    db: &mut PgConnection,
    group_id: Uuid,
    missed: &Task,
    routine: &Routine,
    now: DateTime<Utc>,
) -> Result<Option<Times>> {
    let clinic_day = missed.id.clinic_day();
    let latest =
        (clinic_day + Days::new(crate::store::WINDOW_DAYS)).and_time(NaiveTime::MIN).and_utc() - TimeDelta::seconds(1);
    let grace = TimeDelta::minutes(i64::from(routine.window.overdue_minutes - routine.window.due_by_minutes));
    let overdue_at = now + grace.clamp(TimeDelta::zero(), MISSED_AFTER);
    if overdue_at >= latest {
        return Ok(None);
    }
    let ladder = match &routine.ladder {
        Some(ladder) => ladder.clone(),
        None => ladders::current(&mut *db, group_id).await?,
    };
    let hours = clinics::hours(&mut *db, group_id, missed.clinic_id).await?;
    let rungs = hours.map(|hours| ladder.reached_at(&DayBook::new(&hours), overdue_at)).unwrap_or_default();
    Ok(Some(Times {
        anchor_at: now,
        due_from: now,
        due_by: now,
        overdue_at,
        missed_at: (now + MISSED_AFTER).min(latest).max(overdue_at),
        blocks_at: routine.blocks_from.map(|_| now),
        rungs,
    }))
}
