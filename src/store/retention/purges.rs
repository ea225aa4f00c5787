//! Purges: what may go, the act, and what was purged.
//!
//! The rule of this file: it fetches and the domain decides; then the database looks at each record again and refuses the
//! whole list for one that is not to go (`purge_records`). Nothing else deletes evidence.

use chrono::{DateTime, NaiveDate, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::retention::RecordClass;
use crate::domain::retention::purge::{Candidate, Purge, PurgedRecord, StaysBecause};
use crate::domain::seal::DaySeal;
use crate::domain::seal::record::RecordName;
use crate::store::{Result, StoreError};

/// SQLSTATE with which `purge_records` refuses.
const REFUSED: &str = "CT001";

/// Records of sealed days that may ever go, each with the day whose seal holds it. The days follow each other.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_candidates(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[DaySeal],
    today: NaiveDate,
) -> Result<Vec<Candidate>> {
    let from = days.iter().map(|seal| seal.recorded_from).min();
    let until = days.iter().map(|seal| seal.recorded_until).max();
    let rows = sqlx::query!(
        r#"select kind as "kind!", id as "id!", record_class as "record_class!", subject_id, recorded_at as "recorded_at!",
                  task_day, stays
           from purge_candidates($1, $2, $3, $4, $5)"#,
        group_id,
        clinic_id,
        from,
        until,
        today
    )
    .fetch_all(db)
    .await?;
    let mut candidates = Vec::new();
    for row in rows {
        let bad = |column, detail: &str| StoreError::bad_row("purge_candidates", &row.id, column, detail);
        let class = RecordClass::from_name(&row.record_class).ok_or_else(|| bad("record_class", &row.record_class))?;
        let stays = match row.stays.as_deref() {
            None => None,
            Some("still_stands") => Some(StaysBecause::StillStands),
            Some("last_of_its_routine") => Some(StaysBecause::LastOfItsRoutine),
            Some("still_counted") => Some(StaysBecause::StillCounted),
            Some(other) => return Err(bad("stays", other)),
        };
        let of_day = |seal: &&DaySeal| seal.recorded_from <= row.recorded_at && row.recorded_at < seal.recorded_until;
        let Some(seal) = days.iter().find(of_day) else { continue };
        candidates.push(Candidate {
            clinic_day: seal.clinic_day,
            name: RecordName { kind: row.kind, id: row.id },
            class,
            subject_id: row.subject_id,
            task_day: row.task_day,
            stays,
        });
    }
    Ok(candidates)
}

/// For each of these records that another names: the named, and the one that names it, of whatever day.
///
/// # Errors
/// When the database does not answer.
pub async fn list_naming(
    db: &mut PgConnection,
    group_id: Uuid,
    candidates: &[Candidate],
) -> Result<Vec<(RecordName, RecordName)>> {
    let (kinds, ids): (Vec<String>, Vec<String>) =
        candidates.iter().map(|candidate| (candidate.name.kind.clone(), candidate.name.id.clone())).unzip();
    let days: Vec<Option<NaiveDate>> = candidates.iter().map(|candidate| candidate.task_day).collect();
    let rows = sqlx::query!(
        r#"select kind as "kind!", id as "id!", by_kind as "by_kind!", by_id as "by_id!"
           from records_naming($1, $2, $3, $4)"#,
        group_id,
        &kinds,
        &ids,
        &days as &[Option<NaiveDate>]
    )
    .fetch_all(db)
    .await?;
    let pair = |kind, id, by_kind, by_id| (RecordName { kind, id }, RecordName { kind: by_kind, id: by_id });
    Ok(rows.into_iter().map(|row| pair(row.kind, row.id, row.by_kind, row.by_id)).collect())
}

/// An act of purging that is to be done.
#[derive(Clone, Debug)]
pub struct Act<'a> {
    /// Made by the client.
    pub purge_id: Uuid,
    /// Whose records go.
    pub clinic_id: Uuid,
    /// What was asked to go; `None`: every class.
    pub record_class: Option<RecordClass>,
    /// Seals from this clinic day to that.
    pub days: (NaiveDate, NaiveDate),
    /// The clinic day it is done on.
    pub purged_on: NaiveDate,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// Why.
    pub reason: &'a str,
    /// Who.
    pub staff_id: Uuid,
    /// That person's name.
    pub purged_by: &'a str,
    /// The device.
    pub key_id: Uuid,
    /// What goes.
    pub going: &'a [Candidate],
}

/// What became of an act.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It is done.
    Purged,
    /// The database refused it, for this reason; the transaction is of no more use.
    Refused(String),
}

/// Purges records of sealed days and keeps who, when, why and what.
///
/// # Errors
/// When the database does not answer.
pub async fn purge(db: &mut PgConnection, group_id: Uuid, act: &Act<'_>) -> Result<Outcome> {
    let (kinds, ids): (Vec<String>, Vec<String>) =
        act.going.iter().map(|candidate| (candidate.name.kind.clone(), candidate.name.id.clone())).unzip();
    let days: Vec<NaiveDate> = act.going.iter().map(|candidate| candidate.clinic_day).collect();
    let done = sqlx::query!(
        "select purge_records($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15)",
        group_id,
        act.clinic_id,
        act.purge_id,
        act.record_class.map(RecordClass::as_str),
        act.days.0,
        act.days.1,
        act.purged_on,
        act.recorded_at,
        act.reason,
        act.staff_id,
        act.purged_by,
        act.key_id,
        &kinds,
        &ids,
        &days
    )
    .fetch_one(db)
    .await;
    match done {
        Ok(_) => Ok(Outcome::Purged),
        Err(sqlx::Error::Database(error)) if error.code().as_deref() == Some(REFUSED) => {
            Ok(Outcome::Refused(error.message().to_owned()))
        }
        Err(error) => Err(error.into()),
    }
}

struct Row {
    purge_id: Uuid,
    clinic_id: Uuid,
    record_class: Option<String>,
    from_on: NaiveDate,
    until_on: NaiveDate,
    purged_on: NaiveDate,
    record_count: i32,
    days: Value,
    classes: Value,
    reason: String,
    staff_id: Uuid,
    purged_by: String,
    recorded_at: DateTime<Utc>,
    key_id: Uuid,
}

impl TryFrom<Row> for Purge {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let bad = |column, detail: String| StoreError::bad_row("purge", row.purge_id, column, detail);
        let class = |name: &String| RecordClass::from_name(name).ok_or_else(|| bad("record_class", name.clone()));
        Ok(Self {
            record_class: row.record_class.as_ref().map(class).transpose()?,
            record_count: usize::try_from(row.record_count).map_err(|error| bad("record_count", error.to_string()))?,
            days: serde_json::from_value(row.days).map_err(|error| bad("days", error.to_string()))?,
            classes: serde_json::from_value(row.classes).map_err(|error| bad("classes", error.to_string()))?,
            purge_id: row.purge_id,
            clinic_id: row.clinic_id,
            from_on: row.from_on,
            until_on: row.until_on,
            purged_on: row.purged_on,
            reason: row.reason,
            staff_id: row.staff_id,
            purged_by: row.purged_by,
            recorded_at: row.recorded_at,
            key_id: row.key_id,
        })
    }
}

/// The purge with this id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, purge_id: Uuid) -> Result<Option<Purge>> {
    let row = sqlx::query_as!(
        Row,
        "select purge_id, clinic_id, record_class, from_on, until_on, purged_on, record_count, days, classes, reason,
                staff_id, purged_by, recorded_at, key_id
         from purge where group_id = $1 and purge_id = $2",
        group_id,
        purge_id
    )
    .fetch_optional(db)
    .await?;
    row.map(Purge::try_from).transpose()
}

/// The purges of a clinic, the newest first: at most so many, from before a place in that list.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_of_clinic(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    before: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<Purge>> {
    let (before_at, before_id) = before.unzip();
    let rows = sqlx::query_as!(
        Row,
        "select purge_id, clinic_id, record_class, from_on, until_on, purged_on, record_count, days, classes, reason,
                staff_id, purged_by, recorded_at, key_id
         from purge
         where group_id = $1 and clinic_id = $2
           and ($3::timestamptz is null or (recorded_at, purge_id) < ($3, $4::uuid))
         order by recorded_at desc, purge_id desc limit $5",
        group_id,
        clinic_id,
        before_at,
        before_id,
        at_most
    )
    .fetch_all(db)
    .await?;
    rows.into_iter().map(Purge::try_from).collect()
}

/// The ids of purges that looked at any day from one to another.
///
/// # Errors
/// When the database does not answer.
pub async fn list_ids_over(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    (from, until): (NaiveDate, NaiveDate),
) -> Result<Vec<Uuid>> {
    Ok(sqlx::query_scalar!(
        "select purge_id from purge
         where group_id = $1 and clinic_id = $2 and from_on <= $4 and until_on >= $3 order by recorded_at, purge_id",
        group_id,
        clinic_id,
        from,
        until
    )
    .fetch_all(db)
    .await?)
}

/// What was purged of the seals from one clinic day to another, by day, kind and id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_purged(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    (from, until): (NaiveDate, NaiveDate),
) -> Result<Vec<PurgedRecord>> {
    let rows = sqlx::query!(
        "select purge_id, clinic_day, kind, id, leaf from purge_entry
         where group_id = $1 and clinic_id = $2 and clinic_day between $3 and $4 order by clinic_day, kind, id",
        group_id,
        clinic_id,
        from,
        until
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let leaf = crate::store::seals::hash("purge_entry", &row.id, "leaf", &row.leaf)?;
            let name = RecordName { kind: row.kind, id: row.id };
            Ok(PurgedRecord { purge_id: row.purge_id, clinic_day: row.clinic_day, name, leaf })
        })
        .collect()
}

/// At which clinic a purge took a record of this name, if one did.
///
/// # Errors
/// When the database does not answer.
pub async fn find_clinic_of_record(db: &mut PgConnection, group_id: Uuid, name: &RecordName) -> Result<Option<Uuid>> {
    Ok(sqlx::query_scalar!(
        "select clinic_id from purge_entry where group_id = $1 and kind = $2 and id = $3 limit 1",
        group_id,
        name.kind,
        name.id
    )
    .fetch_optional(db)
    .await?)
}

/// Which purge took a record, if one did.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find_of_record(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    clinic_day: NaiveDate,
    name: &RecordName,
) -> Result<Option<Purge>> {
    let purge_id = sqlx::query_scalar!(
        "select purge_id from purge_entry
         where group_id = $1 and clinic_id = $2 and clinic_day = $3 and kind = $4 and id = $5",
        group_id,
        clinic_id,
        clinic_day,
        name.kind,
        name.id
    )
    .fetch_optional(&mut *db)
    .await?;
    match purge_id {
        Some(purge_id) => find(db, group_id, purge_id).await,
        None => Ok(None),
    }
}
