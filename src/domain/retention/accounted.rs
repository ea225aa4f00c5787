//! What is missing from sealed days because it was purged, told apart from what was removed.
//!
//! The rule of this file: a list excuses nothing by itself. A missing record counts as purged when a purge that is as it
//! was sealed vouches for the day's whole list, and the list names the record with the leaf hash of its seal. Everything
//! else stays a finding.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use uuid::Uuid;

use super::purge::{Purge, PurgedDay, PurgedRecord};
use crate::domain::seal::record::{Leaves, RecordName};
use crate::domain::seal::tamper::SealFinding;

/// Records of one sealed day that one purge took.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Accounted {
    /// The day.
    pub clinic_day: NaiveDate,
    /// The purge.
    pub purge_id: Uuid,
    /// How many.
    pub record_count: usize,
}

/// Takes what was purged out of what a check of some days found.
///
/// `purges` are those that are as they were sealed and looked at any of these days; `listed` is what any list has of
/// these days, `sealed` are their leaves.
#[must_use]
pub fn account(
    findings: Vec<SealFinding>,
    days: &BTreeSet<NaiveDate>,
    purges: &[Purge],
    listed: &[PurgedRecord],
    sealed: &BTreeMap<NaiveDate, Leaves>,
) -> (Vec<SealFinding>, Vec<Accounted>) {
    let mut lists: BTreeMap<(NaiveDate, Uuid), Leaves> = BTreeMap::new();
    for entry in listed {
        lists.entry((entry.clinic_day, entry.purge_id)).or_default().insert(entry.name.clone(), entry.leaf);
    }
    let mut vouched: BTreeMap<(NaiveDate, Uuid), &PurgedDay> = BTreeMap::new();
    for purge in purges {
        let theirs = purge.days.iter().filter(|day| days.contains(&day.clinic_day));
        vouched.extend(theirs.map(|day| ((day.clinic_day, purge.purge_id), day)));
    }
    let mut removed: BTreeSet<(NaiveDate, RecordName)> = BTreeSet::new();
    for finding in &findings {
        if let SealFinding::RecordRemoved { clinic_day, record } = finding {
            removed.insert((*clinic_day, record.clone()));
        }
    }
    let mut excused = BTreeSet::new();
    let mut more = Vec::new();
    let mut accounted = Vec::new();
    let keys: BTreeSet<(NaiveDate, Uuid)> = lists.keys().chain(vouched.keys()).copied().collect();
    for (clinic_day, purge_id) in keys {
        let list = lists.remove(&(clinic_day, purge_id)).unwrap_or_default();
        let is_vouched =
            vouched.get(&(clinic_day, purge_id)).is_some_and(|day| **day == PurgedDay::of(clinic_day, &list));
        let of_day = sealed.get(&clinic_day);
        let is_sealed = list.iter().all(|(name, leaf)| of_day.and_then(|leaves| leaves.get(name)) == Some(leaf));
        if !is_vouched || !is_sealed {
            more.push(SealFinding::PurgeListChanged { clinic_day, purge_id });
            continue;
        }
        accounted.push(Accounted { clinic_day, purge_id, record_count: list.len() });
        for record in list.into_keys() {
            if removed.contains(&(clinic_day, record.clone())) {
                excused.insert((clinic_day, record));
            } else {
                more.push(SealFinding::PurgedRecordPresent { clinic_day, record, purge_id });
            }
        }
    }
    let is_finding = |finding: &SealFinding| match finding {
        SealFinding::RecordRemoved { clinic_day, record } => !excused.contains(&(*clinic_day, record.clone())),
        _ => true,
    };
    let mut findings: Vec<SealFinding> = findings.into_iter().filter(is_finding).collect();
    findings.extend(more);
    (findings, accounted)
}
