//! Opens an action for each missed task of a routine that asks for one.
//!
//! The rule of this loop: a miss is noted once, because the action's id is derived from the task. It may be killed at any
//! instant and run by any number of instances: a group is claimed with `FOR UPDATE SKIP LOCKED`, and what was noted and
//! how far the group was looked through are one transaction.

use chrono::TimeDelta;
use sqlx::PgPool;
use uuid::Uuid;

use crate::clock::Clock;
use crate::store::tasks::misses;
use crate::store::{self, StoreError};

/// Between two looks at a group.
const PAUSE: TimeDelta = TimeDelta::minutes(1);

/// How long a group in which a miss could not be noted is left alone before the next try.
const RETRY: TimeDelta = TimeDelta::minutes(5);

/// Groups looked at in one round; more wait for the next.
const GROUPS_PER_ROUND: i32 = 100;

/// Misses noted in one transaction.
const MISSES_AT_ONCE: i64 = 100;

/// What one tick did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Report {
    /// Misses that opened an action.
    pub opened: usize,
    /// Groups in which something stood in the way.
    pub failed: usize,
}

/// Looks through every group that is due.
///
/// # Errors
/// When the database does not answer. A group in which a miss cannot be noted is left for later.
pub async fn tick(pool: &PgPool, clock: &Clock) -> Result<Report, StoreError> {
    let mut tx = store::begin_without_tenant(pool).await?;
    let groups = misses::list_groups(&mut tx, clock.now(), GROUPS_PER_ROUND).await?;
    tx.commit().await?;
    let mut report = Report::default();
    for group_id in groups {
        loop {
            match look(pool, clock, group_id).await {
                Ok(Some((opened, is_all))) => {
                    report.opened += opened;
                    if is_all {
                        break;
                    }
                }
                Ok(None) => break,
                Err(error) => {
                    tracing::error!(%group_id, %error, "missed tasks cannot be noted");
                    report.failed += 1;
                    let now = clock.now();
                    // When the database is away, this fails too, and that ends the tick.
                    let mut tx = store::begin(pool, group_id).await?;
                    if let Some(looked_until) = misses::claim(&mut tx, group_id, now).await? {
                        misses::save_looked(&mut tx, group_id, looked_until.unwrap_or(now), now + RETRY).await?;
                    }
                    tx.commit().await?;
                    break;
                }
            }
        }
    }
    Ok(report)
}

/// Notes misses of the group, if it is due and free: how many, and whether those were all.
async fn look(pool: &PgPool, clock: &Clock, group_id: Uuid) -> Result<Option<(usize, bool)>, StoreError> {
    let now = clock.now();
    let mut tx = store::begin(pool, group_id).await?;
    let Some(looked_until) = misses::claim(&mut tx, group_id, now).await? else { return Ok(None) };
    let Some(looked_until) = looked_until else {
        misses::save_looked(&mut tx, group_id, now, now + PAUSE).await?;
        tx.commit().await?;
        return Ok(Some((0, true)));
    };
    let missed = misses::list_new(&mut tx, group_id, (looked_until, now), MISSES_AT_ONCE).await?;
    let is_all = i64::try_from(missed.len()).is_ok_and(|found| found < MISSES_AT_ONCE);
    let reached = missed.last().map_or(now, |last| if is_all { now } else { last.missed_at });
    let opened = misses::open_actions(&mut tx, group_id, missed, now).await?;
    misses::save_looked(&mut tx, group_id, reached, if is_all { now + PAUSE } else { now }).await?;
    tx.commit().await?;
    Ok(Some((opened, is_all)))
}
