//! Routines and their versions.
//!
//! The rule of this file: a version is appended and never changed, since past clinic days are judged by it.

pub mod ladders;
pub mod own_limits;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError};
use crate::domain::plan::because::RoutineNames;
use crate::domain::routine::RoutineVersion;

struct Row {
    routine_id: Uuid,
    version: i32,
    effective_on: NaiveDate,
    definition: Value,
}

impl TryFrom<Row> for RoutineVersion {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let routine = serde_json::from_value(row.definition).map_err(|error| {
            let key = format!("{} version {}", row.routine_id, row.version);
            StoreError::bad_row("routine_version", key, "definition", error)
        })?;
        Ok(Self { routine_id: row.routine_id, version: row.version, effective_on: row.effective_on, routine })
    }
}

/// Every routine of the group with the versions that are in force on some day from `since` on, oldest version first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_since(db: &mut PgConnection, group_id: Uuid, since: NaiveDate) -> Result<Vec<Vec<RoutineVersion>>> {
    let versions = sqlx::query_as!(
        Row,
        "select v.routine_id, v.version, v.effective_on, v.definition from routine_version v
         where v.group_id = $1 and v.version >= coalesce(
             (select max(earlier.version) from routine_version earlier
              where earlier.group_id = $1 and earlier.routine_id = v.routine_id and earlier.effective_on <= $2), 0)
         order by v.routine_id, v.version",
        group_id,
        since
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(RoutineVersion::try_from)
    .collect::<Result<Vec<_>>>()?;
    Ok(versions.chunk_by(|a, b| a.routine_id == b.routine_id).map(<[_]>::to_vec).collect())
}

/// What these routines are called in their latest version.
///
/// # Errors
/// When the database does not answer.
pub async fn names(db: &mut PgConnection, group_id: Uuid, routine_ids: &BTreeSet<Uuid>) -> Result<RoutineNames> {
    if routine_ids.is_empty() {
        return Ok(RoutineNames::default());
    }
    let ids: Vec<Uuid> = routine_ids.iter().copied().collect();
    let rows = sqlx::query!(
        r#"select distinct on (routine_id) routine_id, definition ->> 'name' as "name!" from routine_version
           where group_id = $1 and routine_id = any($2) order by routine_id, version desc"#,
        group_id,
        &ids
    )
    .fetch_all(db)
    .await?;
    Ok(RoutineNames(rows.into_iter().map(|row| (row.routine_id, row.name)).collect()))
}

/// The first day of each routine's first version.
///
/// # Errors
/// When the database does not answer.
pub async fn first_days(db: &mut PgConnection, group_id: Uuid) -> Result<BTreeMap<Uuid, NaiveDate>> {
    let rows = sqlx::query!(
        "select routine_id, effective_on from routine_version where group_id = $1 and version = 1",
        group_id
    )
    .fetch_all(db)
    .await?;
    Ok(rows.into_iter().map(|row| (row.routine_id, row.effective_on)).collect())
}

/// How many routines the group has.
///
/// # Errors
/// When the database does not answer.
pub async fn count(db: &mut PgConnection, group_id: Uuid) -> Result<i64> {
    Ok(sqlx::query_scalar!(r#"select count(*) as "count!" from routine where group_id = $1"#, group_id)
        .fetch_one(db)
        .await?)
}

/// The newest version of every routine of the group, by name.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_newest(db: &mut PgConnection, group_id: Uuid) -> Result<Vec<RoutineVersion>> {
    sqlx::query_as!(
        Row,
        r#"select routine_id as "routine_id!", version as "version!", effective_on as "effective_on!",
                  definition as "definition!"
           from (select distinct on (routine_id) routine_id, version, effective_on, definition
                 from routine_version where group_id = $1 order by routine_id, version desc) as newest
           order by definition ->> 'name', routine_id"#,
        group_id
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(RoutineVersion::try_from)
    .collect()
}

/// The newest version of a routine.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find_newest(db: &mut PgConnection, group_id: Uuid, routine_id: Uuid) -> Result<Option<RoutineVersion>> {
    sqlx::query_as!(
        Row,
        "select routine_id, version, effective_on, definition from routine_version
         where group_id = $1 and routine_id = $2 order by version desc limit 1",
        group_id,
        routine_id
    )
    .fetch_optional(db)
    .await?
    .map(RoutineVersion::try_from)
    .transpose()
}

/// All versions of a routine, oldest first; empty when there is no such routine.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn versions(db: &mut PgConnection, group_id: Uuid, routine_id: Uuid) -> Result<Vec<RoutineVersion>> {
    sqlx::query_as!(
        Row,
        "select routine_id, version, effective_on, definition from routine_version
         where group_id = $1 and routine_id = $2 order by version",
        group_id,
        routine_id
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(RoutineVersion::try_from)
    .collect()
}

/// Appends a version, and the routine with its first one. The number is the caller's to choose, in the group's turn
/// ([`super::configuration::hold`]); the primary key refuses one that was given before.
///
/// # Errors
/// When the database does not answer.
pub async fn append_version(
    db: &mut PgConnection,
    group_id: Uuid,
    version: &RoutineVersion,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "insert into routine (group_id, routine_id, created_at) values ($1, $2, $3)
         on conflict (group_id, routine_id) do nothing",
        group_id,
        version.routine_id,
        now
    )
    .execute(&mut *db)
    .await?;
    sqlx::query!(
        "insert into routine_version (group_id, routine_id, version, effective_on, definition, created_at)
         values ($1, $2, $3, $4, $5, $6)",
        group_id,
        version.routine_id,
        version.version,
        version.effective_on,
        sqlx::types::Json(&version.routine) as _,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}
