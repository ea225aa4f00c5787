//! The group's ladder and its versions.
//!
//! The rule of this file: a group that never set a ladder has the practice default, so there always is one.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::ladder::Ladder;
use crate::store::{Result, StoreError};

/// A ladder as it was set.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LadderVersion {
    /// 1, 2, 3 …
    pub version: i32,
    /// Its content.
    pub ladder: Ladder,
}

/// The newest ladder that was set; `None`: none was.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find_newest(db: &mut PgConnection, group_id: Uuid) -> Result<Option<LadderVersion>> {
    let row = sqlx::query!(
        "select version, rungs from ladder_version where group_id = $1 order by version desc limit 1",
        group_id
    )
    .fetch_optional(db)
    .await?;
    row.map(|row| {
        let rungs = serde_json::from_value(row.rungs)
            .map_err(|error| StoreError::bad_row("ladder_version", row.version, "rungs", error))?;
        Ok(LadderVersion { version: row.version, ladder: Ladder { rungs } })
    })
    .transpose()
}

/// The ladder in force.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn current(db: &mut PgConnection, group_id: Uuid) -> Result<Ladder> {
    Ok(find_newest(db, group_id).await?.map_or_else(Ladder::default, |newest| newest.ladder))
}

/// Appends a version. The number is the caller's to choose, in the group's turn ([`crate::store::configuration::hold`]);
/// the primary key refuses one that was given before.
///
/// # Errors
/// When the database does not answer.
pub async fn append(db: &mut PgConnection, group_id: Uuid, version: &LadderVersion, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "insert into ladder_version (group_id, version, rungs, created_at) values ($1, $2, $3, $4)",
        group_id,
        version.version,
        sqlx::types::Json(&version.ladder.rungs) as _,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}
