//! What equipment wrote down of its cycles. Rows are added and never changed.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError, seals};
use crate::domain::cycle_reading::CycleReading;
use crate::domain::plateau::TemperatureBand;

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
    /// What was written down.
    pub readings: Vec<CycleReading>,
    /// The band it is held against.
    pub band: Option<TemperatureBand>,
    /// Who handed it in.
    pub performed_by: String,
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
    let done = sqlx::query!(
        "insert into cycle_record (group_id, cycle_id, number, clinic_id, subject_id, readings, band, performed_by,
                                   reason, recorded_at, key_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) on conflict do nothing",
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
        record.key_id
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
        "select number, clinic_id, subject_id, readings, band, performed_by, reason, recorded_at, key_id
         from cycle_record where group_id = $1 and cycle_id = $2 order by number desc limit 1",
        group_id,
        cycle_id
    )
    .fetch_optional(db)
    .await?;
    let Some(row) = row else { return Ok(None) };
    let bad = |column, error| StoreError::bad_row("cycle_record", cycle_id, column, error);
    Ok(Some(CycleRecord {
        cycle_id,
        number: row.number,
        clinic_id: row.clinic_id,
        subject_id: row.subject_id,
        readings: serde_json::from_value(row.readings).map_err(|error| bad("readings", error))?,
        band: row.band.map(serde_json::from_value).transpose().map_err(|error| bad("band", error))?,
        performed_by: row.performed_by,
        reason: row.reason,
        recorded_at: row.recorded_at,
        key_id: row.key_id,
    }))
}
