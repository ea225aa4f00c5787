//! What happened in a run, counted.
//!
//! The rule of this file: a run that never did one of the things it is there for has shown nothing about it, and fails.

use std::collections::BTreeMap;

use super::edits::{OF_CLINIC, OF_GROUP};

/// What a run is there for, beside one of each edit.
const WANTED: [&str; 9] = [
    "desk: day start",
    "desk: day end",
    "desk: seated",
    "desk: left",
    "machine: cycle",
    "edit: first hours",
    "tablet: batch of a hundred and more",
    "tablet: batch sent again after a lost answer",
    "tablet: completion of a task that another tablet had completed",
];

/// Counts by name.
#[derive(Default)]
pub(super) struct Tally(BTreeMap<String, u64>);

impl Tally {
    pub(super) fn count(&mut self, what: &str) {
        self.add(what, 1);
    }

    pub(super) fn add(&mut self, what: &str, count: usize) {
        *self.0.entry(what.to_owned()).or_default() += u64::try_from(count).expect("a count");
    }

    /// Prints the counts, and fails where something never happened.
    pub(super) fn show(&self) {
        for (what, count) in &self.0 {
            println!("{count:>9}  {what}");
        }
        let edits = OF_CLINIC.iter().chain(&OF_GROUP).map(|edit| edit.name());
        let wanted = edits.chain(WANTED.map(str::to_owned));
        let missing: Vec<String> = wanted.filter(|what| !self.0.contains_key(what)).collect();
        assert!(missing.is_empty(), "too short a run, it never had: {missing:?}");
    }
}
