//! What somebody answers to a step of a kind of its own, on an ordinary day.

use chrono::NaiveDate;

use crate::domain::colony_count::{Colonies, Plate};
use crate::domain::evidence::{Given, SporeStrips, WaterDrawn};
use crate::domain::step::StepEvidence;
use crate::domain::water_sample::{Draw, Found, LineResult, WaterSample};

/// The laboratory of the demo; invented.
const LABORATORY: &str = "Tarnbeck Water Laboratory (invented)";

/// An answer that passes, to a wanted step with this key; `None` where a tick, a hold or a reading is asked for.
pub(super) fn given(evidence: &StepEvidence, step: &str, today: NaiveDate, is_read: bool) -> Option<Given> {
    Some(match evidence {
        StepEvidence::Confirmation {}
        | StepEvidence::Hold { .. }
        | StepEvidence::Product { .. }
        | StepEvidence::Reading { .. } => return None,
        StepEvidence::Choice { options, .. } => {
            Given::Choice { option: options.iter().find(|option| option.passes)?.key.clone() }
        }
        StepEvidence::Count { .. } => Given::Count { count: 1 },
        StepEvidence::Reference { .. } => Given::Reference { labels: vec![format!("load of {today}")] },
        StepEvidence::Text {} => Given::Text { text: "nothing to note".to_owned() },
        StepEvidence::SporeTest {} => {
            let lot = "BI-2207".to_owned();
            let (test_growth, control_growth) = (is_read.then_some(false), is_read.then_some(true));
            let strips = SporeStrips { test_lot: lot.clone(), control_lot: lot, test_growth, control_growth };
            Given::SporeTest { strips }
        }
        StepEvidence::WaterSample { .. } => water(vec![step.split_once(':')?.1.to_owned()], today, is_read),
    })
}

fn water(lines: Vec<String>, drawn_on: NaiveDate, is_read: bool) -> Given {
    let (draw, laboratory) = (Draw::FirstDraw {}, LABORATORY.to_owned());
    if !is_read {
        return Given::WaterDrawn { drawn: WaterDrawn { draw, bottles: vec![lines], laboratory } };
    }
    let plate = Plate { seen: Colonies::Counted { colonies: 6 }, plated_ml: 1.into(), diluted_times: 1 };
    let sample = WaterSample {
        drawn_on,
        draw,
        method: "spread plate".to_owned(),
        medium: "R2A agar".to_owned(),
        neutralised: true,
        incubated_celsius: 22.into(),
        incubated_days: 7.into(),
        laboratory,
        results: vec![LineResult { lines, found: Found::Plate { plate } }],
    };
    Given::WaterSample { sample }
}
