//! What the front desk posts: starts and ends of clinic days, chairs taken and left.

pub mod presence;

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, seals};
use crate::domain::facts::{PostedDay, Seating, SeatingEdge};

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
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert_day_mark(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic_day: NaiveDate,
    edge: &str,
    mark: DayMark,
    key_id: Uuid,
) -> Result<()> {
    seals::keep_sealer_out(&mut *db, group_id, clinic_id, mark.recorded_at).await?;
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

struct SeatingColumns {
    mark_id: Uuid,
    clinic_id: Uuid,
    operatory_id: Uuid,
    edge: String,
    clinic_day: NaiveDate,
    marked_at: DateTime<Utc>,
}

impl From<SeatingColumns> for Seating {
    fn from(row: SeatingColumns) -> Self {
        let SeatingColumns { mark_id, clinic_id, operatory_id, edge, clinic_day, marked_at } = row;
        let edge = if edge == "seated" { SeatingEdge::Seated } else { SeatingEdge::Left };
        Self { mark_id, clinic_id, operatory_id, edge, clinic_day, marked_at }
    }
}

/// The seatings and departures of a span of clinic days: those at the clinic, and those of the operatories that stand
/// there now, wherever they stood then. A chair that moves keeps its use and its count.
///
/// # Errors
/// When the database does not answer.
pub async fn list_seatings(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    operatory_ids: &[Uuid],
    (from, to): (NaiveDate, NaiveDate),
) -> Result<Vec<Seating>> {
    let rows = sqlx::query_as!(
        SeatingColumns,
        // Two indexes: an `or` may lead to neither. No mark is of both.
        r#"select mark_id as "mark_id!", clinic_id as "clinic_id!", operatory_id as "operatory_id!", edge as "edge!",
                  clinic_day as "clinic_day!", marked_at as "marked_at!"
           from (select mark_id, clinic_id, operatory_id, edge, clinic_day, marked_at from seating_mark
                 where group_id = $1 and clinic_id = $2 and clinic_day between $3 and $4
                 union all
                 select mark_id, clinic_id, operatory_id, edge, clinic_day, marked_at from seating_mark
                 where group_id = $1 and operatory_id = any($5) and clinic_id <> $2
                   and clinic_day between $3 and $4) as mark
           order by marked_at, mark_id"#,
        group_id,
        clinic_id,
        from,
        to,
        operatory_ids
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(Seating::from).collect())
}

/// The last clinic day before another on which each operatory was used, where there is one.
///
/// # Errors
/// When the database does not answer.
pub async fn list_last_uses(
    db: &mut PgConnection,
    group_id: Uuid,
    operatory_ids: &[Uuid],
    before: NaiveDate,
) -> Result<BTreeMap<Uuid, NaiveDate>> {
    let rows = sqlx::query!(
        r#"select chair.id as "operatory_id!", last.clinic_day
           from unnest($2::uuid[]) as chair(id)
           cross join lateral (
               select clinic_day from seating_mark
               where group_id = $1 and operatory_id = chair.id and clinic_day < $3
               order by clinic_day desc limit 1) as last"#,
        group_id,
        operatory_ids,
        before
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.operatory_id, row.clinic_day)).collect())
}

/// How many patients left each operatory on the clinic days from the first to the day before the last.
///
/// # Errors
/// When the database does not answer.
pub async fn count_departures(
    db: &mut PgConnection,
    group_id: Uuid,
    operatory_ids: &[Uuid],
    (from, before): (NaiveDate, NaiveDate),
) -> Result<Vec<(Uuid, u32)>> {
    let rows = sqlx::query!(
        r#"select operatory_id, count(*) as "count!" from seating_mark
           where group_id = $1 and operatory_id = any($2) and clinic_day >= $3 and clinic_day < $4 and edge = 'left'
           group by operatory_id"#,
        group_id,
        operatory_ids,
        from,
        before
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.operatory_id, u32::try_from(row.count).unwrap_or(u32::MAX))).collect())
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
    /// What stood against the chair at that moment; `None`: it was left.
    pub standing: Option<Value>,
}

/// Keeps a mark; `false` when it stands already.
///
/// # Errors
/// When the database does not answer, or `now`, when it is recorded, is sealed.
pub async fn insert_seating_mark(
    db: &mut PgConnection,
    group_id: Uuid,
    mark: &SeatingMark,
    key_id: Uuid,
    now: DateTime<Utc>,
) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, mark.clinic_id, now).await?;
    let done = sqlx::query!(
        "insert into seating_mark
             (group_id, clinic_day, mark_id, clinic_id, operatory_id, edge, marked_at, recorded_at, key_id, missing,
              standing)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) on conflict do nothing",
        group_id,
        mark.clinic_day,
        mark.mark_id,
        mark.clinic_id,
        mark.operatory_id,
        mark.edge,
        mark.marked_at,
        now,
        key_id,
        mark.missing,
        mark.standing
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}
