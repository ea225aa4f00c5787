//! Purges that are as they were sealed, and what their lists say of some days.
//!
//! The rule of this file: a purge vouches for nothing unless the seal of the day it was done on vouches for it. Before
//! that day is sealed it is taken at its word, like every record of that day; one of a day to come is no purge, for no
//! seal would ever look at it.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::purges;
use crate::domain::evidence::CLOCK_TOLERANCE;
use crate::domain::retention::accounted::{Accounted, account};
use crate::domain::retention::purge::Purge;
use crate::domain::seal::record::Leaves;
use crate::domain::seal::tamper::SealFinding;
use crate::domain::seal::{DaySeal, day_root};
use crate::store::{Result, StoreError, seals};

/// Takes what was purged of these days out of what was found about them.
pub(in crate::store) async fn account_for_purged(
    db: &mut PgConnection,
    (group_id, clinic_id): (Uuid, Uuid),
    days: &[DaySeal],
    sealed: &BTreeMap<NaiveDate, Leaves>,
    findings: Vec<SealFinding>,
    now: DateTime<Utc>,
) -> Result<(Vec<SealFinding>, Vec<Accounted>)> {
    let dates: BTreeSet<NaiveDate> = days.iter().map(|seal| seal.clinic_day).collect();
    let Some(span) = dates.first().copied().zip(dates.last().copied()) else { return Ok((findings, Vec::new())) };
    let ids = purges::list_ids_over(db, group_id, clinic_id, span).await?;
    let listed = purges::list_purged(db, group_id, clinic_id, span).await?;
    if ids.is_empty() && listed.is_empty() {
        return Ok((findings, Vec::new()));
    }
    let mut sound = Vec::new();
    for purge_id in ids {
        sound.extend(find_sound(db, (group_id, clinic_id), purge_id, now).await?);
    }
    Ok(account(findings, &dates, &sound, &listed, sealed))
}

/// The purge, if it is as it was sealed, or not sealed yet.
async fn find_sound(
    db: &mut PgConnection,
    (group_id, clinic_id): (Uuid, Uuid),
    purge_id: Uuid,
    now: DateTime<Utc>,
) -> Result<Option<Purge>> {
    let Some((recorded_at, record)) = seals::records::find_purge(db, group_id, clinic_id, purge_id).await? else {
        return Ok(None);
    };
    if recorded_at > now + CLOCK_TOLERANCE {
        return Ok(None);
    }
    let progress = seals::find_progress(db, group_id, clinic_id).await?;
    if progress.is_none_or(|progress| recorded_at < progress.sealed_until) {
        let Some(day) = seals::find_sealed_day(db, group_id, clinic_id, &record.name()).await? else { return Ok(None) };
        let leaves = seals::list_leaves(db, group_id, clinic_id, (day, day)).await?.remove(&day).unwrap_or_default();
        let seal = seals::find_seal(db, group_id, clinic_id, day).await?;
        // Leaves that no longer give the seal's root could have been written with the purge.
        let is_whole = seal.is_some_and(|seal| (seal.record_count, seal.root) == (leaves.len(), day_root(&leaves)));
        if !is_whole || record.leaf().ok().as_ref() != leaves.get(&record.name()) {
            return Ok(None);
        }
    }
    match purges::find(db, group_id, purge_id).await {
        // Somebody wrote it past the service: then it is no purge.
        Err(StoreError::BadRow { .. }) => Ok(None),
        found => found,
    }
}
