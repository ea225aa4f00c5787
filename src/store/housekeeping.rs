//! What keeps the store going: partitions ahead of need, the pulse of each instance, and forgetting what was promised
//! for a time only.
//!
//! The rule of this file: nothing here reads or changes what a group recorded. Every query runs without a tenant,
//! through functions that were made for it or on tables that belong to no tenant.

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Result;

/// Makes the month partitions of these days where they are missing; answers how many were made.
///
/// # Errors
/// When the database does not answer.
pub async fn ensure_partitions(db: &mut PgConnection, first_on: NaiveDate, last_on: NaiveDate) -> Result<i32> {
    Ok(sqlx::query_scalar!(r#"select ensure_partitions($1, $2) as "made!""#, first_on, last_on).fetch_one(db).await?)
}

/// Notes that an instance is alive, and the zone data it works with.
///
/// # Errors
/// When the database does not answer.
pub async fn save_pulse(db: &mut PgConnection, instance_id: Uuid, zone_data: &str, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "insert into service_pulse (instance_id, ticked_at, zone_data) values ($1, $2, $3)
         on conflict (instance_id) do update set ticked_at = excluded.ticked_at, zone_data = excluded.zone_data",
        instance_id,
        now,
        zone_data
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Forgets instances that have not ticked since.
///
/// # Errors
/// When the database does not answer.
pub async fn forget_pulses(db: &mut PgConnection, ticked_before: DateTime<Utc>) -> Result<()> {
    sqlx::query!("delete from service_pulse where ticked_at < $1", ticked_before).execute(db).await?;
    Ok(())
}

/// Forgets answers kept under an Idempotency-Key, of every group; answers how many.
///
/// # Errors
/// When the database does not answer.
pub async fn forget_idempotent_answers(db: &mut PgConnection, answered_before: DateTime<Utc>) -> Result<i64> {
    Ok(sqlx::query_scalar!(r#"select forget_idempotent_answers($1) as "forgotten!""#, answered_before)
        .fetch_one(db)
        .await?)
}

/// When the clinic that waits longest was to be planned; an instant ahead when none waits, `None` without clinics.
///
/// # Errors
/// When the database does not answer.
pub async fn oldest_plan_due(db: &mut PgConnection) -> Result<Option<DateTime<Utc>>> {
    Ok(sqlx::query_scalar!("select oldest_plan_due()").fetch_one(db).await?)
}

/// When the clinic that waits longest was to be sealed or checked; an instant ahead when none waits, `None` without
/// clinics.
///
/// # Errors
/// When the database does not answer.
pub async fn oldest_seal_due(db: &mut PgConnection) -> Result<Option<DateTime<Utc>>> {
    Ok(sqlx::query_scalar!("select oldest_seal_due()").fetch_one(db).await?)
}
