//! Cycles that equipment ran.
//!
//! The rule of this file: a cycle is kept once and never changed. The receipt takes the client's UUID, so that two
//! posts of one cycle meet there even when they would fall on two clinic days.

pub mod records;
pub mod traced_loads;

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, seals};
use crate::domain::facts::Cycle;

/// A cycle as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CycleMark {
    /// Made by the client.
    pub cycle_id: Uuid,
    /// The clinic day it ended on.
    pub clinic_day: NaiveDate,
    /// Where the equipment stood.
    pub clinic_id: Uuid,
    /// Which equipment.
    pub subject_id: Uuid,
    /// When it ended, as the device says.
    pub ended_at: DateTime<Utc>,
    /// What the machine calls its program; may be empty.
    pub program: String,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The device or system that posted it.
    pub key_id: Uuid,
}

/// Keeps a cycle; `false` when its id is taken. Waits for a transaction that is taking it now.
///
/// # Errors
/// When the database does not answer, or the instant it is recorded at is sealed.
pub async fn insert(db: &mut PgConnection, group_id: Uuid, mark: &CycleMark) -> Result<bool> {
    seals::keep_sealer_out(&mut *db, group_id, mark.clinic_id, mark.recorded_at).await?;
    let taken = sqlx::query!(
        "insert into cycle_receipt (group_id, cycle_id, clinic_day) values ($1, $2, $3) on conflict do nothing",
        group_id,
        mark.cycle_id,
        mark.clinic_day
    )
    .execute(&mut *db)
    .await?;
    if taken.rows_affected() == 0 {
        return Ok(false);
    }
    sqlx::query!(
        "insert into cycle_mark
             (group_id, clinic_day, cycle_id, clinic_id, subject_id, ended_at, program, recorded_at, key_id)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        group_id,
        mark.clinic_day,
        mark.cycle_id,
        mark.clinic_id,
        mark.subject_id,
        mark.ended_at,
        mark.program,
        mark.recorded_at,
        mark.key_id
    )
    .execute(db)
    .await?;
    Ok(true)
}

/// The cycle with this id.
///
/// # Errors
/// When the database does not answer.
pub async fn find(db: &mut PgConnection, group_id: Uuid, cycle_id: Uuid) -> Result<Option<CycleMark>> {
    let clinic_day = sqlx::query_scalar!(
        "select clinic_day from cycle_receipt where group_id = $1 and cycle_id = $2",
        group_id,
        cycle_id
    )
    .fetch_optional(&mut *db)
    .await?;
    let Some(clinic_day) = clinic_day else { return Ok(None) };
    Ok(sqlx::query_as!(
        CycleMark,
        "select cycle_id, clinic_day, clinic_id, subject_id, ended_at, program, recorded_at, key_id
         from cycle_mark where group_id = $1 and clinic_day = $2 and cycle_id = $3",
        group_id,
        clinic_day,
        cycle_id
    )
    .fetch_optional(db)
    .await?)
}

/// The cycles of a piece of equipment, newest first: at most so many, from before a place in that list.
///
/// # Errors
/// When the database does not answer.
pub async fn list_of_subject(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_id: Uuid,
    before: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<CycleMark>> {
    list_of_subject_since(db, group_id, subject_id, None, before, at_most).await
}

/// The same of those that ended after an instant (`None`: of all).
///
/// # Errors
/// When the database does not answer.
pub async fn list_of_subject_since(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_id: Uuid,
    since: Option<DateTime<Utc>>,
    before: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<CycleMark>> {
    let (before_at, before_id) = before.unzip();
    Ok(sqlx::query_as!(
        CycleMark,
        "select cycle_id, clinic_day, clinic_id, subject_id, ended_at, program, recorded_at, key_id
         from cycle_mark
         where group_id = $1 and subject_id = $2
           and ($3::timestamptz is null or (ended_at, cycle_id) < ($3, $4::uuid))
           and ($6::timestamptz is null or ended_at > $6)
         order by ended_at desc, cycle_id desc limit $5",
        group_id,
        subject_id,
        before_at,
        before_id,
        at_most,
        since
    )
    .fetch_all(db)
    .await?)
}

/// The cycles of the equipment that stands in the clinic now, wherever it stood then, of the clinic days from `since` to
/// `until`, by instant and then by id: they are counted by equipment, and a machine that moves keeps its count.
///
/// # Errors
/// When the database does not answer.
pub async fn list_cycles(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    (since, until): (NaiveDate, NaiveDate),
) -> Result<Vec<Cycle>> {
    Ok(sqlx::query_as!(
        Cycle,
        "select m.cycle_id as mark_id, m.subject_id, m.clinic_day, m.ended_at
         from cycle_mark m join subject s on s.group_id = m.group_id and s.subject_id = m.subject_id
         where m.group_id = $1 and s.clinic_id = $2 and m.clinic_day between $3 and $4
         order by m.ended_at, m.cycle_id",
        group_id,
        clinic_id,
        since,
        until
    )
    .fetch_all(db)
    .await?)
}

/// How many cycles each piece of equipment ran on the clinic days from the first to the day before the last.
///
/// # Errors
/// When the database does not answer.
pub async fn count_cycles(
    db: &mut PgConnection,
    group_id: Uuid,
    subject_ids: &[Uuid],
    (from, before): (NaiveDate, NaiveDate),
) -> Result<Vec<(Uuid, u32)>> {
    let rows = sqlx::query!(
        r#"select subject_id, count(*) as "count!" from cycle_mark
           where group_id = $1 and subject_id = any($2) and clinic_day >= $3 and clinic_day < $4
           group by subject_id"#,
        group_id,
        subject_ids,
        from,
        before
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.subject_id, u32::try_from(row.count).unwrap_or(u32::MAX))).collect())
}
