//! Instruments that readings are taken with.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::instrument::Instrument;
use crate::store::Result;

/// Keeps an instrument as it is now.
///
/// # Errors
/// When the database does not answer.
pub async fn save(db: &mut PgConnection, group_id: Uuid, instrument: &Instrument, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "insert into instrument (group_id, instrument_id, clinic_id, name, serial, calibrated_on, calibration_ends_on,
                                 created_at, updated_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $8)
         on conflict (group_id, instrument_id) do update
         set clinic_id = excluded.clinic_id, name = excluded.name, serial = excluded.serial,
             calibrated_on = excluded.calibrated_on, calibration_ends_on = excluded.calibration_ends_on,
             updated_at = excluded.updated_at",
        group_id,
        instrument.id,
        instrument.clinic_id,
        instrument.name,
        instrument.serial,
        instrument.calibrated_on,
        instrument.calibration_ends_on,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// These instruments, as far as they stand; by name.
///
/// # Errors
/// When the database does not answer.
pub async fn list_named(db: &mut PgConnection, group_id: Uuid, ids: &[Uuid]) -> Result<Vec<Instrument>> {
    Ok(sqlx::query_as!(
        Instrument,
        "select instrument_id as id, clinic_id, name, serial, calibrated_on, calibration_ends_on from instrument
         where group_id = $1 and instrument_id = any($2) order by name, instrument_id",
        group_id,
        ids
    )
    .fetch_all(db)
    .await?)
}

/// The instruments of a clinic, by name.
///
/// # Errors
/// When the database does not answer.
pub async fn list_of_clinic(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Vec<Instrument>> {
    Ok(sqlx::query_as!(
        Instrument,
        "select instrument_id as id, clinic_id, name, serial, calibrated_on, calibration_ends_on from instrument
         where group_id = $1 and clinic_id = $2 order by name, instrument_id",
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?)
}

/// How many instruments a clinic has.
///
/// # Errors
/// When the database does not answer.
pub async fn count_of_clinic(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<i64> {
    Ok(sqlx::query_scalar!(
        r#"select count(*) as "count!" from instrument where group_id = $1 and clinic_id = $2"#,
        group_id,
        clinic_id
    )
    .fetch_one(db)
    .await?)
}
