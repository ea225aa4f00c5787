//! API keys: who may call.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError};
use crate::domain::access::{Reach, Role};

/// A key's record; the secret is not in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Key {
    /// Its identity.
    pub key_id: Uuid,
    /// What the administrator calls it.
    pub label: String,
    /// What it may do.
    pub role: Role,
    /// How far it reaches.
    pub reach: Reach,
    /// Several people use the device that holds it.
    pub shared: bool,
    /// When it was made.
    pub created_at: DateTime<Utc>,
    /// When it was revoked.
    pub revoked_at: Option<DateTime<Utc>>,
    /// When it was last used, to the minute.
    pub last_used_at: Option<DateTime<Utc>>,
}

struct Row {
    key_id: Uuid,
    label: String,
    role: String,
    reach: String,
    clinic_ids: Vec<Uuid>,
    operatory_id: Option<Uuid>,
    shared: bool,
    created_at: DateTime<Utc>,
    revoked_at: Option<DateTime<Utc>>,
    last_used_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for Key {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        let role = Role::ALL
            .into_iter()
            .find(|r| r.as_str() == row.role)
            .ok_or_else(|| StoreError::bad_row("api_key", row.key_id, "role", &row.role))?;
        let reach = match (row.reach.as_str(), row.operatory_id) {
            ("group", _) => Reach::Group {},
            ("clinics", _) => Reach::Clinics { clinic_ids: row.clinic_ids },
            ("operatory", Some(operatory_id)) => Reach::Operatory { operatory_id },
            _ => return Err(StoreError::bad_row("api_key", row.key_id, "reach", &row.reach)),
        };
        Ok(Self {
            key_id: row.key_id,
            label: row.label,
            role,
            reach,
            shared: row.shared,
            created_at: row.created_at,
            revoked_at: row.revoked_at,
            last_used_at: row.last_used_at,
        })
    }
}

/// The key with this secret, revoked or not.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find_by_secret(db: &mut PgConnection, group_id: Uuid, secret_hash: &[u8]) -> Result<Option<Key>> {
    sqlx::query_as!(
        Row,
        "select key_id, label, role, reach, clinic_ids, operatory_id, shared, created_at, revoked_at, last_used_at
         from api_key where group_id = $1 and secret_hash = $2",
        group_id,
        secret_hash
    )
    .fetch_optional(db)
    .await?
    .map(Key::try_from)
    .transpose()
}

/// The key with this id.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, key_id: Uuid) -> Result<Option<Key>> {
    sqlx::query_as!(
        Row,
        "select key_id, label, role, reach, clinic_ids, operatory_id, shared, created_at, revoked_at, last_used_at
         from api_key where group_id = $1 and key_id = $2",
        group_id,
        key_id
    )
    .fetch_optional(db)
    .await?
    .map(Key::try_from)
    .transpose()
}

/// Every key of the group, oldest first.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list(db: &mut PgConnection, group_id: Uuid) -> Result<Vec<Key>> {
    sqlx::query_as!(
        Row,
        "select key_id, label, role, reach, clinic_ids, operatory_id, shared, created_at, revoked_at, last_used_at
         from api_key where group_id = $1 order by created_at, key_id",
        group_id
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(Key::try_from)
    .collect()
}

/// Keeps a new key with the hash of its secret; `false` when the id stands already.
///
/// # Errors
/// When the database does not answer.
pub async fn insert(db: &mut PgConnection, group_id: Uuid, key: &Key, secret_hash: &[u8]) -> Result<bool> {
    let (reach, clinic_ids, operatory_id) = match &key.reach {
        Reach::Group {} => ("group", Vec::new(), None),
        Reach::Clinics { clinic_ids } => ("clinics", clinic_ids.clone(), None),
        Reach::Operatory { operatory_id } => ("operatory", Vec::new(), Some(*operatory_id)),
    };
    let done = sqlx::query!(
        "insert into api_key (group_id, key_id, label, role, reach, clinic_ids, operatory_id, secret_hash, created_at,
                              shared)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10) on conflict (group_id, key_id) do nothing",
        group_id,
        key.key_id,
        key.label,
        key.role.as_str(),
        reach,
        &clinic_ids,
        operatory_id,
        secret_hash,
        key.created_at,
        key.shared
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Revokes a key; a second time changes nothing.
///
/// # Errors
/// When the database does not answer.
pub async fn revoke(db: &mut PgConnection, group_id: Uuid, key_id: Uuid, now: DateTime<Utc>) -> Result<bool> {
    let done = sqlx::query!(
        "update api_key set revoked_at = $3 where group_id = $1 and key_id = $2 and revoked_at is null",
        group_id,
        key_id,
        now
    )
    .execute(db)
    .await?;
    Ok(done.rows_affected() == 1)
}

/// Notes a use, at most once a minute.
///
/// # Errors
/// When the database does not answer.
pub async fn touch(db: &mut PgConnection, group_id: Uuid, key_id: Uuid, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "update api_key set last_used_at = $3
         where group_id = $1 and key_id = $2 and (last_used_at is null or last_used_at < $3::timestamptz - interval '1 minute')",
        group_id,
        key_id,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}
