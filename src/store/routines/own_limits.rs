//! Limits that the group, a maker or a clinic sets beside those of a routine's step.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::evidence::OwnLimit;
use crate::domain::limit::Limit;
use crate::store::{Result, StoreError};

/// Limits for one step, as somebody set them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OwnLimits {
    /// Their identity.
    pub own_limit_id: Uuid,
    /// The clinic they hold for; `None`: the whole group.
    pub clinic_id: Option<Uuid>,
    /// The routine.
    pub routine_id: Uuid,
    /// Its step.
    pub step_key: String,
    /// The limits.
    pub limits: Vec<Limit>,
    /// Why they were set.
    pub reason: String,
}

struct Row {
    own_limit_id: Uuid,
    clinic_id: Option<Uuid>,
    routine_id: Uuid,
    step_key: String,
    limits: serde_json::Value,
    reason: String,
}

impl TryFrom<Row> for OwnLimits {
    type Error = StoreError;

    fn try_from(row: Row) -> Result<Self> {
        Ok(Self {
            limits: serde_json::from_value(row.limits)
                .map_err(|error| StoreError::bad_row("own_limit", row.own_limit_id, "limits", error))?,
            own_limit_id: row.own_limit_id,
            clinic_id: row.clinic_id,
            routine_id: row.routine_id,
            step_key: row.step_key,
            reason: row.reason,
        })
    }
}

/// Keeps limits as they are now.
///
/// # Errors
/// When the database does not answer.
pub async fn save(db: &mut PgConnection, group_id: Uuid, own: &OwnLimits, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "insert into own_limit (group_id, own_limit_id, clinic_id, routine_id, step_key, limits, reason, created_at,
                                updated_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $8)
         on conflict (group_id, own_limit_id) do update
         set limits = excluded.limits, reason = excluded.reason, updated_at = excluded.updated_at",
        group_id,
        own.own_limit_id,
        own.clinic_id,
        own.routine_id,
        own.step_key,
        sqlx::types::Json(&own.limits) as _,
        own.reason,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// The limits with this identity.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(db: &mut PgConnection, group_id: Uuid, own_limit_id: Uuid) -> Result<Option<OwnLimits>> {
    sqlx::query_as!(
        Row,
        "select own_limit_id, clinic_id, routine_id, step_key, limits, reason from own_limit
         where group_id = $1 and own_limit_id = $2",
        group_id,
        own_limit_id
    )
    .fetch_optional(db)
    .await?
    .map(OwnLimits::try_from)
    .transpose()
}

/// Every one of the group.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list(db: &mut PgConnection, group_id: Uuid) -> Result<Vec<OwnLimits>> {
    sqlx::query_as!(
        Row,
        "select own_limit_id, clinic_id, routine_id, step_key, limits, reason from own_limit
         where group_id = $1 order by routine_id, step_key, clinic_id nulls first, own_limit_id",
        group_id
    )
    .fetch_all(db)
    .await?
    .into_iter()
    .map(OwnLimits::try_from)
    .collect()
}

/// The limits that hold at a clinic beside those of a routine's steps.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list_for(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    routine_id: Uuid,
) -> Result<Vec<OwnLimit>> {
    let rows = sqlx::query_as!(
        Row,
        "select own_limit_id, clinic_id, routine_id, step_key, limits, reason from own_limit
         where group_id = $1 and routine_id = $2 and (clinic_id is null or clinic_id = $3)
         order by own_limit_id",
        group_id,
        routine_id,
        clinic_id
    )
    .fetch_all(db)
    .await?;
    let mut all = Vec::new();
    for row in rows {
        let OwnLimits { step_key, limits, .. } = row.try_into()?;
        all.extend(limits.into_iter().map(|limit| OwnLimit { step: step_key.clone(), limit }));
    }
    Ok(all)
}

/// How many the group has for one step of a routine.
///
/// # Errors
/// When the database does not answer.
pub async fn count_of_step(db: &mut PgConnection, group_id: Uuid, routine_id: Uuid, step_key: &str) -> Result<i64> {
    Ok(sqlx::query_scalar!(
        r#"select count(*) as "count!" from own_limit where group_id = $1 and routine_id = $2 and step_key = $3"#,
        group_id,
        routine_id,
        step_key
    )
    .fetch_one(db)
    .await?)
}
