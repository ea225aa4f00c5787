//! The ordered steps of a routine and what each of them wants as evidence.
//!
//! The rule of this file: a step that is worked once for each circuit or suction line is asked for, and judged, once
//! for each. A flush of "all lines" that forgot one is not a flush of all lines.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::colony_count::CFU_PER_ML;
use super::fault::{Fault, check_text};
use super::limit::{Limit, SetBy, unit_faults};
use super::subject::Subject;
use super::water_sample::WaterCount;

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
    /// Name of the cycle it belongs to. The steps of one cycle (empty, fill, hold, empty, rinse) stand or fall together:
    /// when one of them fails, all of them are asked for again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(pattern = "^[a-z0-9][a-z0-9-]{0,39}$", example = "disinfection")]
    pub cycle: Option<String>,
    /// What the step wants as evidence.
    pub evidence: StepEvidence,
}

fn required_by_default() -> bool {
    true
}

/// Parts of an operatory that a step can be worked for one by one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = OperatoryPart)]
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
        /// Longest time that counts, in seconds, where the maker states one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(minimum = 1, maximum = 86400)]
        maximum_seconds: Option<u32>,
        /// Where the times come from.
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
        /// Limits it must keep, of those in force on the clinic day and at the clinic's place. Where several bound it
        /// from one side, whoever is nearest to the work decides, and then the most local and the strictest.
        limits: Vec<Limit>,
        /// What a reading outside its limits does to the task.
        on_failure: OnFailure,
        /// The value may come later than the sample: the task then awaits its result.
        #[serde(default)]
        result_may_follow: bool,
        /// The instrument must be named.
        #[serde(default, skip_serializing_if = "is_false")]
        needs_instrument: bool,
    },
    /// One of a few answers.
    Choice {
        /// The answers, 2 to 20.
        options: Vec<ChoiceOption>,
        /// What an answer that does not pass does to the task.
        on_failure: OnFailure,
    },
    /// A whole number of things; never of people.
    Count {
        /// What is counted, as a UCUM annotation.
        #[schema(example = "{pack}")]
        unit: String,
        /// Limits it must keep, as for a reading.
        #[serde(default, skip_serializing_if = "Vec::is_empty")]
        limits: Vec<Limit>,
        /// What a count outside its limits does to the task.
        on_failure: OnFailure,
    },
    /// What is on labels: of loads, cycles or packs.
    Reference {
        /// Most labels that may be given.
        #[schema(minimum = 1, maximum = 40)]
        at_most: u32,
    },
    /// Something to be said in words.
    Text {},
    /// A biological indicator beside an unprocessed control of its lot. A control of another lot or without growth, or a lot
    /// over its last day when it was run, makes the test void: it is due again at once.
    SporeTest {},
    /// Water drawn from lines and grown in a laboratory. The task awaits the result; each bottle is judged by itself.
    WaterSample {
        /// Limits for CFU/mL, as for a reading.
        limits: Vec<Limit>,
        /// The most lines pooled in one bottle.
        #[schema(minimum = 1, maximum = 30)]
        most_lines_in_pool: u32,
        /// What is counted; left out: everything that grows (the heterotrophic plate count).
        #[serde(default, skip_serializing_if = "WaterCount::is_of_everything")]
        counts: WaterCount,
    },
}

/// One answer of a choice.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ChoiceOption {
    /// What the answer is recorded as.
    #[schema(pattern = "^[a-z0-9][a-z0-9-]{0,39}$", example = "colour-changed")]
    pub key: String,
    /// What it says to people.
    #[schema(min_length = 1, max_length = 200)]
    pub text: String,
    /// Whether the step passes with it.
    pub passes: bool,
}

impl StepEvidence {
    /// The stable name of the kind, as stored and served.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Confirmation {} => "confirmation",
            Self::Hold { .. } => "hold",
            Self::Product { .. } => "product",
            Self::Reading { .. } => "reading",
            Self::Choice { .. } => "choice",
            Self::Count { .. } => "count",
            Self::Reference { .. } => "reference",
            Self::Text {} => "text",
            Self::SporeTest {} => "spore_test",
            Self::WaterSample { .. } => "water_sample",
        }
    }

    /// The limits it is judged by, before anybody's own.
    #[must_use]
    pub fn limits(&self) -> &[Limit] {
        match self {
            Self::Reading { limits, .. } | Self::Count { limits, .. } | Self::WaterSample { limits, .. } => limits,
            _ => &[],
        }
    }

    /// The unit its limits must have; `None`: it takes no limits.
    #[must_use]
    pub fn limit_unit(&self) -> Option<&str> {
        match self {
            Self::Reading { unit, .. } | Self::Count { unit, .. } => Some(unit),
            Self::WaterSample { .. } => Some(CFU_PER_ML),
            _ => None,
        }
    }

    /// Whether its result may come later than the sample.
    #[must_use]
    pub fn result_may_follow(&self) -> bool {
        match self {
            Self::Reading { result_may_follow, .. } => *result_may_follow,
            Self::SporeTest {} | Self::WaterSample { .. } => true,
            _ => false,
        }
    }

    /// What a value outside its limits does to the task. A test that says no is done: it is not to be repeated until it
    /// says yes.
    #[must_use]
    pub fn on_failure(&self) -> OnFailure {
        match self {
            Self::Reading { on_failure, .. } | Self::Choice { on_failure, .. } | Self::Count { on_failure, .. } => {
                *on_failure
            }
            Self::SporeTest {} | Self::WaterSample { .. } => OnFailure::Record,
            Self::Confirmation {}
            | Self::Hold { .. }
            | Self::Product { .. }
            | Self::Reference { .. }
            | Self::Text {} => OnFailure::Repeat,
        }
    }
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands the field by reference")]
fn is_false(value: &bool) -> bool {
    !value
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
        if self.cycle.as_deref().is_some_and(|cycle| !is_key(cycle)) {
            faults.push(Fault::new("/cycle", "must be 1 to 40 lower-case letters, digits or hyphens"));
        }
        faults.extend(self.evidence.faults().into_iter().map(|f| f.under("/evidence")));
        faults
    }
}

impl StepEvidence {
    fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        match self {
            Self::Confirmation {} | Self::Text {} | Self::SporeTest {} => {}
            Self::Hold { minimum_seconds, maximum_seconds, source, .. } => {
                if !(1..=86_400).contains(minimum_seconds) {
                    faults.push(Fault::new("/minimum_seconds", "must be from 1 to 86400"));
                }
                if maximum_seconds.is_some_and(|most| !(*minimum_seconds..=86_400).contains(&most)) {
                    faults.push(Fault::new("/maximum_seconds", "must be from minimum_seconds to 86400"));
                }
                faults.extend(source.faults().into_iter().map(|f| f.under("/source")));
            }
            Self::Product { product_ids, use_key, .. } => faults.extend(product_faults(product_ids, use_key)),
            Self::Reading { unit, .. } | Self::Count { unit, .. } => faults.extend(unit_faults(unit)),
            Self::Choice { options, .. } => faults.extend(option_faults(options)),
            Self::Reference { at_most } => {
                if !(1..=40).contains(at_most) {
                    faults.push(Fault::new("/at_most", "must be from 1 to 40"));
                }
            }
            Self::WaterSample { most_lines_in_pool, .. } => {
                if !(1..=30).contains(most_lines_in_pool) {
                    faults.push(Fault::new("/most_lines_in_pool", "must be from 1 to 30"));
                }
            }
        }
        if let Some(unit) = self.limit_unit() {
            faults.extend(limit_faults(self.limits(), unit).into_iter().map(|f| f.under("/limits")));
            for (i, limit) in self.limits().iter().enumerate().filter(|(_, limit)| limit.set_by == SetBy::Clinic) {
                let rule = format!("a clinic sets its own limit ({limit}) as an override of that clinic");
                faults.push(Fault::new(format!("/limits/{i}/set_by"), rule));
            }
        }
        faults
    }
}

/// Every broken rule of limits for a quantity in `unit`, with pointers relative to the list.
#[must_use]
pub fn limit_faults(limits: &[Limit], unit: &str) -> Vec<Fault> {
    let mut faults = Vec::new();
    if limits.len() > 20 {
        faults.push(Fault::new("", "must have at most 20 limits"));
    }
    for (i, limit) in limits.iter().enumerate() {
        faults.extend(limit.faults().into_iter().map(|f| f.under(&format!("/{i}"))));
        if limit.unit != unit {
            faults.push(Fault::new(format!("/{i}/unit"), format!("must be the unit of the reading, {unit}")));
        }
    }
    faults
}

fn product_faults(product_ids: &[Uuid], use_key: &str) -> Vec<Fault> {
    let mut faults = Vec::new();
    if product_ids.is_empty() || product_ids.len() > 50 {
        faults.push(Fault::new("/product_ids", "must name 1 to 50 products"));
    }
    if !is_key(use_key) {
        faults.push(Fault::new("/use_key", "must be 1 to 40 lower-case letters, digits or hyphens"));
    }
    faults
}

fn option_faults(options: &[ChoiceOption]) -> Vec<Fault> {
    let mut faults = Vec::new();
    if !(2..=20).contains(&options.len()) {
        faults.push(Fault::new("/options", "must be 2 to 20"));
    }
    for (i, option) in options.iter().enumerate() {
        if !is_key(&option.key) {
            let rule = "must be 1 to 40 lower-case letters, digits or hyphens";
            faults.push(Fault::new(format!("/options/{i}/key"), rule));
        }
        if options[..i].iter().any(|other| other.key == option.key) {
            faults.push(Fault::new(format!("/options/{i}/key"), "stands twice"));
        }
        check_text(&mut faults, &format!("/options/{i}/text"), &option.text, 200);
    }
    if !options.iter().any(|option| option.passes) {
        faults.push(Fault::new("/options", "must have one that passes"));
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
