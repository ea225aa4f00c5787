//! What several entries of one person show only together: a burst, and work that was entered at one go.
//!
//! The rule of this file: it hangs on the entries and not on the order in which they came. One more entry may flag itself and
//! others, and takes no flag away; so whoever looks each time one comes has flagged the same in the end.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

use super::Flag;

/// Fewer entries are neither a burst nor entered at one go. No source: a chair's closing has four or five short tasks.
pub const FEWEST_ENTRIES: usize = 5;
/// The work must take so many times longer than the span it is said to have been done in. No source: minutes of
/// routines are rough, and some work runs beside other work.
const BURST_FACTOR: i64 = 3;
/// From the first to the last entry of a burst, at most. No source: a round of chairs takes less.
pub const BURST_SPAN: TimeDelta = TimeDelta::hours(1);

/// Several pieces of work entered within so long were entered at one go …
pub const AT_ONE_GO: TimeDelta = TimeDelta::minutes(5);
/// … and that asks a question where they were done over so long. No source for either: the short tasks of a chair's closing
/// are done, and may be ticked off, within half an hour.
const DONE_APART: TimeDelta = TimeDelta::minutes(30);

/// A piece of work that a person said they did.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Performed {
    /// The completion.
    pub completion_id: Uuid,
    /// Its task: several entries for one task are one piece of work.
    pub task_id: Uuid,
    /// When it was done.
    pub performed_at: DateTime<Utc>,
    /// Rough minutes it takes.
    pub rough_minutes: u32,
    /// When it was entered on the device, by the device's clock, where that was said.
    pub entered_at: Option<DateTime<Utc>>,
    /// It says by itself that it was entered later: a correction, or the result of a sample, under the sample's time.
    pub tells_of_before: bool,
}

/// What these entries of one person show together, each with the flag it is to have.
#[must_use]
pub fn flags_together(entries: &[Performed]) -> BTreeSet<(Uuid, Flag)> {
    let mut flags = BTreeSet::new();
    for entry in bursts(entries) {
        flags.insert((entry.completion_id, Flag::Burst));
    }
    for entry in entered_at_one_go(entries) {
        flags.insert((entry.completion_id, Flag::EnteredTogether));
    }
    flags
}

/// The entries of every span of at most [`BURST_SPAN`] with five tasks or more that take far longer than the span. When each
/// was *performed* counts: a batch that a tablet kept while it was offline arrives at once and is no burst for that. The work
/// of the first was done before the span began.
fn bursts(entries: &[Performed]) -> Vec<Performed> {
    let mut all = entries.to_vec();
    all.sort_by_key(|entry| (entry.performed_at, entry.task_id, entry.completion_id));
    let ends = |first: usize| {
        let (mut tasks, mut minutes, mut end) = (BTreeSet::from([all[first].task_id]), 0, None);
        for (last, entry) in all.iter().enumerate().skip(first + 1) {
            let span = entry.performed_at - all[first].performed_at;
            if span > BURST_SPAN {
                break;
            }
            if tasks.insert(entry.task_id) {
                minutes += i64::from(entry.rough_minutes);
            }
            let allowed = span * i32::try_from(BURST_FACTOR).unwrap_or(1);
            if tasks.len() >= FEWEST_ENTRIES && TimeDelta::minutes(minutes) > allowed {
                end = Some(last);
            }
        }
        end
    };
    within(&all, ends)
}

/// The entries of every [`AT_ONE_GO`] in which five tasks or more were entered that were done [`DONE_APART`].
fn entered_at_one_go(entries: &[Performed]) -> Vec<Performed> {
    let mut all: Vec<(DateTime<Utc>, Performed)> = entries
        .iter()
        .filter(|entry| !entry.tells_of_before)
        .filter_map(|entry| Some((entry.entered_at?, *entry)))
        .collect();
    all.sort_by_key(|(entered_at, entry)| (*entered_at, entry.completion_id));
    let ends = |first: usize| {
        let begun_at = all[first].0;
        let (mut earliest, mut latest) = (all[first].1.performed_at, all[first].1.performed_at);
        let (mut tasks, mut end) = (BTreeSet::new(), None);
        for (last, (entered_at, entry)) in all.iter().enumerate().skip(first) {
            if *entered_at - begun_at > AT_ONE_GO {
                break;
            }
            tasks.insert(entry.task_id);
            (earliest, latest) = (earliest.min(entry.performed_at), latest.max(entry.performed_at));
            if tasks.len() >= FEWEST_ENTRIES && latest - earliest >= DONE_APART {
                end = Some(last);
            }
        }
        end
    };
    let sorted: Vec<Performed> = all.iter().map(|(_, entry)| *entry).collect();
    within(&sorted, ends)
}

/// The entries that lie between a first one and the last that `ends` answers for it.
fn within(sorted: &[Performed], ends: impl Fn(usize) -> Option<usize>) -> Vec<Performed> {
    let (mut found, mut reached) = (Vec::new(), None);
    for (place, entry) in sorted.iter().enumerate() {
        reached = reached.max(ends(place));
        if reached.is_some_and(|last| last >= place) {
            found.push(*entry);
        }
    }
    found
}

#[cfg(test)]
mod tests;
