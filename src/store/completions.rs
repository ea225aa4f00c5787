//! Evidence: completions, their step results, and the marks of timed holds. Rows are added and never changed.

pub mod flagged;
pub mod repeats;
pub mod together;

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use rust_decimal::Decimal;
use serde_json::{Value, json};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError, seals};
use crate::domain::evidence::{Given, JudgedStep, MeasuredBy, TimedHold};
use crate::domain::task::TaskId;

/// What stands already under a client's UUID.
#[derive(Debug)]
pub struct Receipt {
    /// Clinic day of its task, i.e. its partition.
    pub clinic_day: NaiveDate,
    /// Hash of what was sent.
    pub content_hash: Vec<u8>,
}

/// The receipt of a completion.
///
/// # Errors
/// When the database does not answer.
pub async fn find_receipt(db: &mut PgConnection, group_id: Uuid, completion_id: Uuid) -> Result<Option<Receipt>> {
    Ok(sqlx::query_as!(
        Receipt,
        "select clinic_day, content_hash from completion_receipt where group_id = $1 and completion_id = $2",
        group_id,
        completion_id
    )
    .fetch_optional(db)
    .await?)
}

/// Takes a client's UUID for this content; `false` when it is taken. Waits for a transaction that is taking it now.
///
/// # Errors
/// When the database does not answer.
pub async fn insert_receipt(
    db: &mut PgConnection,
    group_id: Uuid,
    completion_id: Uuid,
    receipt: &Receipt,
) -> Result<bool> {
    let done = sqlx::query!(
        "insert into completion_receipt (group_id, completion_id, clinic_day, content_hash)
         values ($1, $2, $3, $4) on conflict do nothing",
        group_id,
        completion_id,
        receipt.clinic_day,
        receipt.content_hash
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// A completion as it is kept.
#[derive(Clone, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is a column of its own")]
pub struct Completion {
    /// Made by the client.
    pub completion_id: Uuid,
    /// The task it is about.
    pub task_id: Uuid,
    /// Where the task fell due.
    pub clinic_id: Uuid,
    /// `performed`, `not_required` or `void`.
    pub kind: String,
    /// When it was done.
    pub performed_at: DateTime<Utc>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The person.
    pub performed_by: String,
    /// The device.
    pub key_id: Uuid,
    /// The verdict.
    pub verdict: String,
    /// What a reader sees beside the verdict.
    pub findings: Value,
    /// Performed before the window opened.
    pub early: bool,
    /// Performed after it was due.
    pub late: bool,
    /// Recorded after the window had closed.
    pub late_entry: bool,
    /// What it makes of its task, if it counts; `None`: nothing, or from before this was kept.
    pub outcome: Option<String>,
    /// Whether the task had been completed already, as it was told of one from when the first to come counted.
    pub told_duplicate: Option<bool>,
    /// Another completion of the task counts.
    pub duplicate: bool,
    /// The completion this one replaces.
    pub corrects: Option<Uuid>,
    /// Reason of a correction, a not-required or a void, or why a late entry came late.
    pub reason: String,
    /// Free note.
    pub note: String,
    /// The person, where the device named one by id.
    pub staff_id: Option<Uuid>,
    /// Whether their PIN came with it and was right; `None`: from before there were PINs.
    pub signed: Option<bool>,
    /// What a lead should look at, as it is kept with the completion; read back, with what others raised beside it.
    pub flags: Option<Vec<String>>,
    /// What the device's clock said when it sent.
    pub device_at: Option<DateTime<Utc>>,
    /// When it was entered on the device, by the device's clock.
    pub entered_at: Option<DateTime<Utc>>,
}

/// Keeps a completion and its step results.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_day: NaiveDate,
    completion: &Completion,
    steps: &[JudgedStep],
) -> Result<()> {
    seals::keep_sealer_out(&mut *db, group_id, completion.clinic_id, completion.recorded_at).await?;
    sqlx::query!(
        "insert into completion (group_id, clinic_day, completion_id, task_id, clinic_id, kind, performed_at,
                                 recorded_at, performed_by, key_id, verdict, findings, early, late, late_entry,
                                 outcome, corrects, reason, note, staff_id, signed, flags, device_at, entered_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22,
                 $23, $24)",
        group_id,
        clinic_day,
        completion.completion_id,
        completion.task_id,
        completion.clinic_id,
        completion.kind,
        completion.performed_at,
        completion.recorded_at,
        completion.performed_by,
        completion.key_id,
        completion.verdict,
        completion.findings,
        completion.early,
        completion.late,
        completion.late_entry,
        completion.outcome,
        completion.corrects,
        completion.reason,
        completion.note,
        completion.staff_id,
        completion.signed,
        completion.flags.as_deref(),
        completion.device_at,
        completion.entered_at
    )
    .execute(&mut *db)
    .await?;
    let rows: Vec<Value> = steps.iter().enumerate().map(|(i, step)| step_row(i, step)).collect();
    sqlx::query!(
        "insert into step_result (group_id, clinic_day, completion_id, step_key, ordinal, kind, status, verdict,
                                  finding, hold_id, elapsed_seconds, measured_by, minimum_seconds, qualifier, value,
                                  unit, limits, reason, lot_id, product_version, mixed_at, maximum_seconds,
                                  too_many_to_count, instrument_id, given, lines, no_limit_in_force, hold_record)
         select $1, $2, $3, r.step_key, r.ordinal, r.kind, r.status, r.verdict, r.finding, r.hold_id,
                r.elapsed_seconds, r.measured_by, r.minimum_seconds, r.qualifier, r.value, r.unit, r.limits, r.reason,
                r.lot_id, r.product_version, r.mixed_at, r.maximum_seconds, r.too_many_to_count, r.instrument_id,
                r.given, r.lines, r.no_limit_in_force, r.hold_record
         from jsonb_to_recordset($4) as r(
             step_key text, ordinal smallint, kind text, status text, verdict text, finding text, hold_id uuid,
             elapsed_seconds integer, measured_by text, minimum_seconds integer, qualifier text, value numeric,
             unit text, limits jsonb, reason text, lot_id uuid, product_version integer, mixed_at timestamptz,
             maximum_seconds integer, too_many_to_count boolean, instrument_id uuid, given jsonb, lines jsonb,
             no_limit_in_force boolean, hold_record jsonb)",
        group_id,
        clinic_day,
        completion.completion_id,
        Value::Array(rows)
    )
    .execute(db)
    .await?;
    Ok(())
}

fn step_row(ordinal: usize, step: &JudgedStep) -> Value {
    json!({
        "step_key": step.key,
        "ordinal": ordinal,
        "kind": step.kind,
        "status": step.status,
        "verdict": step.verdict,
        "finding": step.finding,
        "hold_id": step.hold_id,
        "elapsed_seconds": step.elapsed.map(|(seconds, _)| seconds),
        "measured_by": step.elapsed.map(|(_, by)| by),
        "minimum_seconds": step.minimum_seconds,
        "qualifier": step.reading.as_ref().map(|r| r.qualifier),
        "value": step.reading.as_ref().map(|r| r.value),
        "unit": step.reading.as_ref().map(|r| &r.unit),
        "limits": (!step.limits.is_empty()).then_some(&step.limits),
        "reason": step.reason,
        "lot_id": step.lot_id,
        "product_version": step.product_version,
        "mixed_at": step.mixed_at,
        "maximum_seconds": step.maximum_seconds,
        "too_many_to_count": step.too_many_to_count.then_some(true),
        "instrument_id": step.instrument_id,
        "given": step.given,
        "lines": (!step.lines.is_empty()).then_some(&step.lines),
        "no_limit_in_force": step.no_limit_in_force.then_some(true),
        "hold_record": step.hold_record,
    })
}

/// Completions of a group and a clinic day ($1, $2), as they are read back.
macro_rules! completions {
    ($which:literal, $($given:expr),+) => {
        sqlx::query_as!(
            Completion,
            r#"select completion_id, task_id, clinic_id, kind, performed_at, recorded_at, performed_by, key_id, verdict, findings,
                  early, late, late_entry, outcome, duplicate as told_duplicate,
                  coalesce(duplicate, is_duplicate(duplicate, outcome, completion_id,
                                                   (select t.completion_id from task t
                                                    where t.group_id = $1 and t.clinic_day = $2
                                                      and t.task_id = completion.task_id))
                                      and not exists (select from completion x
                                                      where x.group_id = $1 and x.clinic_day = $2
                                                        and x.task_id = completion.task_id
                                                        and x.corrects = completion.completion_id)) as "duplicate!",
                  corrects, reason, note, staff_id, signed, device_at, entered_at,
                  coalesce(flags, '{}') || array(select f.flag from raised_flag f
                                                 where f.group_id = $1 and f.completion_id = completion.completion_id
                                                 order by f.flag) as flags
           from completion where group_id = $1 and clinic_day = $2 and "# + $which,
            $($given),+
        )
    };
}

/// The completion with this id.
///
/// # Errors
/// When the database does not answer.
pub async fn find(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_day: NaiveDate,
    completion_id: Uuid,
) -> Result<Option<Completion>> {
    Ok(completions!("completion_id = $3", group_id, clinic_day, completion_id).fetch_optional(db).await?)
}

/// Every completion of a task, in the order they reached us.
///
/// # Errors
/// When the database does not answer.
pub async fn list_of_task(db: &mut PgConnection, group_id: Uuid, task: TaskId) -> Result<Vec<Completion>> {
    Ok(completions!(
        "task_id = $3
           order by recorded_at, completion_id",
        group_id,
        task.clinic_day(),
        task.as_uuid()
    )
    .fetch_all(db)
    .await?)
}

/// A step result as it is kept.
#[derive(Clone, Debug)]
pub struct StepResult {
    /// The completion it belongs to.
    pub completion_id: Uuid,
    /// The wanted step's key.
    pub step_key: String,
    /// The kind of evidence it wanted.
    pub kind: String,
    /// `done`, `skipped`, `not_applicable` or `result_pending`.
    pub status: String,
    /// The verdict.
    pub verdict: String,
    /// The verdict in words.
    pub finding: String,
    /// The server-timed hold.
    pub hold_id: Option<Uuid>,
    /// Seconds held.
    pub elapsed_seconds: Option<i32>,
    /// Who measured them.
    pub measured_by: Option<String>,
    /// The minimum that decided.
    pub minimum_seconds: Option<i32>,
    /// Of a reading.
    pub qualifier: Option<String>,
    /// Of a reading.
    pub value: Option<Decimal>,
    /// Of a reading, UCUM.
    pub unit: Option<String>,
    /// The limits it was judged by.
    pub limits: Option<Value>,
    /// The reason given.
    pub reason: String,
    /// The lot it was worked with.
    pub lot_id: Option<Uuid>,
    /// The version of its product it was judged by.
    pub product_version: Option<i32>,
    /// When the solution was mixed.
    pub mixed_at: Option<DateTime<Utc>>,
    /// The longest hold it allowed.
    pub maximum_seconds: Option<i32>,
    /// A reading for which no number can be given.
    pub too_many_to_count: Option<bool>,
    /// What a reading was taken with.
    pub instrument_id: Option<Uuid>,
    /// An answer of a kind of its own.
    pub given: Option<Value>,
    /// The bottles of a water sample.
    pub lines: Option<Value>,
    /// None of its limits was in force.
    pub no_limit_in_force: Option<bool>,
    /// How a device timed a hold.
    pub hold_record: Option<Value>,
}

/// The step results of some completions of one clinic day, in the order of the steps.
///
/// # Errors
/// When the database does not answer.
pub async fn list_steps(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_day: NaiveDate,
    completion_ids: &[Uuid],
) -> Result<Vec<StepResult>> {
    Ok(sqlx::query_as!(
        StepResult,
        "select completion_id, step_key, kind, status, verdict, finding, hold_id, elapsed_seconds, measured_by,
                minimum_seconds, qualifier, value, unit, limits, reason, lot_id, product_version, mixed_at,
                maximum_seconds, too_many_to_count, instrument_id, given, lines, no_limit_in_force, hold_record
         from step_result where group_id = $1 and clinic_day = $2 and completion_id = any($3)
         order by completion_id, ordinal",
        group_id,
        clinic_day,
        completion_ids
    )
    .fetch_all(db)
    .await?)
}

/// What an earlier completion of a task said of a step.
#[derive(Clone, Debug)]
pub struct EarlierStep {
    /// The completion.
    pub completion_id: Uuid,
    /// The wanted step's key.
    pub step_key: String,
    /// The server-timed hold it used.
    pub hold_id: Option<Uuid>,
    /// An answer of a kind of its own.
    pub given: Option<Given>,
    /// Where its result was still awaited: when it was sampled or run.
    pub sampled_at: Option<DateTime<Utc>>,
}

/// What was said of a task's steps with a hold or an answer of a kind of its own, in the order it reached us.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_earlier_steps(db: &mut PgConnection, group_id: Uuid, task: TaskId) -> Result<Vec<EarlierStep>> {
    let rows = sqlx::query!(
        r#"select s.completion_id, s.step_key, s.hold_id, s.given,
                case when s.status = 'result_pending' then c.performed_at end as "sampled_at?"
         from completion c
         join step_result s on s.group_id = c.group_id and s.clinic_day = c.clinic_day
                           and s.completion_id = c.completion_id
         where c.group_id = $1 and c.clinic_day = $2 and s.clinic_day = $2 and c.task_id = $3
           and (s.hold_id is not null or s.given is not null)
         order by c.recorded_at, c.completion_id, s.ordinal"#,
        group_id,
        task.clinic_day(),
        task.as_uuid()
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let given = row.given.map(serde_json::from_value).transpose();
            Ok(EarlierStep {
                given: given.map_err(|e| StoreError::bad_row("step_result", &row.step_key, "given", e))?,
                completion_id: row.completion_id,
                step_key: row.step_key,
                hold_id: row.hold_id,
                sampled_at: row.sampled_at,
            })
        })
        .collect()
}

/// One mark of a hold.
#[derive(Clone, Debug)]
pub struct HoldMark {
    /// Made by the client.
    pub hold_id: Uuid,
    /// `start` or `end`.
    pub edge: &'static str,
    /// The wanted step it is for.
    pub step_key: String,
    /// By the server's clock.
    pub marked_at: DateTime<Utc>,
    /// The person.
    pub performed_by: String,
}

/// Keeps a mark of a hold for a task of a clinic; `false` when it stands already.
///
/// # Errors
/// When the database does not answer, or the instant it is marked at is sealed.
pub async fn insert_hold_mark(
    db: &mut PgConnection,
    group_id: Uuid,
    (task, clinic_id): (TaskId, Uuid),
    mark: &HoldMark,
    key_id: Uuid,
) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, clinic_id, mark.marked_at).await?;
    let done = sqlx::query!(
        "insert into hold_mark (group_id, clinic_day, hold_id, edge, task_id, step_key, marked_at, performed_by, key_id,
                                clinic_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) on conflict do nothing",
        group_id,
        task.clinic_day(),
        mark.hold_id,
        mark.edge,
        task.as_uuid(),
        mark.step_key,
        mark.marked_at,
        mark.performed_by,
        key_id,
        clinic_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The holds timed for some tasks, by task and hold.
///
/// # Errors
/// When the database does not answer, or holds an end without a start.
pub async fn list_holds(
    db: &mut PgConnection,
    group_id: Uuid,
    tasks: &[TaskId],
) -> Result<BTreeMap<Uuid, BTreeMap<Uuid, TimedHold>>> {
    let (days, ids): (Vec<NaiveDate>, Vec<Uuid>) = tasks.iter().map(|t| (t.clinic_day(), t.as_uuid())).unzip();
    let rows = sqlx::query!(
        r#"select s.task_id, s.hold_id, s.step_key, s.marked_at as started_at, e.marked_at as "ended_at?"
         from hold_mark s
         left join hold_mark e on e.group_id = s.group_id and e.clinic_day = s.clinic_day and e.hold_id = s.hold_id
                              and e.clinic_day = any($2) and e.edge = 'end'
         where s.group_id = $1 and s.edge = 'start' and s.clinic_day = any($2) and s.task_id = any($3)"#,
        group_id,
        &days,
        &ids
    )
    .fetch_all(db)
    .await?;
    let mut holds: BTreeMap<Uuid, BTreeMap<Uuid, TimedHold>> = BTreeMap::new();
    for row in rows {
        let hold = TimedHold { step_key: row.step_key, started_at: row.started_at, ended_at: row.ended_at };
        holds.entry(row.task_id).or_default().insert(row.hold_id, hold);
    }
    Ok(holds)
}

impl StepResult {
    /// Who measured a hold, as the domain says it.
    ///
    /// # Errors
    /// When the row holds what the model does not know.
    pub fn measured_by(&self) -> Result<Option<MeasuredBy>> {
        match self.measured_by.as_deref() {
            None => Ok(None),
            Some("server") => Ok(Some(MeasuredBy::Server)),
            Some("device") => Ok(Some(MeasuredBy::Device)),
            Some(other) => Err(StoreError::bad_row("step_result", &self.step_key, "measured_by", other)),
        }
    }
}
