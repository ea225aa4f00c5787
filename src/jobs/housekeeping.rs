//! The loop that keeps the store going: month partitions before they are needed, this instance's pulse, and answers
//! forgotten after the time they were promised for.
//!
//! The rule of this file: everything in a tick may be done twice, and by any number of instances at once.

use chrono::{DateTime, Days, TimeDelta, Utc};
use sqlx::PgPool;

use super::Jobs;
use crate::store;

/// How far back partitions stand: a window may be open a hundred days after its clinic day.
const PARTITIONS_BEHIND: Days = Days::new(130);

/// How far ahead partitions stand: the longest horizon, the longest window, and the last date of a year that holds it.
const PARTITIONS_AHEAD: Days = Days::new(130 + 366);

/// How long the answer to a request with an Idempotency-Key is kept; the API document says so too.
pub const ANSWERS_KEPT: TimeDelta = TimeDelta::days(7);

/// How long an instance that does not tick is remembered.
const PULSES_KEPT: TimeDelta = TimeDelta::days(1);

/// What a tick did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kept {
    /// Partitions made.
    pub partitions_made: i32,
    /// Answers forgotten.
    pub answers_forgotten: i64,
}

/// Does what is to be done now.
///
/// # Errors
/// When the database does not answer.
pub async fn tick(jobs: &Jobs) -> store::Result<Kept> {
    let now = jobs.clock.now();
    let partitions_made = make_partitions(&jobs.pool, now).await?;

    let mut tx = store::begin_without_tenant(&jobs.pool).await?;
    store::housekeeping::save_pulse(&mut tx, jobs.instance_id, &jobs.zone_data, now).await?;
    store::housekeeping::forget_pulses(&mut tx, now - PULSES_KEPT).await?;
    let answers_forgotten = store::housekeeping::forget_idempotent_answers(&mut tx, now - ANSWERS_KEPT).await?;
    tx.commit().await?;
    Ok(Kept { partitions_made, answers_forgotten })
}

/// Makes the partitions that a write at `now` may need; answers how many were missing. A transaction of its own,
/// because new tables are locked until it ends.
///
/// # Errors
/// When the database does not answer.
pub async fn make_partitions(pool: &PgPool, now: DateTime<Utc>) -> store::Result<i32> {
    let today = now.date_naive();
    let mut tx = store::begin_without_tenant(pool).await?;
    let made =
        store::housekeeping::ensure_partitions(&mut tx, today - PARTITIONS_BEHIND, today + PARTITIONS_AHEAD).await?;
    tx.commit().await?;
    if made > 0 {
        tracing::info!(made, "month partitions made");
    }
    Ok(made)
}
