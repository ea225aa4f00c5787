//! What equipment wrote down of its cycles, and what people said of them. Rows are added and never changed.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::cycle_load::{Chamber, CycleLoad, CycleVerdict, JudgedCycle, PrintedOutcome};
use crate::domain::cycle_reading::CycleReading;
use crate::domain::plateau::TemperatureBand;
use crate::store::{Result, StoreError, seals};

/// A record of one cycle.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CycleRecord {
    /// The cycle.
    pub cycle_id: Uuid,
    /// 0, and one more for each correction.
    pub number: i32,
    /// Where the equipment stood.
    pub clinic_id: Uuid,
    /// The equipment.
    pub subject_id: Uuid,
    /// What was written down; may be nothing.
    pub readings: Vec<CycleReading>,
    /// The band it is held against.
    pub band: Option<TemperatureBand>,
    /// What was said of it beside.
    pub load: CycleLoad,
    /// What that amounted to when it came.
    pub judged: JudgedCycle,
    /// Who handed it in.
    pub performed_by: String,
    /// The same by identity, where they signed for it; `None`: nobody did.
    pub staff_id: Option<Uuid>,
    /// Why it was corrected; empty for the first.
    pub reason: String,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The device.
    pub key_id: Uuid,
}

/// Keeps a record; `false` when that number of the cycle stands already.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert(db: &mut PgConnection, group_id: Uuid, record: &CycleRecord) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, record.clinic_id, record.recorded_at).await?;
    let CycleRecord { load, judged, .. } = record;
    let limits = (!judged.limits.is_empty()).then_some(sqlx::types::Json(&judged.limits));
    let done = sqlx::query!(
        "insert into cycle_record (group_id, cycle_id, number, clinic_id, subject_id, readings, band, performed_by,
                                   reason, recorded_at, key_id, load_reference, holds_implants, chamber, outcome_as_printed,
                                   printed_words, verdict, finding, limits, staff_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20)
         on conflict do nothing",
        group_id,
        record.cycle_id,
        record.number,
        record.clinic_id,
        record.subject_id,
        sqlx::types::Json(&record.readings) as _,
        record.band.as_ref().map(sqlx::types::Json) as _,
        record.performed_by,
        record.reason,
        record.recorded_at,
        record.key_id,
        load.load_reference,
        load.holds_implants,
        load.chamber.map(Chamber::as_str),
        load.outcome_as_printed.map(PrintedOutcome::as_str),
        load.printed_words,
        judged.verdict.map(CycleVerdict::as_str),
        (!judged.finding.is_empty()).then_some(judged.finding.as_str()),
        limits as _,
        record.staff_id
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The newest record of a cycle.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, cycle_id: Uuid) -> Result<Option<CycleRecord>> {
    let row = sqlx::query!(
        "select number, clinic_id, subject_id, readings, band, performed_by, staff_id, reason, recorded_at, key_id, load_reference,
                holds_implants, chamber, outcome_as_printed, printed_words, verdict, finding, limits
         from cycle_record where group_id = $1 and cycle_id = $2 order by number desc limit 1",
        group_id,
        cycle_id
    )
    .fetch_optional(db)
    .await?;
    let Some(row) = row else { return Ok(None) };
    let bad = |column, error| StoreError::bad_row("cycle_record", cycle_id, column, error);
    let load = CycleLoad {
        load_reference: row.load_reference,
        holds_implants: row.holds_implants,
        chamber: known(cycle_id, "chamber", row.chamber.as_deref(), Chamber::from_name)?,
        outcome_as_printed: known(
            cycle_id,
            "outcome_as_printed",
            row.outcome_as_printed.as_deref(),
            PrintedOutcome::from_name,
        )?,
        printed_words: row.printed_words,
    };
    let judged = JudgedCycle {
        verdict: known(cycle_id, "verdict", row.verdict.as_deref(), CycleVerdict::from_name)?,
        finding: row.finding.unwrap_or_default(),
        limits: row.limits.map(serde_json::from_value).transpose().map_err(|e| bad("limits", e))?.unwrap_or_default(),
    };
    Ok(Some(CycleRecord {
        cycle_id,
        number: row.number,
        clinic_id: row.clinic_id,
        subject_id: row.subject_id,
        readings: serde_json::from_value(row.readings).map_err(|error| bad("readings", error))?,
        band: row.band.map(serde_json::from_value).transpose().map_err(|error| bad("band", error))?,
        load,
        judged,
        performed_by: row.performed_by,
        staff_id: row.staff_id,
        reason: row.reason,
        recorded_at: row.recorded_at,
        key_id: row.key_id,
    }))
}

/// What the newest record of each of these cycles says of its load.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_loads(
    db: &mut PgConnection,
    group_id: Uuid,
    cycle_ids: &[Uuid],
) -> Result<BTreeMap<Uuid, CycleLoad>> {
    let rows = sqlx::query!(
        "select distinct on (cycle_id) cycle_id, load_reference, holds_implants, chamber, outcome_as_printed, printed_words
         from cycle_record where group_id = $1 and cycle_id = any($2) order by cycle_id, number desc",
        group_id,
        cycle_ids
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let outcome = row.outcome_as_printed.as_deref();
            let load = CycleLoad {
                load_reference: row.load_reference,
                holds_implants: row.holds_implants,
                chamber: known(row.cycle_id, "chamber", row.chamber.as_deref(), Chamber::from_name)?,
                outcome_as_printed: known(row.cycle_id, "outcome_as_printed", outcome, PrintedOutcome::from_name)?,
                printed_words: row.printed_words,
            };
            Ok((row.cycle_id, load))
        })
        .collect()
}

/// A name of ours that the database holds.
pub(in crate::store) fn known<T>(
    cycle_id: Uuid,
    column: &'static str,
    name: Option<&str>,
    read: impl Fn(&str) -> Option<T>,
) -> Result<Option<T>> {
    let read = |name| read(name).ok_or_else(|| StoreError::bad_row("cycle_record", cycle_id, column, name));
    name.map(read).transpose()
}
