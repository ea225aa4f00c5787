//! What stands on a clinic's days: when each required task is due, and how long it takes.
//!
//! The rule of this file: it reads what a load is made of and sums nothing, since which day an instant falls on is
//! for the zone to say, and no SQL resolves local time.

use chrono::{DateTime, Days, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::load::{Weight, Weights};
use crate::domain::task::TaskId;
use crate::store::{Result, StoreError, WINDOW_DAYS};

/// The longest a task's window begins before its clinic day ends, or a period before its last date.
const LONGEST_AHEAD_DAYS: u64 = 366;

/// The required tasks of a clinic that are due from `from_at` on and before `until_at`.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    (from_at, until_at): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Weights> {
    // The clinic days rule out partitions.
    let rows = sqlx::query!(
        "select task_id, due_by, rough_minutes from task
         where group_id = $1 and clinic_id = $2 and clinic_day between $3 and $4
           and due_by >= $5 and due_by < $6 and outcome is distinct from 'not_required'",
        group_id,
        clinic_id,
        from_at.date_naive() - Days::new(WINDOW_DAYS),
        until_at.date_naive() + Days::new(LONGEST_AHEAD_DAYS),
        from_at,
        until_at
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let bad = |column, detail: &str| StoreError::bad_row("task", row.task_id, column, detail);
            let id = TaskId::from_uuid(row.task_id).ok_or_else(|| bad("task_id", "no derived id"))?;
            let minutes = u32::try_from(row.rough_minutes).map_err(|_| bad("rough_minutes", "negative"))?;
            Ok((id, Weight { due_by: row.due_by, rough_minutes: minutes }))
        })
        .collect()
}
