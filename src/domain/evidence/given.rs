//! What is answered to steps that take more than a tick, a hold or a reading.
//!
//! The rule of this file: an answer says what was seen, in words of its own kind; what that amounts to is judged
//! elsewhere. Nothing here is about a person.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

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
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SporeStrips {
    /// Lot of the one that was run.
    #[schema(min_length = 1, max_length = 60, example = "BI-2207")]
    pub test_lot: String,
    /// Lot of the control.
    #[schema(min_length = 1, max_length = 60, example = "BI-2207")]
    pub control_lot: String,
    /// Whether the one that was run grew; left out until it is read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub test_growth: Option<bool>,
    /// Whether the control grew; left out until it is read.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub control_growth: Option<bool>,
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
