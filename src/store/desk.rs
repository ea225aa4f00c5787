//! What the front desk posts: starts and ends of clinic days, chairs taken and left.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use super::Result;
use crate::domain::plan::{PostedDay, Turnover};

/// A day's start or end as it is kept.
#[derive(Clone, Copy, Debug)]
pub struct DayMark {
    /// When, as the desk says.
    pub marked_at: DateTime<Utc>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
}

/// The start (`edge` = `start`) or end (`end`) of a clinic day, if it was posted.
///
/// # Errors
/// When the database does not answer.
pub async fn find_day_mark(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic_day: NaiveDate,
    edge: &str,
) -> Result<Option<DayMark>> {
    Ok(sqlx::query_as!(
        DayMark,
        "select marked_at, recorded_at from day_mark
         where group_id = $1 and clinic_id = $2 and clinic_day = $3 and edge = $4",
        group_id,
        clinic_id,
        clinic_day,
        edge
    )
    .fetch_optional(db)
    .await?)
}

/// Keeps the start or end of a clinic day.
///
/// # Errors
/// When the database does not answer.
pub async fn insert_day_mark(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic_day: NaiveDate,
    edge: &str,
    mark: DayMark,
    key_id: Uuid,
) -> Result<()> {
    sqlx::query!(
        "insert into day_mark (group_id, clinic_id, clinic_day, edge, marked_at, recorded_at, key_id)
         values ($1, $2, $3, $4, $5, $6, $7)",
        group_id,
        clinic_id,
        clinic_day,
        edge,
        mark.marked_at,
        mark.recorded_at,
        key_id
    )
    .execute(db)
    .await?;
    Ok(())
}

/// The desk's starts and ends of a span of clinic days.
///
/// # Errors
/// When the database does not answer.
pub async fn list_posted(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    (from, to): (NaiveDate, NaiveDate),
) -> Result<BTreeMap<NaiveDate, PostedDay>> {
    let rows = sqlx::query!(
        "select clinic_day, edge, marked_at from day_mark
         where group_id = $1 and clinic_id = $2 and clinic_day between $3 and $4",
        group_id,
        clinic_id,
        from,
        to
    )
    .fetch_all(db)
    .await?;
    let mut posted: BTreeMap<NaiveDate, PostedDay> = BTreeMap::new();
    for row in rows {
        let day = posted.entry(row.clinic_day).or_default();
        let edge = if row.edge == "start" { &mut day.started_at } else { &mut day.ended_at };
        *edge = Some(row.marked_at);
    }
    Ok(posted)
}

/// The turnovers of a span of clinic days.
///
/// # Errors
/// When the database does not answer.
pub async fn list_turnovers(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    (from, to): (NaiveDate, NaiveDate),
) -> Result<Vec<Turnover>> {
    Ok(sqlx::query_as!(
        Turnover,
        "select mark_id, operatory_id, clinic_day, marked_at as left_at from seating_mark
         where group_id = $1 and clinic_id = $2 and clinic_day between $3 and $4 and edge = 'left'
         order by marked_at, mark_id",
        group_id,
        clinic_id,
        from,
        to
    )
    .fetch_all(db)
    .await?)
}

/// A chair taken or left, as it is kept.
#[derive(Clone, Debug)]
pub struct SeatingMark {
    /// Derived from operatory, edge and instant: the natural key.
    pub mark_id: Uuid,
    /// Where.
    pub clinic_id: Uuid,
    /// Which chair.
    pub operatory_id: Uuid,
    /// The clinic day it belongs to.
    pub clinic_day: NaiveDate,
    /// `seated` or `left`.
    pub edge: &'static str,
    /// When, as the desk says.
    pub marked_at: DateTime<Utc>,
    /// What was missing at that moment.
    pub missing: Value,
}

/// Keeps a mark; `false` when it stands already.
///
/// # Errors
/// When the database does not answer.
pub async fn insert_seating_mark(
    db: &mut PgConnection,
    group_id: Uuid,
    mark: &SeatingMark,
    key_id: Uuid,
    now: DateTime<Utc>,
) -> Result<bool> {
    let done = sqlx::query!(
        "insert into seating_mark
             (group_id, clinic_day, mark_id, clinic_id, operatory_id, edge, marked_at, recorded_at, key_id, missing)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) on conflict do nothing",
        group_id,
        mark.clinic_day,
        mark.mark_id,
        mark.clinic_id,
        mark.operatory_id,
        mark.edge,
        mark.marked_at,
        now,
        key_id,
        mark.missing
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}
