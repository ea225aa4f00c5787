//! What completions made of their task, against the completions.
//!
//! The rule of this file: a turn of a task follows from its completions and says nothing of its own, so it is not sealed and
//! can be worked out again. Instances' clocks differ by a little, so completions that came close together are taken as one.

use std::collections::BTreeSet;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::SETTLED_AFTER;
use crate::domain::evidence::{Entry, what_counts};
use crate::domain::task::Outcome;

/// A completion of the task.
#[derive(Clone, Debug)]
pub struct Recorded {
    /// As it decides what becomes of the task.
    pub entry: Entry,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// Its verdict, as it is kept: whatever somebody wrote there.
    pub verdict: String,
    /// Of one from when the first to come counted: whether that was another.
    pub told_duplicate: Option<bool>,
}

/// What one of them made of the task.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Turn {
    /// Which one counted from then on.
    pub completion_id: Uuid,
    /// When.
    pub settled_at: DateTime<Utc>,
    /// What the task was, as it is kept; `None`: open.
    pub outcome: Option<String>,
    /// What was recorded fell short.
    pub failed: bool,
}

/// The completions whose turns are not what all of the task's completions make of it. `turns` are in the order they were
/// taken; one of a completion that is not among `recorded` is passed over, and what hangs on it.
#[must_use]
pub fn odd_turns(recorded: &[Recorded], turns: &[Turn]) -> BTreeSet<Uuid> {
    let of = |turn: &Turn| recorded.iter().find(|r| r.entry.completion_id == turn.completion_id);
    let mut odd = BTreeSet::new();
    for (turn, of) in turns.iter().filter_map(|turn| Some((turn, of(turn)?))) {
        let is_at_one = recorded.iter().any(|r| r.recorded_at == turn.settled_at);
        if turn.failed != of.entry.failed || !is_at_one || !may_make(of, turn) {
            odd.insert(turn.completion_id);
        }
    }
    let said = |turn: &Turn| (turn.completion_id, turn.outcome.clone(), turn.failed);
    odd.extend(turns.windows(2).filter(|two| said(&two[0]) == said(&two[1])).map(|two| two[1].completion_id));
    if recorded.iter().any(|r| r.told_duplicate.is_some()) {
        odd.extend(recorded.iter().filter(|r| !has_its_turn(r, turns)).map(|r| r.entry.completion_id));
    } else if turns.iter().all(|turn| of(turn).is_some()) {
        odd.extend(not_taken(recorded, turns));
    }
    odd
}

/// Whether a completion can have made this of its task. Whether that is open or awaits a result can be others' doing, and is
/// worked out from all of them.
fn may_make(recorded: &Recorded, turn: &Turn) -> bool {
    let outcome = turn.outcome.as_deref();
    if matches!(outcome, None | Some("result_pending")) {
        return true;
    }
    match (recorded.told_duplicate, outcome) {
        (None, _) => recorded.entry.outcome.map(Outcome::as_str) == outcome,
        // What it made of the task was not kept with it.
        (Some(_), Some("done")) => matches!(&*recorded.verdict, "passed" | "failed"),
        (Some(_), _) => Some(&*recorded.verdict) == outcome,
    }
}

/// Of a task with completions from when the first to come counted: each that did took its turn as it was recorded.
fn has_its_turn(recorded: &Recorded, turns: &[Turn]) -> bool {
    let Some(was_duplicate) = recorded.told_duplicate else { return true };
    let own: Vec<_> = turns.iter().filter(|turn| turn.completion_id == recorded.entry.completion_id).collect();
    if was_duplicate { own.is_empty() } else { own.iter().any(|turn| turn.settled_at == recorded.recorded_at) }
}

/// The completions that counted, or should have, where the turn that was in force says otherwise.
fn not_taken(recorded: &[Recorded], turns: &[Turn]) -> Vec<Uuid> {
    let mut came: Vec<&Recorded> = recorded.iter().collect();
    came.sort_by_key(|r| r.recorded_at);
    let mut odd = Vec::new();
    for (index, last) in came.iter().enumerate() {
        if came.get(index + 1).is_some_and(|next| next.recorded_at - last.recorded_at < SETTLED_AFTER) {
            continue;
        }
        let known: Vec<Entry> = came[..=index].iter().map(|r| r.entry).collect();
        let in_force = turns.iter().rfind(|turn| turn.settled_at <= last.recorded_at);
        let Some(counted) = what_counts(&known) else { continue };
        let said = in_force.map(|turn| (turn.completion_id, turn.outcome.as_deref(), turn.failed));
        if said != Some((counted.completion_id, counted.outcome.map(Outcome::as_str), counted.failed)) {
            odd.push(counted.completion_id);
        }
    }
    odd
}

#[cfg(test)]
mod tests;
