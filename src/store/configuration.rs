//! One change of a group's configuration at a time.
//!
//! The rule of this file: whoever changes configuration holds the group's turn first. Such changes are few, and in
//! turn each of them can read, compare and write without a second writer between: no number is given twice, and
//! "created" is answered once. The planner and the chair never wait here.

use sqlx::PgConnection;
use uuid::Uuid;

use super::Result;

/// Waits for the group's turn and holds it until the transaction ends.
///
/// An advisory lock and not a row's: it also covers what does not exist yet, and the service's role has no right to
/// update (so none to lock) the rows of a history that is only appended to.
///
/// # Errors
/// When the database does not answer.
pub async fn hold(db: &mut PgConnection, group_id: Uuid) -> Result<()> {
    sqlx::query!("select pg_advisory_xact_lock(hashtextextended($1, 0))", format!("configuration {group_id}"))
        .fetch_one(db)
        .await?;
    Ok(())
}

/// Marks the place in the transaction that [`take_back`] returns to.
///
/// # Errors
/// When the database does not answer.
pub async fn mark(db: &mut PgConnection) -> Result<()> {
    sqlx::query("savepoint before_change").execute(db).await?;
    Ok(())
}

/// Takes back what was done since [`mark`], in the same turn: what is read from then on is what stood before.
///
/// # Errors
/// When the database does not answer.
pub async fn take_back(db: &mut PgConnection) -> Result<()> {
    sqlx::query("rollback to savepoint before_change").execute(db).await?;
    Ok(())
}
