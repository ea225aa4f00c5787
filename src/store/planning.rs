//! From configuration in the database to tasks in the database, one clinic in one transaction.
//!
//! The rule of this file: whoever re-plans a clinic holds its `clinic_plan` row, so two planners never work on one
//! clinic at once; and what to change is the domain's decision ([`crate::domain::plan`], [`crate::domain::reconcile`]).

mod existing_tasks;
pub mod facts;
pub mod loads;
pub(super) mod plan_changes;
pub mod zone_moves;

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, Utc};
use serde_json::json;
use sqlx::PgConnection;
use uuid::Uuid;

pub use self::existing_tasks::Purpose;
pub use self::plan_changes::Counts;
use self::zone_moves::ZoneMove;
use super::sign_offs::days_to_sign;
use super::tasks::Task;
use super::{Result, events};
use crate::domain::event::EventKind;
use crate::domain::plan::{self, Clinic};
use crate::domain::reconcile::{Change, ExistingTask, reconcile, too_late};
use crate::domain::task::{Slot, TaskId};
use crate::domain::zone;

/// The zone data plans are resolved with, as `clinic_plan.zone_data` keeps it.
fn zone_data() -> String {
    zone::database().release().to_string()
}

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
    // In the order of ids, as whoever holds the plans of several clinics takes them.
    sqlx::query!(
        "with held as (select clinic_id from clinic_plan where group_id = $1 order by clinic_id for update)
         update clinic_plan p set plan_due_at = least(plan_due_at, $2)
         from held where p.group_id = $1 and p.clinic_id = held.clinic_id",
        group_id,
        now
    )
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
         order by plan_due_at, clinic_id limit 1 for update skip locked",
        group_id,
        now,
        zone_data()
    )
    .fetch_optional(db)
    .await?)
}

/// Clinics of the group, all or some, in the order in which the loop takes those that are marked at `now`.
///
/// # Errors
/// When the database does not answer.
pub async fn list_in_turn(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_ids: Option<&[Uuid]>,
    now: DateTime<Utc>,
) -> Result<Vec<Uuid>> {
    Ok(sqlx::query_scalar!(
        "select clinic_id from clinic_plan where group_id = $1 and ($2::uuid[] is null or clinic_id = any($2))
         order by least(plan_due_at, $3), clinic_id",
        group_id,
        clinic_ids,
        now
    )
    .fetch_all(db)
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

/// Holds the plan that a completion of a task has worked out anew, and tells whose it is: of the clinic where the subject
/// stands now; `None` where no later dates hang on the routine. To be called before the task itself is held: whoever plans
/// a clinic holds its plan before its tasks, and two must never wait for each other.
///
/// # Errors
/// When the database does not answer.
pub async fn lock_for_completion(db: &mut PgConnection, group_id: Uuid, task_id: TaskId) -> Result<Option<Uuid>> {
    let of_task = sqlx::query!(
        "select t.routine_id, s.clinic_id
         from task t join subject s on s.group_id = t.group_id and s.subject_id = t.subject_id
         where t.group_id = $1 and t.clinic_day = $2 and t.task_id = $3",
        group_id,
        task_id.clinic_day(),
        task_id.as_uuid()
    )
    .fetch_optional(&mut *db)
    .await?;
    let Some(of_task) = of_task else { return Ok(None) };
    if !facts::decide_later_dates(&mut *db, group_id, of_task.routine_id).await? {
        return Ok(None);
    }
    lock_clinic(db, group_id, of_task.clinic_id).await?;
    Ok(Some(of_task.clinic_id))
}

/// The release of the zone data a clinic was last planned with; empty while it never was.
///
/// # Errors
/// When the database does not answer.
pub async fn find_zone_data(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<String> {
    let found = sqlx::query_scalar!(
        "select zone_data from clinic_plan where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id
    )
    .fetch_optional(db)
    .await?;
    Ok(found.unwrap_or_default())
}

/// What planning a clinic anew comes to, before anything of it is written.
#[derive(Debug)]
pub struct Replanning {
    /// The clinic as it was planned.
    pub clinic: Arc<Clinic>,
    /// First and last clinic day of the plan.
    pub days: (NaiveDate, NaiveDate),
    /// The tasks that stood before.
    pub existing: Vec<Task>,
    /// What is to become of them, and what comes new; by task id.
    pub changes: Vec<Change>,
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
    let Some(replanning) = work_out(db, group_id, clinic_id, horizon_days, Purpose::CarryOut, now).await? else {
        return Ok(Counts::default());
    };
    let (today, (_, to)) = (replanning.clinic.hours.clinic_day_of(now), replanning.days);
    let next_midnight = zone::resolve(&replanning.clinic.hours.zone, (today + Days::new(1)).and_time(NaiveTime::MIN));
    let moves = moved_by_zone_data(db, group_id, clinic_id, &replanning, now).await?;
    let counts = carry_out(db, group_id, clinic_id, &replanning, now).await?;
    zone_moves::insert(db, group_id, &moves).await?;
    let next_miss_at = days_to_sign::plan(db, group_id, clinic_id, &replanning.clinic, horizon_days, now).await?;
    let due_again =
        next_miss_at.map_or(next_midnight, |miss| miss.min(next_midnight)).max(now + TimeDelta::minutes(10));
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

/// The tasks whose instant is another because the clinic is planned with other zone data than before.
async fn moved_by_zone_data(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    replanning: &Replanning,
    now: DateTime<Utc>,
) -> Result<Vec<ZoneMove>> {
    let before: String = sqlx::query_scalar!(
        "select zone_data from clinic_plan where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id
    )
    .fetch_one(db)
    .await?;
    let to_release = zone_data();
    if before.is_empty() || before == to_release {
        return Ok(Vec::new());
    }
    let from_release = before;
    let anchors: BTreeMap<TaskId, DateTime<Utc>> =
        replanning.existing.iter().map(|task| (task.id, task.times.anchor_at)).collect();
    let moves: Vec<ZoneMove> = replanning
        .changes
        .iter()
        .filter_map(|change| match change {
            Change::Set(task) => Some((task, *anchors.get(&task.id)?)),
            _ => None,
        })
        .filter(|(task, anchor_before)| task.times.anchor_at != *anchor_before)
        .map(|(task, anchor_before)| ZoneMove {
            clinic_id,
            moved_at: now,
            task_id: task.id.as_uuid(),
            from_release: from_release.clone(),
            to_release: to_release.clone(),
            anchor_before,
            anchor_after: task.times.anchor_at,
        })
        .collect();
    if !moves.is_empty() {
        let zone = replanning.clinic.hours.zone.name();
        let tasks = moves.len();
        tracing::warn!(%clinic_id, zone, from_release, to_release, tasks, "new zone data moved planned work");
    }
    Ok(moves)
}

/// A clinic as it is planned up to `horizon_days` ahead; `None` when there is no such clinic.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn load(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    horizon_days: u32,
    now: DateTime<Utc>,
) -> Result<Option<Clinic>> {
    let utc_today = now.date_naive();
    let span = (utc_today - Days::new(super::WINDOW_DAYS), utc_today + Days::new(u64::from(horizon_days) + 131));
    facts::load(db, group_id, clinic_id, span).await
}

/// Works out what [`replan`] does to a clinic's tasks, and writes nothing; `None` when there is no such clinic.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn work_out(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    horizon_days: u32,
    purpose: Purpose,
    now: DateTime<Utc>,
) -> Result<Option<Replanning>> {
    let Some(clinic) = load(db, group_id, clinic_id, horizon_days, now).await? else { return Ok(None) };
    let today = clinic.hours.clinic_day_of(now);
    let (behind, ahead) = clinic.reach_days();
    let days = (today - Days::new(behind), today + Days::new(u64::from(horizon_days) + ahead));
    let clinic = Arc::new(clinic);
    Ok(Some(work_out_days(db, group_id, clinic_id, clinic, days, None, purpose, now).await?))
}

/// Carries a re-planning out, and tells of it when it changed something.
///
/// # Errors
/// When the database does not answer.
pub async fn carry_out(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    replanning: &Replanning,
    now: DateTime<Utc>,
) -> Result<Counts> {
    let (from, to) = replanning.days;
    let counts = plan_changes::apply(db, group_id, clinic_id, &replanning.changes, now).await?;
    if !counts.is_zero() {
        let body = json!({
            "clinic_id": clinic_id, "from": from, "to": to, "added": counts.added, "changed": counts.changed,
            "removed": counts.removed, "withdrawn": counts.withdrawn,
        });
        events::append(db, group_id, EventKind::PlanChanged, Some(clinic_id), &body, now).await?;
    }
    Ok(counts)
}

/// Re-plans one clinic day after a patient was seated or left: what must be there at once. What the mark changes on
/// other days is left to the loop. The caller holds the clinic.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn replan_after_seating(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    day: NaiveDate,
    mark_id: Uuid,
    now: DateTime<Utc>,
) -> Result<Counts> {
    let span = (day, day + Days::new(31));
    let Some(clinic) = facts::load(db, group_id, clinic_id, span).await? else { return Ok(Counts::default()) };
    let (clinic, days) = (Arc::new(clinic), (day, day));
    let replanning =
        work_out_days(db, group_id, clinic_id, clinic, days, Some(mark_id), Purpose::CarryOut, now).await?;
    carry_out(db, group_id, clinic_id, &replanning, now).await
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

#[expect(clippy::too_many_arguments, reason = "the one place where both ways to plan meet")]
async fn work_out_days(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic: Arc<Clinic>,
    (from, to): (NaiveDate, NaiveDate),
    turnover: Option<Uuid>,
    purpose: Purpose,
    now: DateTime<Utc>,
) -> Result<Replanning> {
    let mut tasks = existing_tasks::list(db, group_id, clinic_id, &clinic, (from, to), purpose).await?;
    // A period that begins after the last day is not planned here, so its task is nothing to take away.
    tasks.retain(|task| !matches!(task.slot, Slot::Period(period) if period.first_on() > to));
    let planned_for = Arc::clone(&clinic);
    // Arithmetic over weeks of days and all routines: not on a thread that answers requests.
    let planned = tokio::task::spawn_blocking(move || {
        let today = planned_for.hours.clinic_day_of(now);
        plan::plan(&planned_for, from, to, today)
    })
    .await?;
    let existing: Vec<ExistingTask> = tasks.iter().map(|task| existing_task(task, clinic_id)).collect();
    let too_late = turnover.map(|mark_id| too_late(&existing, &planned, mark_id, now)).unwrap_or_default();
    let mut changes = reconcile(&existing, planned, now);
    changes.extend(too_late);
    Ok(Replanning { clinic, days: (from, to), existing: tasks, changes })
}

/// What the domain asks about a stored task that is planned for a clinic.
fn existing_task(task: &Task, clinic_id: Uuid) -> ExistingTask {
    ExistingTask {
        id: task.id,
        slot: task.slot.clone(),
        times: task.times.clone(),
        routine_version: task.routine_version,
        started_at: task.started_at,
        outcome: task.recorded.map(|(outcome, _)| outcome),
        outcome_reason: task.outcome_reason.clone(),
        outcome_by_plan: task.outcome_by_plan,
        because: task.because.clone(),
        elsewhere: task.clinic_id != clinic_id,
    }
}
