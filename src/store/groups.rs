//! The tenants themselves.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Result;

/// A group: the owner of several clinics.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Group {
    /// Its identity.
    pub group_id: Uuid,
    /// Its name.
    pub name: String,
    /// When it was made.
    pub created_at: DateTime<Utc>,
}

/// The group, if it exists.
///
/// # Errors
/// When the database does not answer.
pub async fn find(db: &mut PgConnection, group_id: Uuid) -> Result<Option<Group>> {
    Ok(sqlx::query_as!(Group, "select group_id, name, created_at from dental_group where group_id = $1", group_id)
        .fetch_optional(db)
        .await?)
}

/// Keeps a new group; `false` when the id stands already.
///
/// # Errors
/// When the database does not answer.
pub async fn insert(db: &mut PgConnection, group: &Group) -> Result<bool> {
    let done = sqlx::query!(
        "insert into dental_group (group_id, name, created_at) values ($1, $2, $3) on conflict (group_id) do nothing",
        group.group_id,
        group.name,
        group.created_at
    )
    .execute(&mut *db)
    .await?;
    super::tasks::misses::insert_watch(db, group.group_id, group.created_at).await?;
    Ok(done.rows_affected() == 1)
}
