//! The log of what happened, written in the transaction that made it happen.

use chrono::{DateTime, Utc};
use serde_json::Value;
use sqlx::PgConnection;
use uuid::{ContextV7, Timestamp, Uuid};

use super::{Result, utc_day};
use crate::domain::event::EventKind;

/// Appends one event.
///
/// # Errors
/// When the database does not answer.
pub async fn append(
    db: &mut PgConnection,
    group_id: Uuid,
    kind: EventKind,
    clinic_id: Option<Uuid>,
    body: &Value,
    now: DateTime<Utc>,
) -> Result<()> {
    sqlx::query!(
        "insert into event (group_id, recorded_on, event_id, recorded_at, kind, clinic_id, body)
         values ($1, $2, $3, $4, $5, $6, $7)",
        group_id,
        utc_day(now),
        time_ordered_id(now),
        now,
        kind.as_str(),
        clinic_id,
        body
    )
    .execute(db)
    .await?;
    Ok(())
}

/// A version 7 UUID of our own clock's instant, so that a manual clock orders events too.
fn time_ordered_id(now: DateTime<Utc>) -> Uuid {
    let seconds = u64::try_from(now.timestamp()).unwrap_or(0);
    Uuid::new_v7(Timestamp::from_unix(ContextV7::new(), seconds, now.timestamp_subsec_nanos()))
}
