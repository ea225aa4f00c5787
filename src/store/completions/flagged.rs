//! Completions and steps of corrective actions that a lead should look at, and what decides whether one is among them.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::flags::Flag;
use crate::store::Result;

/// A flagged completion.
#[derive(Clone, Debug)]
pub struct Flagged {
    /// Which.
    pub completion_id: Uuid,
    /// Its task.
    pub task_id: Uuid,
    /// Where the task fell due.
    pub clinic_id: Uuid,
    /// The task's clinic day.
    pub clinic_day: chrono::NaiveDate,
    /// What the task is about.
    pub subject_id: Uuid,
    /// Its routine.
    pub routine_id: Uuid,
    /// The routine's name in the task's version.
    pub routine_name: String,
    /// The person, as sent.
    pub performed_by: String,
    /// The person, where one was named by id.
    pub staff_id: Option<Uuid>,
    /// Whether their PIN came with it.
    pub signed: Option<bool>,
    /// The device.
    pub key_id: Uuid,
    /// When the work was done.
    pub performed_at: DateTime<Utc>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// What the device's clock said then.
    pub device_at: Option<DateTime<Utc>>,
    /// When it was entered, by that clock.
    pub entered_at: Option<DateTime<Utc>>,
    /// The verdict.
    pub verdict: String,
    /// The flags.
    pub flags: Vec<String>,
}

/// Which flagged completions.
#[derive(Clone, Debug, Default)]
pub struct FlaggedFilter {
    /// Only at these clinics; `None`: at every one.
    pub clinic_ids: Option<Vec<Uuid>>,
    /// Only with this flag.
    pub flag: Option<Flag>,
    /// Recorded from then on.
    pub from: Option<DateTime<Utc>>,
    /// Recorded before then.
    pub until: Option<DateTime<Utc>>,
    /// Worked from an instant on and before another.
    pub worked: Option<(DateTime<Utc>, DateTime<Utc>)>,
}

/// Flagged completions, the last recorded first, from after a place on.
///
/// # Errors
/// When the database does not answer.
pub async fn list(
    db: &mut PgConnection,
    group_id: Uuid,
    filter: &FlaggedFilter,
    after: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<Flagged>> {
    let ((after_at, after_id), (worked_from, worked_until)) = (after.unzip(), filter.worked.unzip());
    Ok(sqlx::query_as!(
        Flagged,
        r#"with flagged as (
               (select c.clinic_day, c.completion_id, c.recorded_at from completion c
                where c.group_id = $1 and cardinality(c.flags) > 0
                  and ($2::uuid[] is null or c.clinic_id = any($2))
                  and ($3::text is null or $3 = any(c.flags))
                  and ($4::timestamptz is null or c.recorded_at >= $4)
                  and ($5::timestamptz is null or c.recorded_at < $5)
                  and ($6::timestamptz is null or (c.recorded_at, c.completion_id) < ($6, $7::uuid))
                  and ($9::timestamptz is null or c.performed_at >= $9 and c.performed_at < $10::timestamptz)
                order by c.recorded_at desc, c.completion_id desc limit $8)
               union
               (select c.clinic_day, c.completion_id, c.recorded_at from raised_flag f
                join completion c on c.group_id = f.group_id and c.clinic_day = f.clinic_day
                                 and c.completion_id = f.completion_id
                where f.group_id = $1
                  and ($2::uuid[] is null or f.clinic_id = any($2))
                  and ($3::text is null or f.flag = $3)
                  and ($4::timestamptz is null or c.recorded_at >= $4)
                  and ($5::timestamptz is null or c.recorded_at < $5)
                  and ($6::timestamptz is null or (c.recorded_at, c.completion_id) < ($6, $7::uuid))
                  and ($9::timestamptz is null or c.performed_at >= $9 and c.performed_at < $10::timestamptz)
                order by c.recorded_at desc, c.completion_id desc limit $8)
           )
           select c.completion_id, c.task_id, c.clinic_id, c.clinic_day, t.subject_id, t.routine_id,
                  coalesce(v.definition ->> 'name', '') as "routine_name!", c.performed_by, c.staff_id, c.signed,
                  c.key_id, c.performed_at, c.recorded_at, c.device_at, c.entered_at, c.verdict,
                  coalesce(c.flags, '{}') || array(select f.flag from raised_flag f
                                                   where f.group_id = c.group_id and f.completion_id = c.completion_id
                                                   order by f.flag) as "flags!"
           from flagged
           join completion c on c.group_id = $1 and c.clinic_day = flagged.clinic_day
                            and c.completion_id = flagged.completion_id
           join task t on t.group_id = c.group_id and t.clinic_day = c.clinic_day and t.task_id = c.task_id
           join routine_version v on v.group_id = t.group_id and v.routine_id = t.routine_id
                                 and v.version = t.routine_version
           order by c.recorded_at desc, c.completion_id desc limit $8"#,
        group_id,
        filter.clinic_ids.as_deref(),
        filter.flag.map(Flag::as_str),
        filter.from,
        filter.until,
        after_at,
        after_id,
        at_most,
        worked_from,
        worked_until
    )
    .fetch_all(db)
    .await?)
}

/// A flagged step of a corrective action.
#[derive(Clone, Debug)]
pub struct FlaggedStep {
    /// Its record.
    pub record_id: Uuid,
    /// The action.
    pub action_id: Uuid,
    /// The clinic of the action.
    pub clinic_id: Uuid,
    /// What the action is about.
    pub subject_id: Uuid,
    /// What people call the action's chain.
    pub action_name: String,
    /// Which step.
    pub step_key: String,
    /// The person, as entered.
    pub performed_by: String,
    /// The person, where one was named by id.
    pub staff_id: Option<Uuid>,
    /// Whether their PIN came with it.
    pub signed: Option<bool>,
    /// The device.
    pub key_id: Uuid,
    /// When it was done.
    pub performed_at: DateTime<Utc>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The flags.
    pub flags: Vec<String>,
}

/// Flagged steps, the last recorded first, from after a place on.
///
/// # Errors
/// When the database does not answer.
pub async fn list_steps(
    db: &mut PgConnection,
    group_id: Uuid,
    filter: &FlaggedFilter,
    after: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<FlaggedStep>> {
    let ((after_at, after_id), (worked_from, worked_until)) = (after.unzip(), filter.worked.unzip());
    Ok(sqlx::query_as!(
        FlaggedStep,
        r#"select s.record_id, s.action_id, s.clinic_id, a.subject_id, coalesce(a.chain ->> 'name', '') as "action_name!",
                  s.step_key, s.performed_by, s.staff_id, s.signed, s.key_id, s.performed_at, s.recorded_at,
                  s.flags as "flags!"
           from corrective_action_step s
           join corrective_action a on a.group_id = s.group_id and a.action_id = s.action_id
           where s.group_id = $1 and cardinality(s.flags) > 0
             and ($2::uuid[] is null or s.clinic_id = any($2))
             and ($3::text is null or $3 = any(s.flags))
             and ($4::timestamptz is null or s.recorded_at >= $4)
             and ($5::timestamptz is null or s.recorded_at < $5)
             and ($6::timestamptz is null or (s.recorded_at, s.record_id) < ($6, $7::uuid))
             and ($9::timestamptz is null or s.performed_at >= $9 and s.performed_at < $10::timestamptz)
           order by s.recorded_at desc, s.record_id desc limit $8"#,
        group_id,
        filter.clinic_ids.as_deref(),
        filter.flag.map(Flag::as_str),
        filter.from,
        filter.until,
        after_at,
        after_id,
        at_most,
        worked_from,
        worked_until
    )
    .fetch_all(db)
    .await?)
}

/// Work that was done without a competence.
#[derive(Clone, Debug)]
pub struct Uncovered {
    /// The person, as sent.
    pub performed_by: String,
    /// The person, where one was named by id.
    pub staff_id: Option<Uuid>,
    /// The routine.
    pub routine_id: Uuid,
    /// How often.
    pub completions: i64,
    /// When last.
    pub last_performed_at: DateTime<Utc>,
}

/// Who did which work without a competence, or with one that had ended, as recorded since an instant; the last first.
///
/// # Errors
/// When the database does not answer.
pub async fn list_uncovered(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_ids: Option<&[Uuid]>,
    since: DateTime<Utc>,
    at_most: i64,
) -> Result<Vec<Uncovered>> {
    Ok(sqlx::query_as!(
        Uncovered,
        r#"select c.performed_by, c.staff_id, t.routine_id, count(*) as "completions!",
                  max(c.performed_at) as "last_performed_at!"
           from completion c
           join task t on t.group_id = c.group_id and t.clinic_day = c.clinic_day and t.task_id = c.task_id
           where c.group_id = $1 and cardinality(c.flags) > 0 and c.recorded_at >= $3
             and c.flags && array['no_competence', 'competence_expired'] and ($2::uuid[] is null or c.clinic_id = any($2))
           group by c.performed_by, c.staff_id, t.routine_id
           order by max(c.performed_at) desc, c.performed_by, t.routine_id limit $4"#,
        group_id,
        clinic_ids,
        since,
        at_most
    )
    .fetch_all(db)
    .await?)
}
