//! Which tests decide how an action goes on.
//!
//! The rule of this file: a test that failed always decides; one that passed only where it was made no earlier than its step
//! may begin, far enough from the one before it where the step asks for that, and says something about each line that fell
//! short. A pool hides a bad line (CDA Essentials 2019(6):40, read), so a line counts as tested again only in a bottle of its
//! own.

use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use uuid::Uuid;

/// A decided test of a subject.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TestRun {
    /// The completion that holds its result.
    pub completion_id: Uuid,
    /// When it was made: when it was sampled, where its result came later.
    pub made_at: DateTime<Utc>,
    /// When its result reached us.
    pub recorded_at: DateTime<Utc>,
    /// Whether it passed.
    pub passed: bool,
    /// The task had been completed already: another record of one test, perhaps.
    pub duplicate: bool,
    /// Lines that are to be tested again and stood in no bottle of their own; empty where the test draws no water.
    pub left_out: Vec<String>,
    /// From when on a pass counts, where it was made before that; `None`: it was made in time.
    pub counts_from: Option<DateTime<Utc>>,
}

impl TestRun {
    /// Whether it can end a step.
    #[must_use]
    pub fn decides(&self) -> bool {
        !self.passed || !self.duplicate && self.left_out.is_empty() && self.counts_from.is_none()
    }

    /// Why it decides nothing though it passed, where its time or lines are the reason.
    #[must_use]
    pub fn says_too_little(&self) -> Option<String> {
        if !self.passed {
            return None;
        }
        let made_at = text(self.made_at);
        if let Some(from) = self.counts_from {
            return Some(self.is_too_early(from));
        }
        let lines = self.left_out.join(", ");
        (!lines.is_empty())
            .then(|| format!("the test made at {made_at} left out the lines {lines}, or had them in a pool"))
    }

    /// That it passed and counts from an instant on that came after it.
    pub(in crate::domain) fn is_too_early(&self, from: DateTime<Utc>) -> String {
        format!("the test made at {} is too early: one that passed counts from {} on", text(self.made_at), text(from))
    }
}

fn text(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// How far tests in a row have come.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TestsInARow {
    /// How many count.
    pub passed: u32,
    /// The last of them.
    pub last: Option<Uuid>,
    /// From when on the next one counts, where they must lie apart and one counts already.
    pub next_from: Option<DateTime<Utc>>,
    /// Why others that passed do not count, each as a sentence.
    pub left_out: Vec<String>,
}

impl TestsInARow {
    /// Counts a test that passed, as long as it lies far enough from the one before it.
    pub(in crate::domain) fn count(&mut self, test: &TestRun, made_at: DateTime<Utc>, apart: TimeDelta) -> bool {
        if let Some(from) = self.next_from.filter(|from| made_at < *from) {
            self.left_out.push(test.is_too_early(from));
            return false;
        }
        self.passed += 1;
        self.last = Some(test.completion_id);
        self.next_from = (apart > TimeDelta::zero()).then(|| made_at + apart);
        true
    }

    /// Begins anew, after a test that failed or something that came between.
    pub(in crate::domain) fn begin_anew(&mut self) {
        *self = Self { left_out: std::mem::take(&mut self.left_out), ..Self::default() };
    }
}

/// The lines to be tested again that stand in no bottle of their own.
///
/// # Examples
/// ```
/// use chairtide::domain::corrective_action::left_out;
/// let lines = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>();
/// let asked = lines(&["handpiece-1", "syringe"]);
/// assert_eq!(left_out(&asked, &[lines(&["handpiece-1", "syringe"])]), asked);
/// assert_eq!(left_out(&asked, &[lines(&["syringe"]), lines(&["scaler"])]), lines(&["handpiece-1"]));
/// ```
#[must_use]
pub fn left_out(asked: &[String], bottles: &[Vec<String>]) -> Vec<String> {
    let alone = |line: &String| bottles.iter().any(|bottle| std::slice::from_ref(line) == bottle.as_slice());
    asked.iter().filter(|line| !alone(line)).cloned().collect()
}

/// How many tests in a row passed up to the last one, made after `since` and each at least `apart` from the one that was
/// counted before it.
///
/// A test that failed starts the count again. A second record of a test that passed does not count twice, nor does a test
/// that left lines out or lies too near to the one before; a second record that failed does start the count again, as it may
/// be the true one.
#[must_use]
pub fn passed_in_a_row(tests: &[TestRun], since: DateTime<Utc>, apart: TimeDelta) -> TestsInARow {
    let mut made: Vec<&TestRun> = tests.iter().filter(|t| t.made_at > since).collect();
    // Of one instant, the failed one comes last: it starts the count again.
    made.sort_by_key(|t| (t.made_at, !t.passed, t.completion_id));
    let mut row = TestsInARow::default();
    for test in made {
        if !test.passed {
            row.begin_anew();
        } else if test.decides() {
            row.count(test, test.made_at, apart);
        } else {
            row.left_out.extend(test.says_too_little());
        }
    }
    row
}
