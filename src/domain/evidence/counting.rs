//! Which completion of a task counts.
//!
//! The rule of this file: it hangs on the completions and not on the order they came in, for tablets that were offline send
//! in any order. One that failed counts before one that passed, so that no second record takes a failure away; only its
//! correction does.

use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::domain::task::Outcome;

/// A completion, as far as it decides what becomes of its task.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Which one.
    pub completion_id: Uuid,
    /// The completion in whose place it stands.
    pub corrects: Option<Uuid>,
    /// When the work was done.
    pub performed_at: DateTime<Utc>,
    /// What it makes of the task, if it counts; `None`: nothing.
    pub outcome: Option<Outcome>,
    /// What was recorded fell short.
    pub failed: bool,
    /// It is from the time when the first to arrive counted, and that is not judged anew.
    pub first_came: bool,
}

/// What the completions of a task make of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counted {
    /// The one that counts; while none ends the task, the one that was performed last.
    pub completion_id: Uuid,
    /// How the task stands; `None`: open.
    pub outcome: Option<Outcome>,
    /// What the one that counts recorded fell short.
    pub failed: bool,
}

/// What some completions make of their task, whatever the order they stand in; `None`: there are none.
///
/// Those that others correct are left out. Of those that end the task one that failed counts, else the one that was performed
/// first. Where none ends it, a result is awaited if one was said to follow.
///
/// # Examples
/// ```
/// use chairtide::domain::evidence::{Entry, what_counts};
/// use chairtide::domain::task::Outcome;
/// use uuid::Uuid;
/// let entry = |number: u128, performed_at: &str, failed: bool| Entry {
///     completion_id: Uuid::from_u128(number),
///     corrects: None,
///     performed_at: performed_at.parse().expect("an instant"),
///     outcome: Some(Outcome::Done),
///     failed,
///     first_came: false,
/// };
/// let (late, early) = (entry(1, "2026-11-30T10:20:00Z", false), entry(2, "2026-11-30T10:02:00Z", false));
/// let counted = what_counts(&[late, early]).expect("there are some");
/// assert_eq!(counted.completion_id, early.completion_id);
/// let failed = entry(3, "2026-11-30T11:00:00Z", true);
/// assert_eq!(what_counts(&[early, failed, late]).expect("there are some").completion_id, failed.completion_id);
/// ```
#[must_use]
pub fn what_counts(entries: &[Entry]) -> Option<Counted> {
    let stands = |entry: &&Entry| !entries.iter().any(|other| other.corrects == Some(entry.completion_id));
    let standing = || entries.iter().filter(stands);
    let ending = standing().filter(|entry| entry.outcome.is_some_and(Outcome::ends_its_task));
    if let Some(entry) = ending.min_by_key(|e| (!e.first_came, !e.failed, e.performed_at, e.completion_id)) {
        return Some(Counted { completion_id: entry.completion_id, outcome: entry.outcome, failed: entry.failed });
    }
    let last = standing().max_by_key(|entry| (entry.performed_at, entry.completion_id))?;
    let is_awaited = standing().any(|entry| entry.outcome == Some(Outcome::ResultPending));
    let outcome = is_awaited.then_some(Outcome::ResultPending);
    Some(Counted { completion_id: last.completion_id, outcome, failed: last.failed })
}

#[cfg(test)]
mod tests;
