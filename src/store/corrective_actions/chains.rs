//! The group's chains and their versions.
//!
//! The rule of this file: there always is a chain of each kind. A group that set none has the one that is shipped, whose
//! version is 0.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::chain::defaults::shipped;
use crate::domain::chain::{Chain, ChainKind};
use crate::store::{Result, StoreError};

/// A chain as it was set.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChainVersion {
    /// What fails.
    pub kind: ChainKind,
    /// 1, 2, 3 …; 0: the shipped one.
    pub version: i32,
    /// Its content.
    pub chain: Chain,
}

/// The chain of a kind that is in force.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn current(db: &mut PgConnection, group_id: Uuid, kind: ChainKind) -> Result<ChainVersion> {
    let newest = list_versions(db, group_id, kind, 1).await?.pop();
    Ok(newest.unwrap_or_else(|| ChainVersion { kind, version: 0, chain: shipped(kind).clone() }))
}

/// The versions of a kind that the group set, the newest first: at most so many.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_versions(
    db: &mut PgConnection,
    group_id: Uuid,
    kind: ChainKind,
    at_most: i64,
) -> Result<Vec<ChainVersion>> {
    let rows = sqlx::query!(
        "select version, definition from corrective_chain_version
         where group_id = $1 and kind = $2 order by version desc limit $3",
        group_id,
        kind.as_str(),
        at_most
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let chain = serde_json::from_value(row.definition)
                .map_err(|error| StoreError::bad_row("corrective_chain_version", row.version, "definition", error))?;
            Ok(ChainVersion { kind, version: row.version, chain })
        })
        .collect()
}

/// Appends a version. The number is the caller's to choose, in the group's turn ([`crate::store::configuration::hold`]); the
/// primary key refuses one that was given before.
///
/// # Errors
/// When the database does not answer.
pub async fn append(db: &mut PgConnection, group_id: Uuid, version: &ChainVersion, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "insert into corrective_chain_version (group_id, kind, version, definition, created_at)
         values ($1, $2, $3, $4, $5)",
        group_id,
        version.kind.as_str(),
        version.version,
        sqlx::types::Json(&version.chain) as _,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}
