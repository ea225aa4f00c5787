//! Work that a step of a chain rests on, and what the record of a completion must show so that it stands for that work.
//!
//! The rule of this file: what counts is what was recorded (a hold of every line, a lot that was held for its contact
//! time), not what a routine is called: a group names its routines as it likes. Completions that did not pass are not
//! looked at here; they stand for nothing.

use std::fmt;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::domain::fault::Fault;
use crate::domain::limit::{Limit, Qualifier};
use crate::domain::routine::Routine;
use crate::domain::step::{AppliedTo, Part, Step, StepEvidence, limit_faults};
use crate::domain::subject::Subject;

/// The unit of a hold.
const SECONDS: &str = "s";

/// What the record of some work must show.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum WorkShown {
    /// Water was run through each waterline circuit by itself, timed by a hold that keeps these limits. What has no circuits
    /// takes one such hold.
    LineFlush {
        /// For the time of each line, in seconds (`s`), at least one.
        #[schema(min_items = 1, max_items = 20)]
        limits: Vec<Limit>,
    },
    /// A whole cycle: a product was put into the waterlines by its lot, held for its contact time (by a hold that takes its
    /// minimum from that step, or belongs to one cycle with it), and each circuit was rinsed after that by itself: by a later
    /// step of the routine, in the hold's cycle where it has one, that is confirmed or timed. What has no circuits takes one
    /// such step.
    LineDisinfection {},
    /// A product was used by its lot in a step that passed, in work by the routine that opened the action where one did: of a
    /// product that the step takes, in date and not recalled; or a spore test passed whose strips name such a lot.
    LotUsed {},
    /// Work of the routine that was missed, by its make-safe task or a later one: never by the missed task itself, which stays
    /// missed. An action that has no make-safe task is opened with a `note` in this place.
    MissedWork {},
}

/// A step of a completion that was answered as done and passed.
#[derive(Clone, Copy, Debug)]
pub struct PassedStep<'a> {
    /// The wanted step's key.
    pub key: &'a str,
    /// Seconds held.
    pub elapsed_seconds: Option<u32>,
    /// Whether it names a lot.
    pub has_lot: bool,
}

impl fmt::Display for WorkShown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::LineFlush { limits } => {
                let limits: Vec<String> = limits.iter().map(ToString::to_string).collect();
                write!(f, "a flush of every line, each timed by a hold of {}", limits.join(" and "))
            }
            Self::LineDisinfection {} => f.write_str(
                "a product in the waterlines by its lot, held for its contact time, and every line rinsed after it",
            ),
            Self::LotUsed {} => f.write_str("the work again with a lot that its steps take"),
            Self::MissedWork {} => f.write_str("the make-safe task, or later work of that routine"),
        }
    }
}

impl WorkShown {
    /// Every broken rule, with pointers relative to it.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let Self::LineFlush { limits } = self else { return Vec::new() };
        let mut faults: Vec<Fault> = limit_faults(limits, SECONDS).into_iter().map(|f| f.under("/limits")).collect();
        if limits.is_empty() {
            faults.push(Fault::new("/limits", "must have at least one"));
        }
        faults
    }

    /// Whether only the routine that opened the action is meant, where one did.
    #[must_use]
    pub fn is_of_same_routine(&self) -> bool {
        matches!(self, Self::LotUsed {} | Self::MissedWork {})
    }

    /// Whether a routine is of this kind of work: whoever works by it may show it, or fall short of it.
    #[must_use]
    pub fn is_of(&self, routine: &Routine) -> bool {
        let steps = &routine.steps;
        match self {
            Self::LineFlush { .. } => steps.iter().any(|step| is_flush(step, steps)),
            Self::LineDisinfection {} => fills(steps).next().is_some(),
            Self::LotUsed {} => steps.iter().any(takes_lot),
            Self::MissedWork {} => true,
        }
    }

    /// Whether what passes by a routine on a subject shows it; a spore test does where its strips name a lot.
    #[must_use]
    pub fn is_asked_by(&self, routine: &Routine, subject: &Subject) -> bool {
        let steps = &routine.steps;
        let of_each_line = |step: &Step| subject.circuits.is_empty() || step.for_each == Some(Part::Circuit);
        match self {
            Self::LineFlush { limits } => steps.iter().any(|step| {
                let StepEvidence::Hold { minimum_seconds, .. } = step.evidence else { return false };
                is_flush(step, steps) && of_each_line(step) && kept(limits, minimum_seconds, None)
            }),
            Self::LineDisinfection {} => fills(steps).filter(|fill| fill.required).any(|fill| {
                let waits = steps.iter().filter(|hold| hold.required && is_held_with(hold, fill));
                let mut rinses = waits.flat_map(|hold| rinses(steps, hold));
                rinses.any(|rinse| rinse.required && of_each_line(rinse))
            }),
            Self::LotUsed {} => steps.iter().any(|step| step.required && takes_lot(step)),
            // Its task is on the list from when the action was opened.
            Self::MissedWork {} => false,
        }
    }

    /// What a completion that passed lacks to show it; `None`: it shows it. Limits are those in force on its clinic day.
    #[must_use]
    pub fn lacking(
        &self,
        routine: &Routine,
        subject: &Subject,
        passed: &[PassedStep<'_>],
        on: NaiveDate,
    ) -> Option<String> {
        let steps = &routine.steps;
        let passed = Passed { steps: passed, lines: &subject.circuits };
        match self {
            Self::LineFlush { limits } => {
                let is_long = |one: &PassedStep<'_>| one.elapsed_seconds.is_some_and(|s| kept(limits, s, Some(on)));
                let missing = passed.lines_without(steps.iter().filter(|step| is_flush(step, steps)), is_long)?;
                Some(match missing.as_str() {
                    "" => "no hold of a flush is long enough".to_owned(),
                    lines => format!("no such hold of {lines}"),
                })
            }
            Self::LineDisinfection {} => {
                let filled: Vec<&Step> = fills(steps).filter(|fill| passed.shows(fill, |one| one.has_lot)).collect();
                if filled.is_empty() {
                    return Some("no lot of a product in the waterlines".to_owned());
                }
                let is_wait = |hold: &&Step| {
                    filled.iter().any(|fill| is_held_with(hold, fill))
                        && passed.shows(hold, |one| one.elapsed_seconds.is_some())
                };
                let waits = steps.iter().filter(is_wait);
                let mut unrinsed = waits.map(|hold| passed.lines_without(rinses(steps, hold), |_| true)).peekable();
                if unrinsed.peek().is_none() {
                    return Some("no hold of that product for its contact time".to_owned());
                }
                let missing = unrinsed.reduce(|least, other| other.and(least)).flatten()?;
                Some(match missing.as_str() {
                    "" => "no rinse after that hold".to_owned(),
                    lines => format!("no rinse of {lines} after that hold"),
                })
            }
            Self::LotUsed {} => {
                let used = steps.iter().any(|step| takes_lot(step) && passed.shows(step, |one| one.has_lot));
                (!used).then(|| "no lot of a product that its steps take".to_owned())
            }
            Self::MissedWork {} => None,
        }
    }
}

/// The steps of a completion that passed, on a subject with these circuits.
struct Passed<'a> {
    steps: &'a [PassedStep<'a>],
    lines: &'a [String],
}

impl Passed<'_> {
    /// Whether a wanted step passed and shows something; asked of each line by itself, it does so for every one.
    fn shows(&self, step: &Step, what: impl Fn(&PassedStep<'_>) -> bool) -> bool {
        if step.for_each == Some(Part::Circuit) && !self.lines.is_empty() {
            return self.lines.iter().all(|line| self.shows_of_line(step, line, &what));
        }
        self.steps.iter().any(|one| one.key.split(':').next() == Some(step.key.as_str()) && what(one))
    }

    fn shows_of_line(&self, step: &Step, line: &str, what: impl Fn(&PassedStep<'_>) -> bool) -> bool {
        let key = format!("{}:{line}", step.key);
        step.for_each == Some(Part::Circuit) && self.steps.iter().any(|one| one.key == key && what(one))
    }

    /// The lines that none of these steps shows by itself, with commas between; empty where there are no circuits, and none
    /// shows it of the subject. `None`: nothing is missing.
    fn lines_without<'s>(
        &self,
        steps: impl Iterator<Item = &'s Step>,
        what: impl Fn(&PassedStep<'_>) -> bool,
    ) -> Option<String> {
        let steps: Vec<&Step> = steps.collect();
        if self.lines.is_empty() {
            return (!steps.iter().any(|step| self.shows(step, &what))).then(String::new);
        }
        let is_missing = |line: &&String| !steps.iter().any(|step| self.shows_of_line(step, line, &what));
        let missing: Vec<&str> = self.lines.iter().filter(is_missing).map(String::as_str).collect();
        (!missing.is_empty()).then(|| missing.join(", "))
    }
}

/// The steps that put a product into the waterlines.
fn fills(steps: &[Step]) -> impl Iterator<Item = &Step> {
    let is_fill =
        |step: &&Step| matches!(step.evidence, StepEvidence::Product { applied_to: AppliedTo::Waterlines, .. });
    steps.iter().filter(is_fill)
}

/// Whether a lot can stand in its record: of a product, or of the strips of a spore test.
fn takes_lot(step: &Step) -> bool {
    matches!(step.evidence, StepEvidence::Product { .. } | StepEvidence::SporeTest {})
}

/// Whether a step is the wait for what another step filled in.
fn is_held_with(hold: &Step, fill: &Step) -> bool {
    let StepEvidence::Hold { minimum_from, .. } = &hold.evidence else { return false };
    minimum_from.as_ref() == Some(&fill.key) || hold.cycle.is_some() && hold.cycle == fill.cycle
}

/// The steps by which lines are rinsed after a wait: those behind it, in its cycle where it has one, that somebody confirms or
/// times. How long is for the maker to say, so that a rinse by volume is one as well.
fn rinses<'a>(steps: &'a [Step], wait: &'a Step) -> impl Iterator<Item = &'a Step> {
    let behind = steps.iter().skip_while(|step| step.key != wait.key).skip(1);
    behind.filter(|step| {
        let is_rinse = match &step.evidence {
            StepEvidence::Confirmation {} => true,
            StepEvidence::Hold { minimum_from, .. } => minimum_from.is_none(),
            _ => false,
        };
        is_rinse && (wait.cycle.is_none() || step.cycle == wait.cycle)
    })
}

/// Whether a hold is of running water: it waits for no product.
fn is_flush(step: &Step, steps: &[Step]) -> bool {
    let StepEvidence::Hold { minimum_from, .. } = &step.evidence else { return false };
    let is_product = |other: &Step| matches!(other.evidence, StepEvidence::Product { .. });
    let in_cycle_with_product =
        step.cycle.is_some() && steps.iter().any(|other| other.cycle == step.cycle && is_product(other));
    minimum_from.is_none() && !in_cycle_with_product
}

fn kept(limits: &[Limit], seconds: u32, on: Option<NaiveDate>) -> bool {
    let mut asked = limits.iter().filter(|limit| on.is_none_or(|on| limit.is_in_force(on)));
    asked.all(|limit| limit.is_kept_by(Qualifier::Eq, seconds.into()) == Some(true))
}

#[cfg(test)]
mod tests;
