//! What was sealed at a clinic against what the database holds now.
//!
//! The rule of this file: the domain compares ([`crate::domain::seal::tamper`]); here it is given the rows. A check
//! looks at a bounded number of days, so that it never works long in one transaction.

use chrono::{DateTime, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::records;
use crate::domain::retention::accounted::Accounted;
use crate::domain::seal::DaySeal;
use crate::domain::seal::record::{Leaves, Record};
use crate::domain::seal::tamper::{SealFinding, chain_findings, day_findings};
use crate::store::retention::purge_checks;
use crate::store::{Result, seals};

/// Most clinic days that are looked at in one check.
pub const MOST_DAYS: usize = 31;

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
    let Some(until) = days.iter().map(|seal| seal.recorded_until).max() else { return Ok(Default::default()) };
    let from = days.iter().map(|seal| (seal.number > 0).then_some(seal.recorded_from)).min().flatten();
    let rows = records::list(db, group_id, clinic_id, from, until).await?;
    let dates = || days.iter().map(|seal| seal.clinic_day);
    let span = dates().min().zip(dates().max()).unwrap_or_default();
    let leaves = seals::list_leaves(db, group_id, clinic_id, span).await?;
    let (compared, sealed) = (days, leaves.clone());
    let days = days.to_vec();
    // Hashes of every row of a month: not on a thread that answers requests.
    let compare = move || {
        let mut by_day: Vec<Vec<Record>> = vec![Vec::new(); days.len()];
        for (at, record) in rows {
            // A row between spans is one that an edited seal has lost: the chain says so.
            if let Some(day) = days.iter().position(|seal| holds(seal, at)) {
                by_day[day].push(record);
            }
        }
        let none = Leaves::new();
        let findings = days
            .iter()
            .zip(&by_day)
            .flat_map(|(seal, rows)| day_findings(seal, leaves.get(&seal.clinic_day).unwrap_or(&none), rows));
        findings.collect()
    };
    let findings = tokio::task::spawn_blocking(compare).await?;
    purge_checks::account_for_purged(db, (group_id, clinic_id), compared, &sealed, findings, now).await
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

/// Whether something recorded at an instant belongs to a seal.
fn holds(seal: &DaySeal, at: DateTime<Utc>) -> bool {
    (seal.number == 0 || seal.recorded_from <= at) && at < seal.recorded_until
}
