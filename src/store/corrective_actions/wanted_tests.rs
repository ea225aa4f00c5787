//! Tests and other work that a step of a corrective action asks for, or a load that waits, as tasks on the list of what
//! is due.
//!
//! The rule of this file: they are made by an action and not by the plan, so the planner leaves them alone, as it does
//! repeats; their slot is derived from action, step and the number of tests so far, so a test is asked for once.

use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, Utc};
use sha2::{Digest, Sha256};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::chain::ChainKind;
use crate::domain::chain::progress::StepTimes;
use crate::domain::plan::PlannedTask;
use crate::domain::plan::because::{Because, Fact};
use crate::domain::task::{Slot, TaskId, Times};
use crate::domain::zone;
use crate::store::planning::plan_changes::{self, Columns};
use crate::store::tasks::{self, Task};
use crate::store::{Result, clinics};

/// How long after it is overdue such a test can still be recorded, where its clinic day's bound allows it.
const MISSED_AFTER: TimeDelta = TimeDelta::days(30);

/// How far back, and ahead, tasks are looked at for the routines that a subject is tested by. A quarter: some tests are made
/// four times a year.
const LATELY: Days = Days::new(92);
const PLANNED_AHEAD: Days = Days::new(2);

/// Why a test, or other work, is asked for no more.
#[derive(Clone, Copy, Debug)]
pub(super) enum Withdrawn {
    /// The action that asked for it is closed.
    ActionClosed,
    /// The step that asked for a test rests on another one.
    TestRecorded,
    /// The step that asked for work rests on another completion.
    WorkRecorded,
    /// The load that waited for it is released.
    LoadReleased,
    /// Another test was counted meanwhile, and the next must lie apart from it.
    CountsLater,
}

impl Withdrawn {
    fn reason(self) -> &'static str {
        match self {
            Self::ActionClosed => "withdrawn: the corrective action that asked for it is closed",
            Self::TestRecorded | Self::WorkRecorded => "withdrawn: the step that asked for it is recorded",
            Self::LoadReleased => "withdrawn: the load that waited for it is released, processed again or discarded",
            Self::CountsLater => "withdrawn: another test was counted meanwhile, and the next one counts later",
        }
    }

    /// The kind of fact that it withdraws alone; an action asks for one task of each at a time.
    fn of_kind(self) -> Option<&'static str> {
        match self {
            Self::ActionClosed | Self::LoadReleased => None,
            Self::TestRecorded | Self::CountsLater => Some("wanted_test"),
            Self::WorkRecorded => Some("wanted_work"),
        }
    }
}

/// Which test of which step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wanted<'a> {
    /// The action, or the cycle of the load that waits.
    pub(super) asked_by: Uuid,
    /// Its step.
    pub(super) step_key: &'a str,
    /// How many tests were made for the step before this one.
    pub(super) number: usize,
}

impl Wanted<'_> {
    fn slot(&self) -> Slot {
        let mut hash = Sha256::new();
        hash.update(b"chairtide wanted test v1");
        hash.update(self.asked_by.as_bytes());
        hash.update(self.step_key.as_bytes());
        hash.update(self.number.to_string().as_bytes());
        let digest = hash.finalize();
        let mut bytes = [0; 16];
        bytes.copy_from_slice(&digest[..16]);
        Slot::Repeat(uuid::Builder::from_custom_bytes(bytes).into_uuid())
    }
}

/// The newest task of a routine on a subject that somebody worked on: the one that a further test is modelled on.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub(super) async fn find_model(
    db: &mut PgConnection,
    group_id: Uuid,
    (routine_id, subject_id): (Uuid, Uuid),
) -> Result<Option<Task>> {
    let task_id = sqlx::query_scalar!(
        "select task_id from task
         where group_id = $1 and routine_id = $2 and subject_id = $3 and started_at is not null
         order by clinic_day desc, started_at desc limit 1",
        group_id,
        routine_id,
        subject_id
    )
    .fetch_optional(&mut *db)
    .await?;
    match task_id.and_then(TaskId::from_uuid) {
        Some(id) => tasks::find(db, group_id, id).await,
        None => Ok(None),
    }
}

/// The last instant a task of this clinic day can end at: the partitions' bound on windows.
fn latest(clinic_day: NaiveDate) -> DateTime<Utc> {
    (clinic_day + Days::new(crate::store::WINDOW_DAYS)).and_time(NaiveTime::MIN).and_utc() - TimeDelta::seconds(1)
}

/// Puts a test, or other work, on the list of what is due; one that stands there already stays as it is. `false`: the
/// step's window lies beyond what a task of the model's clinic day can reach, and the routine's own next task is it then.
///
/// # Errors
/// When the database does not answer.
pub(super) async fn insert(
    db: &mut PgConnection,
    group_id: Uuid,
    model: &Task,
    (wanted, fact): (Wanted<'_>, Fact),
    window: StepTimes,
    now: DateTime<Utc>,
) -> Result<bool> {
    let clinic_day = model.id.clinic_day();
    if window.overdue_at.max(now) >= latest(clinic_day) {
        return Ok(false);
    }
    let slot = wanted.slot();
    let id = TaskId::derive(model.routine_id, model.subject_id, clinic_day, &slot);
    if tasks::find(&mut *db, group_id, id).await?.is_some() {
        return Ok(true);
    }
    let due_from = window.may_start_at;
    let climbed = |at: DateTime<Utc>| window.overdue_at + (at - model.times.overdue_at);
    let times = Times {
        anchor_at: due_from,
        due_from,
        due_by: window.due_by,
        overdue_at: window.overdue_at,
        missed_at: (window.overdue_at.max(now) + MISSED_AFTER).min(latest(clinic_day)),
        // The quarantine stands in the way, where there is one; the test itself does not.
        blocks_at: None,
        rungs: model.times.rungs.iter().map(|(at, audience)| (climbed(*at), *audience)).collect(),
    };
    let clinic = clinics::find(db, group_id, model.clinic_id).await?;
    let utc_offset_seconds = clinic.map_or(0, |clinic| zone::offset_at(&clinic.zone, due_from).local_minus_utc());
    let planned = PlannedTask {
        id,
        clinic_day,
        routine_id: model.routine_id,
        routine_version: model.routine_version,
        subject_id: model.subject_id,
        subject_kind: model.subject_kind,
        slot,
        times,
        not_required: None,
        because: Because { fact, moved: None, utc_offset_seconds },
        rough_minutes: 0,
    };
    let mut columns = Columns::default();
    columns.push(model.clinic_id, &planned);
    plan_changes::insert(db, group_id, &columns, now).await?;
    Ok(true)
}

/// The routine in use by which a subject is tested whose failing opens actions of a kind; of several the one that fell due
/// most often lately.
///
/// # Errors
/// When the database does not answer.
pub(super) async fn find_routine_of(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_id: Uuid,
    kind: ChainKind,
    now: DateTime<Utc>,
) -> Result<Option<Uuid>> {
    let today = now.date_naive();
    Ok(sqlx::query_scalar!(
        "select lately.routine_id
         from (select t.routine_id, count(*) as times from task t
               where t.group_id = $1 and t.subject_id = $2 and t.clinic_day between $3 and $4
               group by t.routine_id) lately
         cross join lateral (select v.definition from routine_version v
                             where v.group_id = $1 and v.routine_id = lately.routine_id
                             order by v.version desc limit 1) newest
         where newest.definition ->> 'on_fail' = $5 and coalesce((newest.definition ->> 'in_use')::boolean, true)
         order by lately.times desc, lately.routine_id limit 1",
        group_id,
        subject_id,
        today - LATELY,
        today + PLANNED_AHEAD,
        kind.as_str()
    )
    .fetch_optional(db)
    .await?)
}

/// From when on the test is due that an action asks for and nobody has begun; `None`: it asks for none.
///
/// # Errors
/// When the database does not answer.
pub(super) async fn find_waiting(
    db: &mut PgConnection,
    group_id: Uuid,
    action_id: Uuid,
    clinic_id: Uuid,
    now: DateTime<Utc>,
) -> Result<Option<DateTime<Utc>>> {
    let due_from = sqlx::query_scalar!(
        "select due_from from task
         where group_id = $1 and clinic_id = $2 and outcome is null and started_at is null and missed_at > $4
           and because -> 'fact' ->> 'action_id' = $3 and because -> 'fact' ->> 'kind' = 'wanted_test'
         order by due_from desc limit 1",
        group_id,
        clinic_id,
        action_id.to_string(),
        now
    )
    .fetch_optional(db)
    .await?;
    Ok(due_from)
}

/// Withdraws the tests of an action, or of the load of a cycle, that nobody has begun. One that somebody is recording now
/// is left to them: whoever records holds the task first and the action after it, and two must never wait for each other.
///
/// # Errors
/// When the database does not answer.
pub(super) async fn withdraw(
    db: &mut PgConnection,
    group_id: Uuid,
    (asked_by, clinic_id): (Uuid, Uuid),
    why: Withdrawn,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "with free as (
             select clinic_day, task_id from task
             where group_id = $1 and clinic_id = $2 and outcome is null and started_at is null and missed_at > $4
               and $3::text in (because -> 'fact' ->> 'action_id', because -> 'fact' ->> 'cycle_id')
               and ($6::text is null or because -> 'fact' ->> 'kind' = $6)
             for update skip locked
         )
         update task t set outcome = 'not_required', outcome_at = $4, outcome_reason = $5, outcome_by_plan = true
         from free f where t.group_id = $1 and t.clinic_day = f.clinic_day and t.task_id = f.task_id",
        group_id,
        clinic_id,
        asked_by.to_string(),
        now,
        why.reason(),
        why.of_kind()
    )
    .execute(db)
    .await?;
    Ok(())
}
