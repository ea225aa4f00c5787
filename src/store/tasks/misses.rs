//! Missed tasks: those that open an action, and why they were missed.
//!
//! The rule of this file: a group is looked through from where it was looked at last, with an hour's overlap for rows that
//! were committed late; one that was never looked at begins now, so that old misses open nothing.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::chain::ChainKind;
use crate::domain::corrective_action::ActionCause;
use crate::domain::miss::MissCode;
use crate::domain::task::TaskId;
use crate::store::corrective_actions::actions::{self, Opening};
use crate::store::{Result, StoreError, seals};

/// How far a look reaches back behind the last one.
const OVERLAP: TimeDelta = TimeDelta::hours(1);

/// A task that was missed, of a routine that asks for an action.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MissedTask {
    /// The task.
    pub task_id: Uuid,
    /// Where it fell due.
    pub clinic_id: Uuid,
    /// On what.
    pub subject_id: Uuid,
    /// Which routine.
    pub routine_id: Uuid,
    /// What people call that.
    pub routine_name: String,
    /// When its window closed.
    pub missed_at: DateTime<Utc>,
}

/// Makes the row of a new group; one that has it keeps it.
///
/// # Errors
/// When the database does not answer.
pub async fn insert_watch(db: &mut PgConnection, group_id: Uuid, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "insert into miss_watch (group_id, looked_until, look_due_at) values ($1, $2, $2) on conflict do nothing",
        group_id,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Groups that are due to be looked through, the longest waiting first. Needs no tenant.
///
/// # Errors
/// When the database does not answer.
pub async fn list_groups(db: &mut PgConnection, now: DateTime<Utc>, at_most: i32) -> Result<Vec<Uuid>> {
    let groups = sqlx::query_scalar!(
        r#"select groups_with_misses_to_look_for as "group_id!" from groups_with_misses_to_look_for($1, $2)"#,
        now,
        at_most
    );
    Ok(groups.fetch_all(db).await?)
}

/// Claims the group, if it is due and nobody else holds it: how far it was looked through.
///
/// # Errors
/// When the database does not answer.
pub async fn claim(db: &mut PgConnection, group_id: Uuid, now: DateTime<Utc>) -> Result<Option<Option<DateTime<Utc>>>> {
    Ok(sqlx::query_scalar!(
        "select looked_until from miss_watch where group_id = $1 and look_due_at <= $2 for update skip locked",
        group_id,
        now
    )
    .fetch_optional(db)
    .await?)
}

/// Notes how far the group was looked through, and when it is looked through next.
///
/// # Errors
/// When the database does not answer.
pub async fn save_looked(
    db: &mut PgConnection,
    group_id: Uuid,
    looked_until: DateTime<Utc>,
    look_due_at: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "update miss_watch set looked_until = greatest(looked_until, $2), look_due_at = $3 where group_id = $1",
        group_id,
        looked_until,
        look_due_at
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Tasks missed from a while before `looked_until` until `now`, of routines that ask for an action, that opened none yet:
/// at most so many, the oldest first.
///
/// # Errors
/// When the database does not answer.
pub async fn list_new(
    db: &mut PgConnection,
    group_id: Uuid,
    (looked_until, now): (DateTime<Utc>, DateTime<Utc>),
    at_most: i64,
) -> Result<Vec<MissedTask>> {
    Ok(sqlx::query_as!(
        MissedTask,
        r#"select t.task_id, t.clinic_id, t.subject_id, t.routine_id, v.definition ->> 'name' as "routine_name!",
                  t.missed_at
           from task t
           join routine_version v on v.group_id = t.group_id and v.routine_id = t.routine_id
                                 and v.version = t.routine_version
           where t.group_id = $1 and t.outcome is null and t.missed_at > $2 and t.missed_at <= $3
             and v.definition ->> 'on_miss' = 'missed_routine'
             -- A make-safe task that is missed has its action already.
             and coalesce(t.because -> 'fact' ->> 'kind', '') <> 'missed_work'
             and not exists (select from corrective_action a
                             where a.group_id = t.group_id and a.cause_id = t.task_id)
           order by t.missed_at, t.task_id limit $4"#,
        group_id,
        looked_until - OVERLAP,
        now,
        at_most
    )
    .fetch_all(db)
    .await?)
}

/// Those of some tasks that were missed and ask for an action, and opened none yet.
///
/// # Errors
/// When the database does not answer.
pub async fn list_of_tasks(
    db: &mut PgConnection,
    group_id: Uuid,
    task_ids: &[Uuid],
    now: DateTime<Utc>,
) -> Result<Vec<MissedTask>> {
    let days: Vec<chrono::NaiveDate> =
        task_ids.iter().filter_map(|id| TaskId::from_uuid(*id)).map(TaskId::clinic_day).collect();
    Ok(sqlx::query_as!(
        MissedTask,
        r#"select t.task_id, t.clinic_id, t.subject_id, t.routine_id, v.definition ->> 'name' as "routine_name!",
                  t.missed_at
           from task t
           join routine_version v on v.group_id = t.group_id and v.routine_id = t.routine_id
                                 and v.version = t.routine_version
           where t.group_id = $1 and t.clinic_day = any($2) and t.task_id = any($3)
             and t.outcome is null and t.missed_at <= $4 and v.definition ->> 'on_miss' = 'missed_routine'
             and not exists (select from corrective_action a
                             where a.group_id = t.group_id and a.cause_id = t.task_id)"#,
        group_id,
        &days,
        task_ids,
        now
    )
    .fetch_all(db)
    .await?)
}

/// Opens an action for each missed task, in one order whoever works, so that two who open several never wait for each
/// other: how many were new.
///
/// # Errors
/// When the database does not answer, holds a row the model does not know, or `now` is sealed at a clinic.
pub async fn open_actions(
    db: &mut PgConnection,
    group_id: Uuid,
    mut missed: Vec<MissedTask>,
    now: DateTime<Utc>,
) -> Result<usize> {
    missed.sort_by_key(|m| (m.clinic_id, m.subject_id, m.missed_at, m.task_id));
    let mut opened = 0;
    for task in &missed {
        let (is_new, _) = actions::open_for(&mut *db, group_id, &opening(task), now).await?;
        opened += usize::from(is_new);
    }
    Ok(opened)
}

fn opening(task: &MissedTask) -> Opening {
    Opening {
        kind: ChainKind::MissedRoutine,
        action_id: None,
        clinic_id: task.clinic_id,
        subject_id: task.subject_id,
        line: None,
        cause: ActionCause::MissedTask,
        cause_id: Some(task.task_id),
        routine_id: Some(task.routine_id),
        counted: None,
        reason: format!("{}: its window passed with no record", task.routine_name),
        opened_by: String::new(),
        staff_id: None,
        key_id: None,
    }
}

/// Why a task was missed, as a person told it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MissReason {
    /// 1, 2, 3 …: the last one counts.
    pub number: i32,
    /// In a word that can be counted; `None`: in words only.
    pub code: Option<MissCode>,
    /// In the person's words.
    pub reason: String,
    /// The person.
    pub told_by: String,
    /// The same by identity, where they signed it.
    pub staff_id: Option<Uuid>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The device.
    pub key_id: Uuid,
}

/// What was told about a missed task, the newest first: at most so many.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_reasons(
    db: &mut PgConnection,
    group_id: Uuid,
    task_id: Uuid,
    at_most: i64,
) -> Result<Vec<MissReason>> {
    let rows = sqlx::query!(
        "select number, code, reason, told_by, staff_id, recorded_at, key_id from miss_reason
         where group_id = $1 and task_id = $2 order by number desc limit $3",
        group_id,
        task_id,
        at_most
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let read = |name: &str| {
                MissCode::from_name(name).ok_or_else(|| StoreError::bad_row("miss_reason", task_id, "code", name))
            };
            Ok(MissReason {
                number: row.number,
                code: row.code.as_deref().map(read).transpose()?,
                reason: row.reason,
                told_by: row.told_by,
                staff_id: row.staff_id,
                recorded_at: row.recorded_at,
                key_id: row.key_id,
            })
        })
        .collect()
}

/// Keeps a reason for a task of a clinic. The number is the caller's to choose, while it holds the task.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert_reason(
    db: &mut PgConnection,
    group_id: Uuid,
    (task_id, clinic_id): (Uuid, Uuid),
    reason: &MissReason,
) -> Result<()> {
    seals::keep_sealer_out(&mut *db, group_id, clinic_id, reason.recorded_at).await?;
    sqlx::query!(
        "insert into miss_reason (group_id, task_id, number, clinic_id, reason, told_by, recorded_at, key_id, code, staff_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
        group_id,
        task_id,
        reason.number,
        clinic_id,
        reason.reason,
        reason.told_by,
        reason.recorded_at,
        reason.key_id,
        reason.code.map(MissCode::as_str),
        reason.staff_id
    )
    .execute(db)
    .await?;
    Ok(())
}
