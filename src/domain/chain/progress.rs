//! How far an action is in its chain: what comes next, when that is due, and what stands before a release.
//!
//! The rule of this file: steps are recorded in order. Which step comes next follows from the chain and the records
//! alone, so two people who ask at one instant are told the same.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

use super::{Chain, ChainEvidence, ChainStep, StepEnd, StepStart, StepWindow};
use crate::domain::fault::Fault;

/// A step that somebody did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StepRecord {
    /// Made by the client.
    pub record_id: Uuid,
    /// Which step.
    pub step_key: String,
    /// When it was done, as the person says.
    pub performed_at: DateTime<Utc>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The person.
    pub performed_by: String,
    /// The device.
    pub key_id: Uuid,
    /// What was found or decided.
    pub note: String,
    /// Of a paper that is kept elsewhere.
    pub reference: String,
    /// How it ended, where it has a result.
    pub result: Option<StepEnd>,
    /// The test or the work it rests on.
    pub completion_id: Option<Uuid>,
    /// When that was made or done: when it was sampled, where its result came later. `None`: it rests on none, or it is not
    /// looked up.
    pub rests_on_at: Option<DateTime<Utc>>,
    /// Done before its window opened.
    pub early: bool,
    /// Done after it was due.
    pub late: bool,
    /// The person, where the device named one by id.
    pub staff_id: Option<Uuid>,
    /// Whether their PIN came with it and was right; `None`: from before steps were signed.
    pub signed: Option<bool>,
    /// What a lead should look at; `None`: from before steps had flags.
    pub flags: Option<Vec<String>>,
}

impl StepRecord {
    /// From when the window of the step after it is counted: from the test or the work itself, not from when somebody wrote
    /// down that the step is done.
    #[must_use]
    pub fn counts_at(&self) -> DateTime<Utc> {
        self.rests_on_at.unwrap_or(self.performed_at)
    }
}

/// The instants of a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StepTimes {
    /// It may be done.
    pub may_start_at: DateTime<Utc>,
    /// It is due.
    pub due_by: DateTime<Utc>,
    /// Grace is over.
    pub overdue_at: DateTime<Utc>,
}

impl StepTimes {
    /// The instants of a window that is counted from one.
    #[must_use]
    pub fn of(window: StepWindow, from: DateTime<Utc>) -> Self {
        let at = |minutes: u32| from + TimeDelta::minutes(minutes.into());
        Self {
            may_start_at: at(window.may_start_minutes),
            due_by: at(window.due_by_minutes),
            overdue_at: at(window.overdue_minutes),
        }
    }

    /// The instants of the next of several tests that must lie `apart`, within those of all of them: from when on it counts,
    /// due within as much time again, with the grace that the step has.
    #[must_use]
    pub fn of_next_test(self, counts_from: Option<DateTime<Utc>>, apart: TimeDelta) -> Self {
        if apart <= TimeDelta::zero() {
            return self;
        }
        let may_start_at = counts_from.map_or(self.may_start_at, |from| from.max(self.may_start_at));
        let due_by = self.due_by.min(may_start_at + apart).max(may_start_at);
        Self { may_start_at, due_by, overdue_at: due_by + (self.overdue_at - self.due_by) }
    }
}

/// An action's chain with what was recorded of it.
#[derive(Clone, Debug)]
pub struct Progress<'a> {
    chain: &'a Chain,
    opened_at: DateTime<Utc>,
    records: BTreeMap<&'a str, &'a StepRecord>,
}

/// Whether an action asks for a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Asked {
    /// It does.
    Yes,
    /// An earlier step ended so that it does not.
    No,
    /// That hangs on a step that is not recorded yet.
    Open,
}

impl<'a> Progress<'a> {
    /// The progress of an action that was opened at `opened_at`.
    #[must_use]
    pub fn new(chain: &'a Chain, opened_at: DateTime<Utc>, records: &'a [StepRecord]) -> Self {
        Self { chain, opened_at, records: records.iter().map(|r| (r.step_key.as_str(), r)).collect() }
    }

    /// The record of a step.
    #[must_use]
    pub fn record(&self, key: &str) -> Option<&'a StepRecord> {
        self.records.get(key).copied()
    }

    /// Whether the action asks for a step.
    #[must_use]
    pub fn asks_for(&self, step: &ChainStep) -> Asked {
        if step.only_if.is_empty() {
            return Asked::Yes;
        }
        let mut open = false;
        for branch in &step.only_if {
            match self.record(&branch.step) {
                Some(record) if record.result == Some(branch.ended) => return Asked::Yes,
                Some(_) => {}
                // A step that is not asked for never ends.
                None => {
                    open |= self.chain.steps.iter().any(|s| s.key == branch.step && self.asks_for(s) != Asked::No);
                }
            }
        }
        if open { Asked::Open } else { Asked::No }
    }

    /// The step that comes next; `None`: all that are asked for are recorded.
    #[must_use]
    pub fn next(&self) -> Option<&'a ChainStep> {
        self.chain.steps.iter().find(|s| self.record(&s.key).is_none() && self.asks_for(s) == Asked::Yes)
    }

    /// The steps that come before a step and are not recorded, though they are or may be asked for.
    #[must_use]
    pub fn missing_before(&self, key: &str) -> Vec<&'a ChainStep> {
        let before = self.chain.steps.iter().take_while(|s| s.key != key);
        before.filter(|s| self.record(&s.key).is_none() && self.asks_for(s) != Asked::No).collect()
    }

    /// The record of the last step before a step; before the closing when `key` is none of the chain's.
    #[must_use]
    pub fn record_before(&self, key: &str) -> Option<&'a StepRecord> {
        self.chain.steps.iter().take_while(|s| s.key != key).filter_map(|s| self.record(&s.key)).last()
    }

    /// The instants of a step whose earlier ones are recorded.
    #[must_use]
    pub fn times_of(&self, step: &ChainStep) -> StepTimes {
        StepTimes::of(step.window, self.tests_count_from(step))
    }

    /// The instants of the next test that a step wants: of several that must lie apart, the next one counts from `counts_from`.
    #[must_use]
    pub fn times_of_next_test(&self, step: &ChainStep, counts_from: Option<DateTime<Utc>>) -> StepTimes {
        self.times_of(step).of_next_test(counts_from, step.evidence.apart())
    }

    /// The instants of the closing.
    #[must_use]
    pub fn closing_times(&self) -> StepTimes {
        StepTimes::of(self.chain.closing, self.counted_from(self.chain.closing, ""))
    }

    /// From when tests and other work count for a step: from where its window is counted. A test that is due from the opening on
    /// may be made while the steps before it are still being worked.
    #[must_use]
    pub fn tests_count_from(&self, step: &ChainStep) -> DateTime<Utc> {
        self.counted_from(step.window, &step.key)
    }

    /// From when a window is counted that stands before a step; before the closing when `key` is none of the chain's.
    fn counted_from(&self, window: StepWindow, key: &str) -> DateTime<Utc> {
        match window.counted_from {
            StepStart::Opening => self.opened_at,
            StepStart::StepBefore => self.record_before(key).map_or(self.opened_at, StepRecord::counts_at),
        }
    }

    /// The first step that rests on tests which may be made now: the one that comes next, or one that is counted from the
    /// opening.
    #[must_use]
    pub fn next_test(&self) -> Option<&'a ChainStep> {
        let next = self.next()?;
        let can_begin = |s: &&ChainStep| s.key == next.key || s.window.counted_from == StepStart::Opening;
        let asked = |s: &&ChainStep| self.record(&s.key).is_none() && self.asks_for(s) == Asked::Yes;
        self.chain.steps.iter().filter(asked).filter(can_begin).find(|s| s.evidence.is_test())
    }

    /// Whether a test that stands before a release is asked for and not recorded; a chain without any rests on none.
    #[must_use]
    pub fn awaits_gating_test(&self) -> bool {
        let mut gating = self.chain.steps.iter().filter(|s| s.gates_release && s.evidence.is_test()).peekable();
        gating.peek().is_none() || gating.any(|s| self.record(&s.key).is_none() && self.asks_for(s) == Asked::Yes)
    }

    /// What must be recorded before anything of this action is released, each as a sentence.
    #[must_use]
    pub fn missing_for_release(&self) -> Vec<String> {
        let gates = self.chain.steps.iter().filter(|s| s.gates_release);
        gates
            .filter_map(|step| match (self.asks_for(step), self.record(&step.key)) {
                (Asked::No, _) => None,
                (Asked::Open, _) => Some(format!("whether step {} is asked for is not recorded yet", step.key)),
                (Asked::Yes, None) => Some(format!("record missing: step {}", step.key)),
                (Asked::Yes, Some(record)) => {
                    let failed = record.result == Some(StepEnd::Failed);
                    (failed && !self.is_followed_up(step)).then(|| format!("step {} was recorded as failed", step.key))
                }
            })
            .collect()
    }

    /// Whether steps that stand before a release are asked for because this one failed: they then decide.
    fn is_followed_up(&self, failed: &ChainStep) -> bool {
        let hangs_on = |s: &ChainStep| s.only_if.iter().any(|b| b.step == failed.key && b.ended == StepEnd::Failed);
        self.chain.steps.iter().any(|s| s.gates_release && hangs_on(s))
    }
}

/// What somebody says about a step.
#[derive(Clone, Copy, Debug)]
pub struct StepClaim<'a> {
    /// What was found or decided.
    pub note: &'a str,
    /// Of a paper.
    pub reference: &'a str,
    /// How it ended, as the person judges it.
    pub result: Option<StepEnd>,
    /// The test it rests on.
    pub completion_id: Option<Uuid>,
}

impl StepClaim<'_> {
    /// What is missing from it, or too much, for the evidence a step wants.
    #[must_use]
    pub fn faults(&self, evidence: &ChainEvidence) -> Vec<Fault> {
        let mut faults = Vec::new();
        let mut fault = |pointer: &str, rule: String| faults.push(Fault::new(pointer, rule));
        match evidence {
            ChainEvidence::Note {} if self.note.trim().is_empty() => {
                fault("/note", "must say what was found or decided".to_owned());
            }
            ChainEvidence::Reference { what } if self.reference.trim().is_empty() => {
                fault("/reference", format!("must name the {what}"));
            }
            ChainEvidence::TestResult { .. } if self.completion_id.is_none() => {
                fault("/completion_id", "must name the completion that shows the test's result".to_owned());
            }
            _ => {}
        }
        match (evidence, self.result) {
            (ChainEvidence::Result { .. }, None) => fault("/result", "must say whether it passed or failed".to_owned()),
            (ChainEvidence::Result { .. }, _) | (_, None) => {}
            (_, Some(_)) => {
                fault("/result", "must be left out: this step's result is not a person's to say".to_owned());
            }
        }
        let takes_completion = matches!(evidence, ChainEvidence::TestResult { .. } | ChainEvidence::Work { .. });
        if self.completion_id.is_some() && !takes_completion {
            fault("/completion_id", "must be left out: this step names no test and no work".to_owned());
        }
        faults
    }
}

#[cfg(test)]
mod tests;
