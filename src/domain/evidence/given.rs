//! What is answered to steps that take more than a tick, a hold or a reading.
//!
//! The rule of this file: an answer says what was seen, in words of its own kind; what that amounts to is judged
//! elsewhere. Nothing here is about a person.

use chrono::{Datelike as _, NaiveDate};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::domain::cycle_load::Chamber;
use crate::domain::fault::{Fault, check_text};
use crate::domain::step::{StepEvidence, is_key};
use crate::domain::water_sample::{Draw, WaterSample};

/// An answer of its own kind.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
#[schema(as = TypedAnswer)]
pub enum Given {
    /// To a choice.
    Choice {
        /// The option's key.
        #[schema(example = "colour-changed")]
        option: String,
    },
    /// To a count.
    Count {
        /// How many: up to 1,000,000.
        #[schema(maximum = 1_000_000)]
        count: u32,
    },
    /// To a step that wants labels.
    Reference {
        /// What is on the labels of loads, cycles or packs: up to 80 characters each.
        #[schema(max_items = 40, example = json!(["load 118"]))]
        labels: Vec<String>,
    },
    /// To a step that wants words.
    Text {
        /// The words; never about a patient.
        #[schema(min_length = 1, max_length = 1000)]
        text: String,
    },
    /// To a spore test: first the lots, then what grew.
    SporeTest {
        /// The strips.
        strips: SporeStrips,
    },
    /// To a water sample, when the water was drawn.
    WaterDrawn {
        /// What was drawn.
        drawn: WaterDrawn,
    },
    /// To a water sample, when the result is there.
    WaterSample {
        /// The sample with its results.
        sample: WaterSample,
    },
}

/// A biological indicator that was run, beside one of the same lot that was not.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SporeStrips {
    /// Lot of the one that was run.
    #[schema(min_length = 1, max_length = 60, example = "BI-2207")]
    pub test_lot: String,
    /// Lot of the control.
    #[schema(min_length = 1, max_length = 60, example = "BI-2207")]
    pub control_lot: String,
    /// Last day of that lot on its label, which test and control share; one that was run later shows nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expires_on: Option<NaiveDate>,
    /// The same lot in the clinic's register of lots: its last day and its recall count then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot_id: Option<Uuid>,
    /// The cycle it was run in, as posted for the machine. What is said of cycle, chamber and program when it is run need
    /// not be said again when it is read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cycle_id: Option<Uuid>,
    /// What was in the chamber.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chamber: Option<Chamber>,
    /// What the machine calls its program, where the posted cycle does not say.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 60, example = "wrapped 134")]
    pub program: Option<String>,
    /// Whether the one that was run grew; left out until it is read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub test_growth: Option<bool>,
    /// Whether the control grew; left out until it is read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub control_growth: Option<bool>,
}

impl SporeStrips {
    /// The same with what it leaves out as it was said when the test was run.
    #[must_use]
    pub(super) fn over(&self, run: &Self) -> Self {
        Self {
            expires_on: self.expires_on.or(run.expires_on),
            lot_id: self.lot_id.or(run.lot_id),
            cycle_id: self.cycle_id.or(run.cycle_id),
            chamber: self.chamber.or(run.chamber),
            program: self.program.clone().or_else(|| run.program.clone()),
            ..self.clone()
        }
    }

    /// The fields that say otherwise than when the test was run.
    pub(super) fn differs_from(&self, run: &Self) -> Vec<&'static str> {
        fn differs<T: PartialEq>(now: Option<&T>, run: Option<&T>) -> bool {
            now.is_some() && run.is_some() && now != run
        }
        let mut names = Vec::new();
        for (is_other, name) in [
            (differs(self.expires_on.as_ref(), run.expires_on.as_ref()), "expires_on"),
            (differs(self.lot_id.as_ref(), run.lot_id.as_ref()), "lot_id"),
            (differs(self.cycle_id.as_ref(), run.cycle_id.as_ref()), "cycle_id"),
            (differs(self.chamber.as_ref(), run.chamber.as_ref()), "chamber"),
            (differs(self.program.as_ref(), run.program.as_ref()), "program"),
        ] {
            if is_other {
                names.push(name);
            }
        }
        names
    }
}

/// Water that was drawn and sent away.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WaterDrawn {
    /// How it was drawn.
    pub draw: Draw,
    /// The lines in each bottle, in equal parts: one, or those of a pool.
    #[schema(min_items = 1, max_items = 100, example = json!([["handpiece-1"], ["syringe"]]))]
    pub bottles: Vec<Vec<String>>,
    /// Where it was sent.
    #[schema(min_length = 1, max_length = 200)]
    pub laboratory: String,
}

impl WaterDrawn {
    fn faults(&self) -> Vec<Fault> {
        let mut faults = self.draw.faults();
        check_text(&mut faults, "/laboratory", &self.laboratory, 200);
        if !(1..=100).contains(&self.bottles.len()) {
            faults.push(Fault::new("/bottles", "must be 1 to 100"));
        }
        for (i, lines) in self.bottles.iter().take(100).enumerate() {
            if !(1..=30).contains(&lines.len()) {
                faults.push(Fault::new(format!("/bottles/{i}"), "must name 1 to 30 lines"));
            }
            for (j, line) in lines.iter().take(30).enumerate() {
                if !is_key(line) || lines[..j].contains(line) {
                    let rule = "must be the name of a line, once in a bottle";
                    faults.push(Fault::new(format!("/bottles/{i}/{j}"), rule));
                }
            }
        }
        faults
    }
}

impl Given {
    /// What of an answer to a step of this kind cannot be read, with pointers relative to the answer.
    pub(super) fn faults(&self, evidence: &StepEvidence) -> Vec<Fault> {
        let mut faults = Vec::new();
        match (self, evidence) {
            (Self::Choice { option }, StepEvidence::Choice { options, .. }) => {
                if !options.iter().any(|o| o.key == *option) {
                    let keys: Vec<&str> = options.iter().map(|o| o.key.as_str()).collect();
                    faults.push(Fault::new("/option", format!("must be one of {}", keys.join(", "))));
                }
            }
            (Self::Count { count }, StepEvidence::Count { .. }) => {
                if *count > 1_000_000 {
                    faults.push(Fault::new("/count", "must be at most 1000000"));
                }
            }
            (Self::Reference { labels }, StepEvidence::Reference { at_most }) => {
                let most = *at_most as usize;
                if !(1..=most).contains(&labels.len()) {
                    faults.push(Fault::new("/labels", format!("must be 1 to {most}")));
                }
                for (i, label) in labels.iter().take(most).enumerate() {
                    check_text(&mut faults, &format!("/labels/{i}"), label, 80);
                }
            }
            (Self::Text { text }, StepEvidence::Text {}) => check_text(&mut faults, "/text", text, 1000),
            (Self::SporeTest { strips }, StepEvidence::SporeTest {}) => {
                check_text(&mut faults, "/strips/test_lot", &strips.test_lot, 60);
                check_text(&mut faults, "/strips/control_lot", &strips.control_lot, 60);
                if let Some(program) = &strips.program {
                    check_text(&mut faults, "/strips/program", program, 60);
                }
                if strips.expires_on.is_some_and(|on| !(1970..=2199).contains(&on.year())) {
                    faults.push(Fault::new("/strips/expires_on", "must lie in the years 1970 to 2199"));
                }
            }
            (Self::WaterDrawn { drawn }, StepEvidence::WaterSample { .. }) => {
                faults.extend(drawn.faults().into_iter().map(|f| f.under("/drawn")));
            }
            (Self::WaterSample { sample }, StepEvidence::WaterSample { .. }) => {
                faults.extend(sample.faults().into_iter().map(|f| f.under("/sample")));
            }
            _ => faults.push(Fault::new("/kind", format!("does not answer a step of the kind {}", evidence.kind()))),
        }
        faults
    }
}
