//! The ordered steps of a routine and what each of them wants as evidence.
//!
//! The rule of this file: a step that is worked once for each circuit or suction line is asked for, and judged, once
//! for each. A flush of "all lines" that forgot one is not a flush of all lines.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::fault::{Fault, check_text};
use super::limit::{Limit, unit_faults};
use super::subject::Subject;

/// One step of a routine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Step {
    /// Name of the step within its routine: lower-case letters, digits and hyphens.
    #[schema(pattern = "^[a-z0-9][a-z0-9-]{0,39}$", example = "flush")]
    pub key: String,
    /// What to do, as one instruction.
    pub instruction: String,
    /// The step is worked once for each of these parts of the operatory.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub for_each: Option<Part>,
    /// The task cannot be completed without this step; an optional one may be answered `not_applicable`.
    #[serde(default = "required_by_default")]
    #[schema(default = true)]
    pub required: bool,
    /// What the step wants as evidence.
    pub evidence: StepEvidence,
}

fn required_by_default() -> bool {
    true
}

/// Parts of an operatory that a step can be worked for one by one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// Each waterline circuit.
    Circuit,
    /// Each suction line.
    SuctionLine,
}

/// What a step wants as evidence.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum StepEvidence {
    /// Somebody confirms that it was done.
    Confirmation {},
    /// A wait that is measured, by the server or by the device's monotonic counter.
    Hold {
        /// Shortest time that counts, in seconds.
        #[schema(minimum = 1, maximum = 86400, example = 120)]
        minimum_seconds: u32,
        /// Where the minimum comes from.
        source: super::limit::Source,
        /// Key of a product step of the routine: the contact time of the product it was worked with counts where it is
        /// longer, and its maximum where it has one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(example = "fill")]
        minimum_from: Option<String>,
    },
    /// A lot of a product that the work is done with.
    Product {
        /// The products that may be used, at least one.
        #[schema(min_items = 1, max_items = 50)]
        product_ids: Vec<Uuid>,
        /// Which of the product's uses this is.
        #[schema(example = "line-disinfection")]
        use_key: String,
        /// Where it is put.
        applied_to: AppliedTo,
    },
    /// A value that is read and judged.
    Reading {
        /// Unit of the reading as a UCUM code.
        #[schema(example = "mg/L")]
        unit: String,
        /// Limits it must keep, all of those in force on the clinic day.
        limits: Vec<Limit>,
        /// What a reading outside its limits does to the task.
        on_failure: OnFailure,
        /// The value may come later than the sample: the task then awaits its result.
        #[serde(default)]
        result_may_follow: bool,
    },
}

/// Where a product is put.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AppliedTo {
    /// Suction lines; the amalgam rule looks at these.
    SuctionLines,
    /// Solids traps of the chair; the amalgam rule looks at these too.
    Traps,
    /// Waterlines and their reservoir.
    Waterlines,
    /// Surfaces.
    Surfaces,
    /// Instruments.
    Instruments,
}

/// What a reading outside its limits does to the task.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OnFailure {
    /// The work has to be done again: the task stays open.
    Repeat,
    /// The test was made and says no: the task is done, its verdict is `failed`.
    Record,
}

impl Step {
    fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        if !is_key(&self.key) {
            faults.push(Fault::new("/key", "must be 1 to 40 lower-case letters, digits or hyphens"));
        }
        check_text(&mut faults, "/instruction", &self.instruction, 600);
        match &self.evidence {
            StepEvidence::Confirmation {} => {}
            StepEvidence::Hold { minimum_seconds, source, .. } => {
                if !(1..=86_400).contains(minimum_seconds) {
                    faults.push(Fault::new("/evidence/minimum_seconds", "must be from 1 to 86400"));
                }
                faults.extend(source.faults().into_iter().map(|f| f.under("/evidence/source")));
            }
            StepEvidence::Product { product_ids, use_key, .. } => faults.extend(product_faults(product_ids, use_key)),
            StepEvidence::Reading { unit, limits, .. } => {
                faults.extend(unit_faults(unit).into_iter().map(|f| f.under("/evidence")));
                for (i, limit) in limits.iter().enumerate() {
                    let at = format!("/evidence/limits/{i}");
                    faults.extend(limit.faults().into_iter().map(|f| f.under(&at)));
                    if limit.unit != *unit {
                        faults
                            .push(Fault::new(format!("{at}/unit"), format!("must be the unit of the reading, {unit}")));
                    }
                }
            }
        }
        faults
    }
}

fn product_faults(product_ids: &[Uuid], use_key: &str) -> Vec<Fault> {
    let mut faults = Vec::new();
    if product_ids.is_empty() || product_ids.len() > 50 {
        faults.push(Fault::new("/evidence/product_ids", "must name 1 to 50 products"));
    }
    if !is_key(use_key) {
        faults.push(Fault::new("/evidence/use_key", "must be 1 to 40 lower-case letters, digits or hyphens"));
    }
    faults
}

/// Whether a text can name a step, or a part of an operatory.
pub(super) fn is_key(key: &str) -> bool {
    (1..=40).contains(&key.len())
        && !key.starts_with('-')
        && key.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
}

/// Every broken rule of a list of steps, with pointers relative to the list.
#[must_use]
pub fn faults(steps: &[Step]) -> Vec<Fault> {
    let mut faults = Vec::new();
    if steps.is_empty() || steps.len() > 40 {
        faults.push(Fault::new("", "must have 1 to 40 steps"));
    }
    for (i, step) in steps.iter().enumerate() {
        faults.extend(step.faults().into_iter().map(|f| f.under(&format!("/{i}"))));
        if steps[..i].iter().any(|s| s.key == step.key) {
            faults.push(Fault::new(format!("/{i}/key"), "stands twice; keys must differ within a routine"));
        }
        if let StepEvidence::Hold { minimum_from: Some(name), .. } = &step.evidence
            && !steps.iter().any(|s| s.key == *name && matches!(s.evidence, StepEvidence::Product { .. }))
        {
            let rule = "must name a step of this routine that asks for a product";
            faults.push(Fault::new(format!("/{i}/evidence/minimum_from"), rule));
        }
    }
    faults
}

/// The name of a part (circuit, suction line) within an operatory, under the same rule as a step's key.
#[must_use]
pub fn part_faults(parts: &[String]) -> Vec<Fault> {
    let mut faults = Vec::new();
    if parts.len() > 30 {
        faults.push(Fault::new("", "must have at most 30 parts"));
    }
    for (i, part) in parts.iter().enumerate() {
        if !is_key(part) {
            faults.push(Fault::new(format!("/{i}"), "must be 1 to 40 lower-case letters, digits or hyphens"));
        }
        if parts[..i].contains(part) {
            faults.push(Fault::new(format!("/{i}"), "stands twice; parts must differ within an operatory"));
        }
    }
    faults
}

/// One piece of evidence a task wants: a step, or a step for one part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WantedStep<'a> {
    /// `flush`, or `flush:handpiece-1` where the step is worked for each part.
    pub key: String,
    /// The part it is worked for.
    pub part: Option<&'a str>,
    /// The step.
    pub step: &'a Step,
}

/// The evidence a task on `subject` wants, in order. A step for each of no parts wants nothing.
#[must_use]
pub fn wanted<'a>(steps: &'a [Step], subject: &'a Subject) -> Vec<WantedStep<'a>> {
    let mut wanted = Vec::new();
    for step in steps {
        let parts = match step.for_each {
            None => {
                wanted.push(WantedStep { key: step.key.clone(), part: None, step });
                continue;
            }
            Some(Part::Circuit) => &subject.circuits,
            Some(Part::SuctionLine) => &subject.suction_lines,
        };
        wanted.extend(parts.iter().map(|part| WantedStep {
            key: format!("{}:{part}", step.key),
            part: Some(part),
            step,
        }));
    }
    wanted
}

#[cfg(test)]
mod tests;
