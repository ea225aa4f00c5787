//! What of sealed days may go, what stays and why.
//!
//! The rule of this file: nothing is taken from under what stays. A record that another names goes only with it, and
//! what belongs together goes together; whatever is in doubt stays.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

use super::hold::LegalHold;
use super::{Keeping, RecordClass, last_kept_on};
use crate::domain::seal::record::{Leaves, RecordName};
use crate::domain::seal::tree::TreeHash;

/// Why a record stays.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StaysBecause {
    /// It is to be kept longer.
    TimeNotOver,
    /// A legal hold keeps it.
    LegalHold,
    /// It stands still: what is out of use and not released, an action that is not closed, an advisory that is not
    /// lifted, a lot that may be in use.
    StillStands,
    /// The next date of its routine is counted from it.
    LastOfItsRoutine,
    /// A routine counts turnovers or cycles, this one among them.
    StillCounted,
    /// A record that stays names it, or belongs with it: also one that this purge does not look at. What does not fit one
    /// purge together stays.
    NamedByWhatStays,
    /// Something of its day is not as it was sealed: that is to be looked into first.
    NotAsSealed,
    /// Records of its kind are never purged.
    KeptForEver,
}

/// A record that may go if nothing keeps it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Candidate {
    /// Which.
    pub name: RecordName,
    /// As what it is kept.
    pub class: RecordClass,
    /// What it is about, where it tells.
    pub subject_id: Option<Uuid>,
    /// The day whose seal holds it.
    pub clinic_day: NaiveDate,
    /// The partition its row lies in, where it lies in one.
    pub task_day: Option<NaiveDate>,
    /// Why it stays however old it is.
    pub stays: Option<StaysBecause>,
}

/// What was asked to go.
#[derive(Clone, Copy, Debug)]
pub struct Asked<'a> {
    /// Only this class; `None`: every class.
    pub class: Option<RecordClass>,
    /// The clinic day it is asked on.
    pub today: NaiveDate,
    /// The clinic's legal holds.
    pub holds: &'a [LegalHold],
    /// Legal holds of other clinics on a subject: they keep what is recorded about it here.
    pub holds_elsewhere: &'a [LegalHold],
    /// Days of which something is not as it was sealed.
    pub broken_days: &'a BTreeSet<NaiveDate>,
}

/// What goes and what stays.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Decision {
    /// What goes.
    pub going: Vec<Candidate>,
    /// What stays of what was asked for, and why.
    pub staying: Vec<(Candidate, StaysBecause)>,
}

/// Decides about the records of some sealed days. `naming` has a pair for each record that another names: the named, and
/// the one that names it, which may be of any day.
pub fn decide(
    candidates: Vec<Candidate>,
    naming: &[(RecordName, RecordName)],
    asked: &Asked<'_>,
    keeping: impl Fn(RecordClass, NaiveDate) -> Keeping,
) -> Decision {
    let mut decision = Decision::default();
    let mut going: BTreeMap<RecordName, Candidate> = BTreeMap::new();
    for candidate in candidates {
        if asked.class.is_some_and(|class| class != candidate.class) {
            continue;
        }
        match reason_to_stay(&candidate, asked, &keeping) {
            Some(why) => decision.staying.push((candidate, why)),
            None => drop(going.insert(candidate.name.clone(), candidate)),
        }
    }
    // What is kept keeps what it names, and that again what it names, until nothing more is kept.
    let mut names: BTreeMap<&RecordName, Vec<&RecordName>> = BTreeMap::new();
    for (named, by) in naming {
        names.entry(by).or_default().push(named);
    }
    let mut keepers: Vec<&RecordName> = naming.iter().map(|(_, by)| by).filter(|by| !going.contains_key(by)).collect();
    while let Some(keeper) = keepers.pop() {
        for named in names.remove(keeper).unwrap_or_default() {
            if let Some(candidate) = going.remove(named) {
                decision.staying.push((candidate, StaysBecause::NamedByWhatStays));
                keepers.push(named);
            }
        }
    }
    decision.going = going.into_values().collect();
    decision
}

fn reason_to_stay(
    candidate: &Candidate,
    asked: &Asked<'_>,
    keeping: impl Fn(RecordClass, NaiveDate) -> Keeping,
) -> Option<StaysBecause> {
    let day = candidate.clinic_day;
    if last_kept_on(day, keeping(candidate.class, day).years) >= asked.today {
        return Some(StaysBecause::TimeNotOver);
    }
    let keeps = |hold: &LegalHold| hold.keeps(candidate.class, candidate.subject_id, day);
    let follows = |hold: &LegalHold| hold.subject_id.is_some() && hold.subject_id == candidate.subject_id;
    if asked.holds.iter().any(keeps) || asked.holds_elsewhere.iter().any(|hold| follows(hold) && keeps(hold)) {
        return Some(StaysBecause::LegalHold);
    }
    candidate.stays.or_else(|| asked.broken_days.contains(&day).then_some(StaysBecause::NotAsSealed))
}

/// A day's part of what was purged.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PurgedDay {
    /// The clinic day of the seal.
    pub clinic_day: NaiveDate,
    /// How many of its records went.
    pub record_count: usize,
    /// SHA-256, hexadecimal, of a line for each: its kind, its id and its leaf hash, joined by spaces and ended by a line
    /// feed; by kind and id in the order of their bytes.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub digest: String,
}

impl PurgedDay {
    /// What is kept of a day's part of a list.
    #[must_use]
    pub fn of(clinic_day: NaiveDate, list: &Leaves) -> Self {
        let mut lines = String::new();
        for (name, leaf) in list {
            // Writing to a string cannot fail.
            let _ = writeln!(lines, "{name} {leaf}");
        }
        let digest = data_encoding::HEXLOWER.encode(&Sha256::digest(lines));
        Self { clinic_day, record_count: list.len(), digest }
    }
}

/// The digest of what would go: that of the lines of its days, each the day, a space, its digest and a line feed. Who
/// signs names it, so that what goes is what was looked at.
#[must_use]
pub fn digest_of_days(days: &[PurgedDay]) -> String {
    let mut hash = Sha256::new();
    for day in days {
        hash.update(format!("{} {}\n", day.clinic_day, day.digest));
    }
    data_encoding::HEXLOWER.encode(&hash.finalize())
}

/// A class's part of what was purged, and by which rule it went.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct PurgedClass {
    /// The class.
    pub record_class: RecordClass,
    /// How many of its records went.
    pub record_count: usize,
    /// How many calendar years they had to be kept.
    pub years: u32,
    /// What decided that: the key of a rule, or `clinic`, `group` or `default`.
    pub decided_by: String,
}

/// One act of purging.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Purge {
    /// Made by the client.
    pub purge_id: Uuid,
    /// Whose records went.
    pub clinic_id: Uuid,
    /// What was asked to go; `None`: every class.
    pub record_class: Option<RecordClass>,
    /// Seals from this clinic day …
    pub from_on: NaiveDate,
    /// … to this one.
    pub until_on: NaiveDate,
    /// The clinic day it was done on.
    pub purged_on: NaiveDate,
    /// How many records went.
    pub record_count: usize,
    /// Day by day.
    pub days: Vec<PurgedDay>,
    /// Class by class.
    pub classes: Vec<PurgedClass>,
    /// Why.
    pub reason: String,
    /// Who.
    pub staff_id: Uuid,
    /// That person's name as it was then.
    pub purged_by: String,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// The device it was signed on.
    pub key_id: Uuid,
}

/// A record that went.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PurgedRecord {
    /// By which act.
    pub purge_id: Uuid,
    /// The day whose seal holds it.
    pub clinic_day: NaiveDate,
    /// Which.
    pub name: RecordName,
    /// Its leaf hash, as it was sealed.
    pub leaf: TreeHash,
}

#[cfg(test)]
mod tests;
