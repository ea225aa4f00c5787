//! Signatures under clinic days, and what their signers are shown.
//!
//! The rule of this file: completions are read before the tasks they settle, so that nothing counts as seen which the
//! tasks did not show; one that comes between the two reads is told as one that came after.

pub mod days_to_sign;

use chrono::{DateTime, NaiveDate, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError, seals};
use crate::domain::task::State;

/// A task of the day.
#[derive(Clone, Debug)]
pub struct DayTask {
    /// Which.
    pub task_id: Uuid,
    /// What it is about.
    pub subject_id: Uuid,
    /// What people call that.
    pub subject_name: String,
    /// Its routine.
    pub routine_id: Uuid,
    /// The routine's name in the task's version.
    pub routine_name: String,
    /// When it was due.
    pub due_by: DateTime<Utc>,
    /// When it is missed, where it is not recorded by then.
    pub missed_at: DateTime<Utc>,
    /// It can stand in the way of using its subject.
    pub blocking: bool,
    /// What it is at the instant that was asked about.
    pub state: State,
    /// Its latest attempt or result did not pass.
    pub failed: bool,
    /// The reason of a not-required or a void.
    pub outcome_reason: String,
    /// The person who gave that outcome; `None`: the plan.
    pub outcome_by: Option<String>,
    /// Why it was missed, as last told, and by whom.
    pub miss_reason: Option<(String, String)>,
    /// What it counts as done by was recorded after its window had closed, and corrects nothing: why, in the words that came
    /// with it, which may be none, and by whom.
    pub entered_late: Option<(String, String)>,
}

struct TaskRow {
    task_id: Uuid,
    subject_id: Uuid,
    subject_name: String,
    routine_id: Uuid,
    routine_name: String,
    due_by: DateTime<Utc>,
    missed_at: DateTime<Utc>,
    blocking: bool,
    state: String,
    failed: bool,
    outcome_reason: String,
    outcome_by: Option<String>,
    miss_reason: Option<String>,
    told_by: Option<String>,
    entered_late: bool,
    entry_reason: String,
}

impl TryFrom<TaskRow> for DayTask {
    type Error = StoreError;

    fn try_from(row: TaskRow) -> Result<Self> {
        let state = State::ALL
            .into_iter()
            .find(|state| state.as_str() == row.state)
            .ok_or_else(|| StoreError::bad_row("task", row.task_id, "outcome", &row.state))?;
        Ok(Self {
            task_id: row.task_id,
            subject_id: row.subject_id,
            subject_name: row.subject_name,
            routine_id: row.routine_id,
            routine_name: row.routine_name,
            due_by: row.due_by,
            missed_at: row.missed_at,
            blocking: row.blocking,
            state,
            failed: row.failed,
            outcome_reason: row.outcome_reason,
            entered_late: row.entered_late.then(|| (row.entry_reason, row.outcome_by.clone().unwrap_or_default())),
            outcome_by: row.outcome_by,
            miss_reason: row.miss_reason.zip(row.told_by),
        })
    }
}

/// The tasks of a clinic day as they are at `now`, by when they were due.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_tasks(
    db: &mut PgConnection,
    group_id: Uuid,
    (clinic_id, clinic_day): (Uuid, NaiveDate),
    now: DateTime<Utc>,
) -> Result<Vec<DayTask>> {
    sqlx::query_as!(
        TaskRow,
        r#"select t.task_id, t.subject_id, s.name as subject_name, t.routine_id,
                  coalesce(v.definition ->> 'name', '') as "routine_name!", t.due_by, t.missed_at,
                  t.blocks_at is not null as "blocking!",
                  task_state(t.outcome, t.outcome_at, t.due_from, t.due_by, t.overdue_at, t.missed_at, $4) as "state!",
                  coalesce(t.failed_at <= $4, false) as "failed!", t.outcome_reason, c.performed_by as "outcome_by?",
                  m.reason as "miss_reason?", m.told_by as "told_by?",
                  coalesce(c.late_entry and c.corrects is null and c.kind = 'performed', false) as "entered_late!",
                  coalesce(c.reason, '') as "entry_reason!"
           from task t
           join subject s on s.group_id = t.group_id and s.subject_id = t.subject_id
           join routine_version v on v.group_id = t.group_id and v.routine_id = t.routine_id
                                 and v.version = t.routine_version
           left join completion c on c.group_id = t.group_id and c.clinic_day = t.clinic_day
                                 and c.completion_id = t.completion_id
           left join lateral (select m.reason, m.told_by from miss_reason m
                              where m.group_id = t.group_id and m.task_id = t.task_id
                              order by m.number desc limit 1) m on true
           where t.group_id = $1 and t.clinic_id = $2 and t.clinic_day = $3
           order by t.due_by, t.task_id"#,
        group_id,
        clinic_id,
        clinic_day,
        now
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(DayTask::try_from)
    .collect()
}

/// A completion of a task of the day.
#[derive(Clone, Debug)]
pub struct DayEntry {
    /// Which.
    pub completion_id: Uuid,
    /// Its task.
    pub task_id: Uuid,
    /// The person, as sent.
    pub performed_by: String,
    /// When the work was done, as the person says.
    pub performed_at: DateTime<Utc>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The verdict.
    pub verdict: String,
    /// The completion it corrects.
    pub corrects: Option<Uuid>,
    /// The reason of a correction, a not-required or a void.
    pub reason: String,
    /// What a lead should look at.
    pub flags: Vec<String>,
}

/// The completions of a clinic day's tasks, in the order in which they were recorded.
///
/// # Errors
/// When the database does not answer.
pub async fn list_entries(
    db: &mut PgConnection,
    group_id: Uuid,
    (clinic_id, clinic_day): (Uuid, NaiveDate),
) -> Result<Vec<DayEntry>> {
    Ok(sqlx::query_as!(
        DayEntry,
        r#"select completion_id, task_id, performed_by, performed_at, recorded_at, verdict, corrects, reason,
                  coalesce(flags, '{}') || array(select f.flag from raised_flag f
                                                 where f.group_id = $1 and f.completion_id = completion.completion_id
                                                 order by f.flag) as "flags!"
           from completion where group_id = $1 and clinic_id = $2 and clinic_day = $3
           order by recorded_at, completion_id"#,
        group_id,
        clinic_id,
        clinic_day
    )
    .fetch_all(db)
    .await?)
}

/// A chair that somebody was seated in although its record lacked something, or something stood against it.
#[derive(Clone, Debug)]
pub struct UnreadySeating {
    /// Which seating.
    pub mark_id: Uuid,
    /// Which chair.
    pub operatory_id: Uuid,
    /// What people call that.
    pub operatory_name: String,
    /// When, as the desk says.
    pub seated_at: DateTime<Utc>,
    /// What was missing, as the desk was answered.
    pub missing: Value,
    /// What stood against the chair, as the desk was answered.
    pub standing: Value,
}

/// Such seatings of a clinic day, the first first: at most so many.
///
/// # Errors
/// When the database does not answer.
pub async fn list_unready_seatings(
    db: &mut PgConnection,
    group_id: Uuid,
    (clinic_id, clinic_day): (Uuid, NaiveDate),
    at_most: i64,
) -> Result<Vec<UnreadySeating>> {
    Ok(sqlx::query_as!(
        UnreadySeating,
        r#"select m.mark_id, m.operatory_id, u.name as operatory_name, m.marked_at as seated_at, m.missing,
                  coalesce(m.standing, '[]') as "standing!"
           from seating_mark m join subject u on u.group_id = m.group_id and u.subject_id = m.operatory_id
           where m.group_id = $1 and m.clinic_id = $2 and m.clinic_day = $3 and m.edge = 'seated'
             and (m.missing <> '[]' or coalesce(m.standing, '[]') <> '[]')
           order by m.marked_at, m.mark_id limit $4"#,
        group_id,
        clinic_id,
        clinic_day,
        at_most
    )
    .fetch_all(db)
    .await?)
}

/// A lead's signature under a clinic day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SignOff {
    /// Made by the client.
    pub sign_off_id: Uuid,
    /// The clinic.
    pub clinic_id: Uuid,
    /// The day.
    pub clinic_day: NaiveDate,
    /// 1: the first; further ones add to it.
    pub number: i32,
    /// Who, by a PIN of their own.
    pub staff_id: Uuid,
    /// Their name as it was then.
    pub signed_by: String,
    /// In their words.
    pub note: String,
    /// Of the review that was signed.
    pub review_digest: Vec<u8>,
    /// How many tasks were in which state.
    pub task_counts: Value,
    /// What was explained.
    pub explanations: Value,
    /// What had been said about gaps before, as the signer saw it; `None` in rows of before it was kept.
    pub words_seen: Option<Value>,
    /// The completions that were there to be seen.
    pub entry_ids: Vec<Uuid>,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// The device.
    pub key_id: Uuid,
}

/// The signature with this id.
///
/// # Errors
/// When the database does not answer.
pub async fn find(db: &mut PgConnection, group_id: Uuid, sign_off_id: Uuid) -> Result<Option<SignOff>> {
    Ok(sqlx::query_as!(
        SignOff,
        "select sign_off_id, clinic_id, clinic_day, number, staff_id, signed_by, note, review_digest, task_counts,
                explanations, words_seen, entry_ids, recorded_at, key_id
         from day_sign_off where group_id = $1 and sign_off_id = $2",
        group_id,
        sign_off_id
    )
    .fetch_optional(db)
    .await?)
}

/// The signatures under a day, the first first.
///
/// # Errors
/// When the database does not answer.
pub async fn list(
    db: &mut PgConnection,
    group_id: Uuid,
    (clinic_id, clinic_day): (Uuid, NaiveDate),
) -> Result<Vec<SignOff>> {
    Ok(sqlx::query_as!(
        SignOff,
        "select sign_off_id, clinic_id, clinic_day, number, staff_id, signed_by, note, review_digest, task_counts,
                explanations, words_seen, entry_ids, recorded_at, key_id
         from day_sign_off where group_id = $1 and clinic_id = $2 and clinic_day = $3 order by number",
        group_id,
        clinic_id,
        clinic_day
    )
    .fetch_all(db)
    .await?)
}

/// Keeps a signature; `false` when its id or its place is taken.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert(db: &mut PgConnection, group_id: Uuid, what: &SignOff) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, what.clinic_id, what.recorded_at).await?;
    let done = sqlx::query!(
        "insert into day_sign_off (group_id, sign_off_id, clinic_id, clinic_day, number, staff_id, signed_by, note,
                                   review_digest, task_counts, explanations, words_seen, entry_ids, recorded_at, key_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15) on conflict do nothing",
        group_id,
        what.sign_off_id,
        what.clinic_id,
        what.clinic_day,
        what.number,
        what.staff_id,
        what.signed_by,
        what.note,
        what.review_digest,
        what.task_counts,
        what.explanations,
        what.words_seen,
        &what.entry_ids,
        what.recorded_at,
        what.key_id
    )
    .execute(&mut *db)
    .await?;
    if done.rows_affected() == 0 {
        return Ok(false);
    }
    days_to_sign::mark_signed(db, group_id, what.clinic_id, what.clinic_day, what.recorded_at).await?;
    Ok(true)
}
