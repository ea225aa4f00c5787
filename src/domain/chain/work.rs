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
    /// A product was put into the waterlines by its lot, and held for its contact time: by a hold that takes its minimum from
    /// that step, or belongs to one cycle with it.
    LineDisinfection {},
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
            Self::LineDisinfection {} => {
                f.write_str("a product in the waterlines by its lot, held for its contact time")
            }
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

    /// Whether a routine is of this kind of work: whoever works by it may show it, or fall short of it.
    #[must_use]
    pub fn is_of(&self, routine: &Routine) -> bool {
        let steps = &routine.steps;
        match self {
            Self::LineFlush { .. } => steps.iter().any(|step| is_flush(step, steps)),
            Self::LineDisinfection {} => fills(steps).next().is_some(),
        }
    }

    /// Whether whatever passes by a routine shows it.
    #[must_use]
    pub fn is_asked_by(&self, routine: &Routine) -> bool {
        let steps = &routine.steps;
        match self {
            Self::LineFlush { limits } => steps.iter().any(|step| {
                let StepEvidence::Hold { minimum_seconds, .. } = step.evidence else { return false };
                is_flush(step, steps) && kept(limits, minimum_seconds, None)
            }),
            Self::LineDisinfection {} => fills(steps).any(|fill| steps.iter().any(|hold| is_held_with(hold, fill))),
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
        match self {
            Self::LineFlush { limits } => {
                let run = |key: &str| {
                    let step = passed.iter().find(|step| step.key == key);
                    step.and_then(|step| step.elapsed_seconds).is_some_and(|held| kept(limits, held, Some(on)))
                };
                let flushes = || steps.iter().filter(|step| is_flush(step, steps));
                if subject.circuits.is_empty() {
                    let found = flushes().any(|step| run(&step.key));
                    return (!found).then(|| "no hold of a flush is long enough".to_owned());
                }
                let of_line = |line: &&String| {
                    flushes().any(|step| step.for_each == Some(Part::Circuit) && run(&format!("{}:{line}", step.key)))
                };
                let missing: Vec<&str> =
                    subject.circuits.iter().filter(|line| !of_line(line)).map(String::as_str).collect();
                (!missing.is_empty()).then(|| format!("no such hold of {}", missing.join(", ")))
            }
            Self::LineDisinfection {} => {
                let found = |step: &Step, shows: fn(&PassedStep<'_>) -> bool| {
                    passed.iter().any(|one| one.key.split(':').next() == Some(step.key.as_str()) && shows(one))
                };
                let filled: Vec<&Step> = fills(steps).filter(|fill| found(fill, |one| one.has_lot)).collect();
                if filled.is_empty() {
                    return Some("no lot of a product in the waterlines".to_owned());
                }
                let held = |fill: &&Step| {
                    let is_wait = |hold: &Step| found(hold, |one| one.elapsed_seconds.is_some());
                    steps.iter().any(|hold| is_held_with(hold, fill) && is_wait(hold))
                };
                (!filled.iter().any(held)).then(|| "no hold of that product for its contact time".to_owned())
            }
        }
    }
}

/// The steps that put a product into the waterlines.
fn fills(steps: &[Step]) -> impl Iterator<Item = &Step> {
    let is_fill =
        |step: &&Step| matches!(step.evidence, StepEvidence::Product { applied_to: AppliedTo::Waterlines, .. });
    steps.iter().filter(is_fill)
}

/// Whether a step is the wait for what another step filled in.
fn is_held_with(hold: &Step, fill: &Step) -> bool {
    let StepEvidence::Hold { minimum_from, .. } = &hold.evidence else { return false };
    minimum_from.as_ref() == Some(&fill.key) || hold.cycle.is_some() && hold.cycle == fill.cycle
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
