//! What the planner must look at, and when.
//!
//! The rule of this file: a change that can move a plan marks it in its own transaction, so that no change is ever
//! kept without its plan being due.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::Result;

/// Makes one clinic's plan due at `now`, unless it is due sooner.
///
/// # Errors
/// When the database does not answer.
pub async fn mark_clinic(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!(
        "update clinic_plan set plan_due_at = least(plan_due_at, $3) where group_id = $1 and clinic_id = $2",
        group_id,
        clinic_id,
        now
    )
    .execute(db)
    .await?;
    Ok(())
}

/// Makes the plan of every clinic of the group due at `now`, unless it is due sooner.
///
/// # Errors
/// When the database does not answer.
pub async fn mark_group(db: &mut PgConnection, group_id: Uuid, now: DateTime<Utc>) -> Result<()> {
    sqlx::query!("update clinic_plan set plan_due_at = least(plan_due_at, $2) where group_id = $1", group_id, now)
        .execute(db)
        .await?;
    Ok(())
}
