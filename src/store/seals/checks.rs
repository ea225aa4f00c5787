//! What was sealed at a clinic against what the database holds now.
//!
//! The rule of this file: the domain compares ([`crate::domain::seal::tamper`]); here it is given the rows. No
//! more than a month of records is held at once, and a night's check takes a part of a long chain.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::records::{self, Recorded};
use super::settlements::check_settlements;
use crate::domain::retention::accounted::Accounted;
use crate::domain::seal::DaySeal;
use crate::domain::seal::record::{Leaves, Record};
use crate::domain::seal::tamper::{ReadBack, SealFinding, chain_findings, day_findings, read_back};
use crate::store::retention::purge_checks;
use crate::store::{Result, seals};

/// Most clinic days whose records are held at once.
pub const MOST_DAYS: usize = 31;

/// Within so many nights every sealed day is looked at again, however long the chain is.
const NIGHTS: usize = 31;

/// The part of so many older days that the check of one night looks at, from the day on at which the last one ended.
#[must_use]
pub fn part_of_night(older: usize, from: usize) -> Range<usize> {
    let from = if from < older { from } else { 0 };
    from..older.min(from + older.div_ceil(NIGHTS).max(MOST_DAYS))
}

/// Holds the seals of a clinic, all of them, against each other and against the heads that events told of.
///
/// # Errors
/// When the database does not answer.
pub async fn check_chain(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    all: &[DaySeal],
) -> Result<Vec<SealFinding>> {
    let told = seals::list_told_heads(db, group_id, clinic_id).await?;
    let all = all.to_vec();
    Ok(tokio::task::spawn_blocking(move || chain_findings(&all, &told)).await?)
}

/// Holds the records of these days, which follow each other, against their seals. What lies before the clinic's first
/// seal was not there when that was made, so it is looked at with it.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn check_days(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[DaySeal],
    now: DateTime<Utc>,
) -> Result<Vec<SealFinding>> {
    Ok(check_and_account(db, group_id, clinic_id, days, now).await?.0)
}

/// As [`check_days`]; beside what differs, what is missing because it was purged.
///
/// # Errors
/// As [`check_days`].
pub async fn check_and_account(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[DaySeal],
    now: DateTime<Utc>,
) -> Result<(Vec<SealFinding>, Vec<Accounted>)> {
    let (rows, leaves) = read(db, group_id, clinic_id, days).await?;
    let (compared, sealed) = (days, leaves.clone());
    let days = days.to_vec();
    // Hashes of every row of a month: not on a thread that answers requests.
    let compare = move || {
        let none = Leaves::new();
        let by_day = by_day(&days, rows);
        let findings = days.iter().zip(&by_day).flat_map(|(seal, rows)| {
            let rows: Vec<ReadBack> = rows.iter().map(read_back).collect();
            day_findings(seal, leaves.get(&seal.clinic_day).unwrap_or(&none), &rows)
        });
        findings.collect()
    };
    let findings = tokio::task::spawn_blocking(compare).await?;
    let clinic = (group_id, clinic_id);
    let (mut findings, purged) =
        purge_checks::account_for_purged(&mut *db, clinic, compared, &sealed, findings, now).await?;
    let settled = check_settlements(db, group_id, clinic_id, compared).await?;
    // Where the completion itself is not as it was sealed, that says enough.
    let named: BTreeSet<String> = findings.iter().filter_map(SealFinding::completion).map(str::to_owned).collect();
    findings.extend(settled.into_iter().filter(|odd| odd.completion().is_none_or(|id| !named.contains(id))));
    Ok((findings, purged))
}

/// Takes what was purged of one day out of what was found about it; `sealed` are its leaves.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn account_for_purged(
    db: &mut PgConnection,
    seal: &DaySeal,
    sealed: Leaves,
    findings: Vec<SealFinding>,
    now: DateTime<Utc>,
) -> Result<(Vec<SealFinding>, Vec<Accounted>)> {
    let sealed = [(seal.clinic_day, sealed)].into();
    let clinic = (seal.group_id, seal.clinic_id);
    purge_checks::account_for_purged(db, clinic, std::slice::from_ref(seal), &sealed, findings, now).await
}

/// Records of these days, which follow each other, with when each was recorded; and their leaves.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn read(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    days: &[DaySeal],
) -> Result<(Vec<Recorded>, BTreeMap<NaiveDate, Leaves>)> {
    let Some(until) = days.iter().map(|seal| seal.recorded_until).max() else { return Ok(Default::default()) };
    // What lies before the first seal was not there when that was made: it is looked at with it.
    let from = days.iter().map(|seal| (seal.number > 0).then_some(seal.recorded_from)).min().flatten();
    let rows = records::list(db, group_id, clinic_id, from, until).await?;
    let dates = || days.iter().map(|seal| seal.clinic_day);
    let span = dates().min().zip(dates().max()).unwrap_or_default();
    let leaves = seals::list_leaves(db, group_id, clinic_id, span).await?;
    Ok((rows, leaves))
}

/// Records by the seal that holds them, in the order of these seals.
#[must_use]
pub fn by_day(days: &[DaySeal], rows: Vec<Recorded>) -> Vec<Vec<Record>> {
    let mut by_day: Vec<Vec<Record>> = vec![Vec::new(); days.len()];
    for (at, record) in rows {
        // A row between spans is one that an edited seal has lost: the chain says so.
        if let Some(day) = days.iter().position(|seal| holds(seal, at)) {
            by_day[day].push(record);
        }
    }
    by_day
}

/// Whether something recorded at an instant belongs to a seal.
fn holds(seal: &DaySeal, at: DateTime<Utc>) -> bool {
    (seal.number == 0 || seal.recorded_from <= at) && at < seal.recorded_until
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_older_day_is_looked_at_within_a_month_of_nights_however_many_there_are() {
        // Ten years and a leap day or two, of days that were all open.
        for older in [0, 1, 31, 32, 961, 962, 3653] {
            let mut from = 0;
            for night in 1..=NIGHTS {
                let part = part_of_night(older, from);
                assert_eq!(part.start, from, "{older}: each goes on where the last one ended");
                from = part.end;
                if from == older {
                    break;
                }
                assert!(night < NIGHTS, "{older}: {from} after {night} nights");
            }
            assert_eq!(from, older);
        }
        // A chain that is shorter than it was is begun anew.
        assert_eq!(part_of_night(5, 9), 0..5);
    }
}
