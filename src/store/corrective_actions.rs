//! Corrective actions: how each was opened, its steps, what was noted on it, and its closing.
//!
//! The rule of this file: these rows are added and never changed. What an open action waits for stands in a worklist
//! beside them (`worklist`).

pub mod actions;
pub mod chains;
pub mod hands;
pub mod held_loads;
pub mod implant_loads;
pub mod make_safe;
pub mod quarantines;
pub mod retests;
pub mod step_tests;
mod wanted_tests;
pub mod work_records;
pub mod worklist;

use chrono::{DateTime, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use self::actions::Opening;
use super::{Result, StoreError, seals};
use crate::domain::chain::progress::StepRecord;
use crate::domain::chain::{ChainKind, CountedAt, StepEnd};
use crate::domain::corrective_action::{ActionCause, ActionNote, ActionNoteKind, Closing, CorrectiveAction, Grounds};

/// Most notes that are read of one action.
const MOST_NOTES: i64 = 200;

/// Waits for whoever works on an action about the subject, and holds that until the transaction ends. The sealer of the
/// clinic is kept out first, as every insert does: in one order, so that nobody waits for each other.
///
/// # Errors
/// When the database does not answer, or `now` is sealed at the clinic.
pub async fn lock_subject(
    db: &mut PgConnection,
    group_id: Uuid,
    (clinic_id, subject_id): (Uuid, Uuid),
    now: DateTime<Utc>,
) -> Result<()> {
    seals::keep_sealer_out(&mut *db, group_id, clinic_id, now).await?;
    let name = format!("actions {group_id} {subject_id}");
    sqlx::query!("select pg_advisory_xact_lock(hashtextextended($1, 0))", name).fetch_one(db).await?;
    Ok(())
}

struct Row {
    action_id: Uuid,
    clinic_id: Uuid,
    subject_id: Uuid,
    kind: String,
    chain_version: i32,
    chain: Value,
    cause: String,
    cause_id: Option<Uuid>,
    routine_id: Option<Uuid>,
    line: Option<String>,
    reason: String,
    recorded_at: DateTime<Utc>,
    opened_by: String,
    staff_id: Option<Uuid>,
    key_id: Option<Uuid>,
}

impl TryFrom<Row> for CorrectiveAction {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let bad = |column, detail: &dyn ToString| {
            StoreError::bad_row("corrective_action", row.action_id, column, detail.to_string())
        };
        let kind = ChainKind::from_name(&row.kind).ok_or_else(|| bad("kind", &row.kind))?;
        let cause = ActionCause::from_name(&row.cause).ok_or_else(|| bad("cause", &row.cause))?;
        let chain = serde_json::from_value(row.chain.clone()).map_err(|error| bad("chain", &error))?;
        Ok(Self {
            action_id: row.action_id,
            clinic_id: row.clinic_id,
            subject_id: row.subject_id,
            kind,
            chain_version: row.chain_version,
            chain,
            cause,
            cause_id: row.cause_id,
            routine_id: row.routine_id,
            line: row.line,
            reason: row.reason,
            opened_at: row.recorded_at,
            opened_by: row.opened_by,
            staff_id: row.staff_id,
            key_id: row.key_id,
        })
    }
}

/// Keeps an action; `false` when its id is taken. Waits for a transaction that is taking it now.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert(db: &mut PgConnection, group_id: Uuid, action: &CorrectiveAction) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, action.clinic_id, action.opened_at).await?;
    let done = sqlx::query!(
        "insert into corrective_action
             (group_id, action_id, clinic_id, subject_id, kind, chain_version, chain, cause, cause_id, routine_id, line,
              reason, recorded_at, opened_by, key_id, staff_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16) on conflict do nothing",
        group_id,
        action.action_id,
        action.clinic_id,
        action.subject_id,
        action.kind.as_str(),
        action.chain_version,
        sqlx::types::Json(&action.chain) as _,
        action.cause.as_str(),
        action.cause_id,
        action.routine_id,
        action.line,
        action.reason,
        action.opened_at,
        action.opened_by,
        action.key_id,
        action.staff_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The action with this id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, action_id: Uuid) -> Result<Option<CorrectiveAction>> {
    let row = sqlx::query_as!(
        Row,
        "select action_id, clinic_id, subject_id, kind, chain_version, chain, cause, cause_id, routine_id, line, reason,
                recorded_at, opened_by, staff_id, key_id
         from corrective_action where group_id = $1 and action_id = $2",
        group_id,
        action_id
    )
    .fetch_optional(db)
    .await?;
    row.map(CorrectiveAction::try_from).transpose()
}

/// The actions with these ids, in no order.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list(db: &mut PgConnection, group_id: Uuid, action_ids: &[Uuid]) -> Result<Vec<CorrectiveAction>> {
    let rows = sqlx::query_as!(
        Row,
        "select action_id, clinic_id, subject_id, kind, chain_version, chain, cause, cause_id, routine_id, line, reason,
                recorded_at, opened_by, staff_id, key_id
         from corrective_action where group_id = $1 and action_id = any($2)",
        group_id,
        action_ids
    )
    .fetch_all(db)
    .await?;
    rows.into_iter().map(CorrectiveAction::try_from).collect()
}

/// The actions that any of these causes opened.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_of_causes(
    db: &mut PgConnection,
    group_id: Uuid,
    cause_ids: &[Uuid],
) -> Result<Vec<CorrectiveAction>> {
    let rows = sqlx::query_as!(
        Row,
        "select action_id, clinic_id, subject_id, kind, chain_version, chain, cause, cause_id, routine_id, line, reason,
                recorded_at, opened_by, staff_id, key_id
         from corrective_action where group_id = $1 and cause_id = any($2) order by recorded_at, action_id limit 100",
        group_id,
        cause_ids
    )
    .fetch_all(db)
    .await?;
    rows.into_iter().map(CorrectiveAction::try_from).collect()
}

/// The open actions about a subject, the oldest first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_open_of_subject(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_id: Uuid,
) -> Result<Vec<CorrectiveAction>> {
    let rows = sqlx::query_as!(
        Row,
        "select a.action_id, a.clinic_id, a.subject_id, a.kind, a.chain_version, a.chain, a.cause, a.cause_id,
                a.routine_id, a.line, a.reason, a.recorded_at, a.opened_by, a.staff_id, a.key_id
         from corrective_action a
         where a.group_id = $1 and a.subject_id = $2
           and not exists (select from corrective_action_close c
                           where c.group_id = a.group_id and c.action_id = a.action_id)
         order by a.recorded_at, a.action_id limit 100",
        group_id,
        subject_id
    )
    .fetch_all(db)
    .await?;
    rows.into_iter().map(CorrectiveAction::try_from).collect()
}

/// How many actions of the same kind were opened from `since` on, where a rule counts them.
///
/// # Errors
/// When the database does not answer.
pub async fn count_opened(
    db: &mut PgConnection,
    group_id: Uuid,
    opening: &Opening,
    counted_at: CountedAt,
    since: DateTime<Utc>,
) -> Result<u32> {
    let count = sqlx::query_scalar!(
        r#"select count(*) as "count!" from corrective_action
           where group_id = $1 and kind = $2 and clinic_id = $3 and ($4::uuid is null or subject_id = $4)
             and (not $5 or routine_id is not distinct from $6) and recorded_at >= $7"#,
        group_id,
        opening.kind.as_str(),
        opening.clinic_id,
        (counted_at == CountedAt::Subject).then_some(opening.subject_id),
        counted_at == CountedAt::Routine,
        opening.routine_id,
        since
    )
    .fetch_one(db)
    .await?;
    Ok(u32::try_from(count).unwrap_or(u32::MAX))
}

/// Keeps a step of an action of a clinic; `false` when its id or the step is taken.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert_step(
    db: &mut PgConnection,
    group_id: Uuid,
    (action_id, clinic_id): (Uuid, Uuid),
    step: &StepRecord,
) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, clinic_id, step.recorded_at).await?;
    let done = sqlx::query!(
        "insert into corrective_action_step
             (group_id, record_id, action_id, clinic_id, step_key, performed_at, recorded_at, performed_by, key_id, note,
              reference, result, completion_id, early, late, staff_id, signed, flags)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18)
         on conflict do nothing",
        group_id,
        step.record_id,
        action_id,
        clinic_id,
        step.step_key,
        step.performed_at,
        step.recorded_at,
        step.performed_by,
        step.key_id,
        step.note,
        step.reference,
        step.result.map(StepEnd::as_str),
        step.completion_id,
        step.early,
        step.late,
        step.staff_id,
        step.signed,
        step.flags.as_deref()
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The steps of some actions that were recorded, with the action each belongs to, in the order they reached us.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_steps(db: &mut PgConnection, group_id: Uuid, action_ids: &[Uuid]) -> Result<Vec<(Uuid, StepRecord)>> {
    let rows = sqlx::query!(
        r#"select s.record_id, s.action_id, s.step_key, s.performed_at, s.recorded_at, s.performed_by, s.key_id, s.note,
                  s.reference, s.result, s.completion_id, s.early, s.late, s.staff_id, s.signed, s.flags,
                  (select test_made_at(c.group_id, c.clinic_day, c.task_id, c.performed_at)
                   from completion_receipt r
                   join completion c on c.group_id = r.group_id and c.clinic_day = r.clinic_day
                                    and c.completion_id = r.completion_id
                   where r.group_id = s.group_id and r.completion_id = s.completion_id) as rests_on_at
           from corrective_action_step s where s.group_id = $1 and s.action_id = any($2)
           order by s.recorded_at, s.record_id"#,
        group_id,
        action_ids
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let result = match row.result.as_deref() {
                None => None,
                Some(name) => Some(
                    StepEnd::from_name(name)
                        .ok_or_else(|| StoreError::bad_row("corrective_action_step", row.record_id, "result", name))?,
                ),
            };
            let record = StepRecord {
                record_id: row.record_id,
                step_key: row.step_key,
                performed_at: row.performed_at,
                recorded_at: row.recorded_at,
                performed_by: row.performed_by,
                key_id: row.key_id,
                note: row.note,
                reference: row.reference,
                result,
                completion_id: row.completion_id,
                rests_on_at: row.rests_on_at,
                early: row.early,
                late: row.late,
                staff_id: row.staff_id,
                signed: row.signed,
                flags: row.flags,
            };
            Ok((row.action_id, record))
        })
        .collect()
}

/// Keeps a note on an action of a clinic; `false` when it stands already.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert_note(
    db: &mut PgConnection,
    group_id: Uuid,
    (action_id, clinic_id): (Uuid, Uuid),
    note: &ActionNote,
) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, clinic_id, note.recorded_at).await?;
    let done = sqlx::query!(
        "insert into corrective_action_note (group_id, note_id, action_id, clinic_id, kind, completion_id, recorded_at)
         values ($1, $2, $3, $4, $5, $6, $7) on conflict do nothing",
        group_id,
        note.note_id,
        action_id,
        clinic_id,
        note.kind.as_str(),
        note.completion_id,
        note.recorded_at
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// What was noted on an action, the newest of it in the order it reached us.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_notes(db: &mut PgConnection, group_id: Uuid, action_id: Uuid) -> Result<Vec<ActionNote>> {
    let rows = sqlx::query!(
        "select note_id, kind, completion_id, recorded_at from corrective_action_note
         where group_id = $1 and action_id = $2 order by recorded_at desc, note_id desc limit $3",
        group_id,
        action_id,
        MOST_NOTES
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .rev()
        .map(|row| {
            let kind = ActionNoteKind::from_name(&row.kind)
                .ok_or_else(|| StoreError::bad_row("corrective_action_note", row.note_id, "kind", &row.kind))?;
            Ok(ActionNote {
                note_id: row.note_id,
                kind,
                completion_id: row.completion_id,
                recorded_at: row.recorded_at,
            })
        })
        .collect()
}

/// Whether every completion that opened an action, or was noted on it as a further failure, was corrected, and what was
/// said last in its place lifts such an action. A correction that falls short again is noted as a further failure itself.
///
/// # Errors
/// When the database does not answer.
pub async fn has_no_failure_left(db: &mut PgConnection, group_id: Uuid, action: &CorrectiveAction) -> Result<bool> {
    let lifting: Vec<String> = action.kind.lifted_by().iter().map(|verdict| verdict.as_str().to_owned()).collect();
    Ok(sqlx::query_scalar!(
        r#"select not exists (
               select from said_of_failures($1, $2) s where s.is_last and (s.is_failure or s.verdict <> all($3))
           ) as "lifted!""#,
        group_id,
        action.action_id,
        &lifting
    )
    .fetch_one(db)
    .await?)
}

/// Keeps the closing of an action of a clinic; `false` when it is closed already, or the id is taken.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert_close(
    db: &mut PgConnection,
    group_id: Uuid,
    (action_id, clinic_id): (Uuid, Uuid),
    closing: &Closing,
) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, clinic_id, closing.recorded_at).await?;
    let done = sqlx::query!(
        "insert into corrective_action_close
             (group_id, close_id, action_id, clinic_id, grounds, staff_id, closed_by, reason, recorded_at, key_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) on conflict do nothing",
        group_id,
        closing.close_id,
        action_id,
        clinic_id,
        closing.grounds.as_str(),
        closing.staff_id,
        closing.closed_by,
        closing.reason,
        closing.recorded_at,
        closing.key_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The closing of an action; `None`: it is open.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find_close(db: &mut PgConnection, group_id: Uuid, action_id: Uuid) -> Result<Option<Closing>> {
    let row = sqlx::query!(
        "select close_id, grounds, staff_id, closed_by, reason, recorded_at, key_id
         from corrective_action_close where group_id = $1 and action_id = $2",
        group_id,
        action_id
    )
    .fetch_optional(db)
    .await?;
    row.map(|row| {
        let grounds = Grounds::from_name(&row.grounds)
            .ok_or_else(|| StoreError::bad_row("corrective_action_close", row.close_id, "grounds", &row.grounds))?;
        Ok(Closing {
            close_id: row.close_id,
            grounds,
            staff_id: row.staff_id,
            closed_by: row.closed_by,
            reason: row.reason,
            recorded_at: row.recorded_at,
            key_id: row.key_id,
        })
    })
    .transpose()
}
