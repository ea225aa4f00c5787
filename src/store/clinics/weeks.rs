//! Weeks that begin on a date, and days that are full.
//!
//! The rule of this file: both are known by their clinic day, so keeping one twice keeps one.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::hours::Week;
use crate::store::{Result, StoreError};

/// The clinic's weeks that begin on a date, past ones too, by that date.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_weeks(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<BTreeMap<NaiveDate, Week>> {
    let rows = sqlx::query!(
        "select effective_on, week from dated_week where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let week = serde_json::from_value(row.week)
                .map_err(|error| StoreError::bad_row("dated_week", row.effective_on, "week", error))?;
            Ok((row.effective_on, week))
        })
        .collect()
}

/// Keeps a week that begins on a date, new or changed.
///
/// # Errors
/// When the database does not answer.
pub async fn save_week(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    (effective_on, week): (NaiveDate, &Week),
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "insert into dated_week (group_id, clinic_id, effective_on, week, created_at) values ($1, $2, $3, $4, $5)
         on conflict (group_id, clinic_id, effective_on) do update
         set week = excluded.week",
        group_id,
        clinic_id,
        effective_on,
        sqlx::types::Json(week) as _,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Takes a week back; `false` when none began on that date.
///
/// # Errors
/// When the database does not answer.
pub async fn delete_week(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    effective_on: NaiveDate,
) -> Result<bool> {
    let done = sqlx::query!(
        "delete from dated_week where group_id = $1 and clinic_id = $2 and effective_on = $3",
        group_id,
        clinic_id,
        effective_on
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// The clinic's full days from one date to another, both included.
///
/// # Errors
/// When the database does not answer.
pub async fn list_full_days(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    (from, to): (NaiveDate, NaiveDate),
) -> Result<BTreeSet<NaiveDate>> {
    let days = sqlx::query_scalar!(
        "select full_on from full_day where group_id = $1 and clinic_id = $2 and full_on between $3 and $4",
        group_id,
        clinic_id,
        from,
        to
    )
    .fetch_all(db)
    .await?;
    Ok(days.into_iter().collect())
}

/// How many full days the clinic has, past ones too.
///
/// # Errors
/// When the database does not answer.
pub async fn count_full_days(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<i64> {
    Ok(sqlx::query_scalar!(
        r#"select count(*) as "count!" from full_day where group_id = $1 and clinic_id = $2"#,
        group_id,
        clinic_id
    )
    .fetch_one(db)
    .await?)
}

/// Marks a day as full; `false` when it is already.
///
/// # Errors
/// When the database does not answer.
pub async fn insert_full_day(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    full_on: NaiveDate,
    now: DateTime<Utc>,
) -> Result<bool> {
    let done = sqlx::query!(
        "insert into full_day (group_id, clinic_id, full_on, created_at) values ($1, $2, $3, $4)
         on conflict do nothing",
        group_id,
        clinic_id,
        full_on,
        now
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Unmarks a day; `false` when it was not full.
///
/// # Errors
/// When the database does not answer.
pub async fn delete_full_day(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    full_on: NaiveDate,
) -> Result<bool> {
    let done = sqlx::query!(
        "delete from full_day where group_id = $1 and clinic_id = $2 and full_on = $3",
        group_id,
        clinic_id,
        full_on
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}
