//! Answers already given under an Idempotency-Key (IETF draft-ietf-httpapi-idempotency-key-header-07).

use chrono::{DateTime, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::Uuid;

use super::Result;

/// An answer given before.
#[derive(Debug)]
pub struct Answered {
    /// Hash of the request it answered.
    pub request_hash: Vec<u8>,
    /// Its status code.
    pub status: i16,
    /// Its body.
    pub body: Value,
}

/// Holds the key until the transaction ends; `false` when another request holds it and does not let go within two
/// seconds. The wait spares most callers a refusal: the first request ends, and its answer is there.
///
/// # Errors
/// When the database does not answer.
pub async fn hold(db: &mut PgConnection, group_id: Uuid, key_id: Uuid, key: &str) -> Result<bool> {
    let name = format!("idempotency {group_id} {key_id} {key}");
    sqlx::query!("select set_config('lock_timeout', '2s', true) as limited").fetch_one(&mut *db).await?;
    let held =
        sqlx::query!("select pg_advisory_xact_lock(hashtextextended($1, 0)) as held", name).fetch_one(&mut *db).await;
    match held {
        Err(sqlx::Error::Database(error)) if error.code().as_deref() == Some(LOCK_NOT_AVAILABLE) => Ok(false),
        Err(error) => Err(error.into()),
        Ok(_) => {
            sqlx::query!("select set_config('lock_timeout', '0', true) as unlimited").fetch_one(db).await?;
            Ok(true)
        }
    }
}

/// SQLSTATE `lock_not_available`.
const LOCK_NOT_AVAILABLE: &str = "55P03";

/// The answer given before under the key.
///
/// # Errors
/// When the database does not answer.
pub async fn find(db: &mut PgConnection, group_id: Uuid, key_id: Uuid, key: &str) -> Result<Option<Answered>> {
    Ok(sqlx::query_as!(
        Answered,
        "select request_hash, status, body from idempotent_answer
         where group_id = $1 and key_id = $2 and idempotency_key = $3",
        group_id,
        key_id,
        key
    )
    .fetch_optional(db)
    .await?)
}

/// Keeps an answer.
///
/// # Errors
/// When the database does not answer.
pub async fn insert(
    db: &mut PgConnection,
    group_id: Uuid,
    key_id: Uuid,
    key: &str,
    answer: &Answered,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "insert into idempotent_answer (group_id, key_id, idempotency_key, request_hash, status, body, answered_at)
         values ($1, $2, $3, $4, $5, $6, $7)",
        group_id,
        key_id,
        key,
        answer.request_hash,
        answer.status,
        answer.body,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}
