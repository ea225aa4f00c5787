//! Missed tasks: those that open an action, and why they were missed.
//!
//! The rule of this file: a group is looked through from where it was looked at last, with an hour's overlap for rows that
//! were committed late; one that was never looked at begins now, so that old misses open nothing.

use chrono::{DateTime, TimeDelta, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, seals};

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

/// Why a task was missed, as a person told it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct MissReason {
    /// 1, 2, 3 …: the last one counts.
    pub number: i32,
    /// In the person's words.
    pub reason: String,
    /// The person.
    pub told_by: String,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The device.
    pub key_id: Uuid,
}

/// What was told about a missed task, the newest first: at most so many.
///
/// # Errors
/// When the database does not answer.
pub async fn list_reasons(
    db: &mut PgConnection,
    group_id: Uuid,
    task_id: Uuid,
    at_most: i64,
) -> Result<Vec<MissReason>> {
    Ok(sqlx::query_as!(
        MissReason,
        "select number, reason, told_by, recorded_at, key_id from miss_reason
         where group_id = $1 and task_id = $2 order by number desc limit $3",
        group_id,
        task_id,
        at_most
    )
    .fetch_all(db)
    .await?)
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
        "insert into miss_reason (group_id, task_id, number, clinic_id, reason, told_by, recorded_at, key_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8)",
        group_id,
        task_id,
        reason.number,
        clinic_id,
        reason.reason,
        reason.told_by,
        reason.recorded_at,
        reason.key_id
    )
    .execute(db)
    .await?;
    Ok(())
}
