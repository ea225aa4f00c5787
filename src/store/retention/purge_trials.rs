//! What would go of a clinic's sealed days, worked out and not done.
//!
//! The rule of this file: a trial and the act that follows it are the same work, so that what was looked at is what goes.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{legal_holds, purges};
use crate::domain::retention::purge::{Asked, Candidate, Decision, PurgedDay, StaysBecause, decide};
use crate::domain::retention::{OwnYears, RecordClass, keeping};
use crate::domain::seal::DaySeal;
use crate::domain::seal::record::{Leaves, RecordName};
use crate::domain::seal::tamper::SealFinding;
use crate::store::{Result, StoreError, clinics, retention, seals};

/// Most legal holds that may stand at a clinic at a time: a bound against a client gone wild, which no inquiry reaches.
pub const MOST_HOLDS: i64 = 5_000;

/// What is asked of a clinic.
#[derive(Clone, Copy, Debug)]
pub struct Trial {
    /// The clinic.
    pub clinic_id: Uuid,
    /// Only this class; `None`: every class.
    pub class: Option<RecordClass>,
    /// The clinic day it is asked on.
    pub today: NaiveDate,
    /// The instant it is asked at.
    pub now: DateTime<Utc>,
}

/// What would go and what would stay.
#[derive(Clone, Debug, Default)]
pub struct Worked {
    /// What goes, by name, and what stays and why.
    pub decision: Decision,
    /// What goes, day by day.
    pub days: Vec<PurgedDay>,
    /// Of each day, how many records no purge ever takes.
    pub kept_for_ever: BTreeMap<NaiveDate, usize>,
}

/// Works out what of these sealed days, which follow each other, would go; `all` are the seals of the clinic.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn work_out(
    db: &mut PgConnection,
    group_id: Uuid,
    trial: Trial,
    days: &[DaySeal],
    all: &[DaySeal],
) -> Result<Worked> {
    let Trial { clinic_id, class, today, now } = trial;
    let places = clinics::list_places(db, group_id, clinic_id).await?;
    let own = retention::own_years(&retention::list(db, group_id, clinic_id).await?);
    let holds = legal_holds::list_of_clinic(db, group_id, clinic_id, true, None, i64::MAX).await?;
    let holds_elsewhere = legal_holds::list_on_subjects_elsewhere(db, group_id, clinic_id).await?;
    let mut broken_days = BTreeSet::new();
    // A seal that was taken away or rewritten says nothing of its day, and may have been any: then nothing goes.
    if !seals::checks::check_chain(db, group_id, clinic_id, all).await?.is_empty() {
        broken_days.extend(days.iter().map(|seal| seal.clinic_day));
    }
    let mut candidates: Vec<Candidate> = Vec::new();
    let mut leaves: BTreeMap<NaiveDate, Leaves> = BTreeMap::new();
    let mut kept_for_ever = BTreeMap::new();
    for some in days.chunks(seals::checks::MOST_DAYS) {
        let (findings, accounted) = seals::checks::check_and_account(db, group_id, clinic_id, some, now).await?;
        broken_days.extend(findings.iter().filter_map(day_of));
        let found = purges::list_candidates(db, group_id, clinic_id, some, today).await?;
        let span = some.first().zip(some.last()).map(|(a, b)| (a.clinic_day, b.clinic_day)).unwrap_or_default();
        leaves.extend(seals::list_leaves(db, group_id, clinic_id, span).await?);
        for seal in some {
            let of_day = |candidate: &&Candidate| candidate.clinic_day == seal.clinic_day;
            let gone = accounted.iter().filter(|gone| gone.clinic_day == seal.clinic_day).map(|gone| gone.record_count);
            let known = found.iter().filter(of_day).count() + gone.sum::<usize>();
            kept_for_ever.insert(seal.clinic_day, seal.record_count.saturating_sub(known));
        }
        candidates.extend(found);
    }
    kept_for_ever.retain(|_, count| *count > 0);
    let naming = purges::list_naming(db, group_id, &candidates).await?;
    let asked = Asked { class, today, holds: &holds, holds_elsewhere: &holds_elsewhere, broken_days: &broken_days };
    let years = |class: RecordClass, day| keeping(class, &places, own_of(&own, class), (day, today));
    let decision = decide(candidates, &naming, &asked, years);
    let mut going: BTreeMap<NaiveDate, Leaves> = BTreeMap::new();
    for candidate in &decision.going {
        let leaf = leaves.get(&candidate.clinic_day).and_then(|leaves| leaves.get(&candidate.name));
        let leaf = leaf.ok_or_else(|| unsealed(&candidate.name))?;
        going.entry(candidate.clinic_day).or_default().insert(candidate.name.clone(), *leaf);
    }
    let days = going.iter().map(|(day, list)| PurgedDay::of(*day, list)).collect();
    Ok(Worked { decision, days, kept_for_ever })
}

fn own_of(own: &BTreeMap<RecordClass, OwnYears>, class: RecordClass) -> OwnYears {
    own.get(&class).copied().unwrap_or_default()
}

fn unsealed(name: &RecordName) -> StoreError {
    StoreError::bad_row("seal_leaf", name, "leaf", "none, though nothing was found about its day")
}

/// The day a finding is about.
fn day_of(finding: &SealFinding) -> Option<NaiveDate> {
    match finding {
        SealFinding::RecordChanged { clinic_day, .. }
        | SealFinding::RecordRemoved { clinic_day, .. }
        | SealFinding::RecordInserted { clinic_day, .. }
        | SealFinding::LeavesChanged { clinic_day }
        | SealFinding::SealBroken { clinic_day, .. }
        | SealFinding::PurgeListChanged { clinic_day, .. }
        | SealFinding::PurgedRecordPresent { clinic_day, .. } => Some(*clinic_day),
        SealFinding::StandingChanged { .. } | SealFinding::SettlementChanged { .. } | SealFinding::HeadLost { .. } => {
            None
        }
    }
}

impl Worked {
    /// How many of a reason stay of each class, with the first and last of their days.
    #[must_use]
    pub fn staying(&self) -> BTreeMap<(RecordClass, StaysBecause), (usize, NaiveDate, NaiveDate)> {
        let mut sums: BTreeMap<_, (usize, NaiveDate, NaiveDate)> = BTreeMap::new();
        for (candidate, why) in &self.decision.staying {
            add(sums.entry((candidate.class, *why)), candidate.clinic_day);
        }
        sums
    }

    /// How many go of each class, with the first and last of their days.
    #[must_use]
    pub fn going(&self) -> BTreeMap<RecordClass, (usize, NaiveDate, NaiveDate)> {
        let mut sums: BTreeMap<_, (usize, NaiveDate, NaiveDate)> = BTreeMap::new();
        for candidate in &self.decision.going {
            add(sums.entry(candidate.class), candidate.clinic_day);
        }
        sums
    }
}

fn add<K: Ord>(entry: std::collections::btree_map::Entry<'_, K, (usize, NaiveDate, NaiveDate)>, day: NaiveDate) {
    let (count, first, last) = entry.or_insert((0, day, day));
    *count += 1;
    *first = day.min(*first);
    *last = day.max(*last);
}
