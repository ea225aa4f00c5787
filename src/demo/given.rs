//! What somebody answers to a step of a kind of its own.

use chrono::{Datelike as _, NaiveDate};

use crate::domain::colony_count::{Colonies, Plate};
use crate::domain::evidence::{Given, SporeStrips, WaterDrawn};
use crate::domain::step::StepEvidence;
use crate::domain::water_sample::{Draw, Found, LineResult, WaterSample};

/// The laboratory of the demo; invented.
const LABORATORY: &str = "Tarnbeck Water Laboratory (invented)";

/// An answer that passes; `None` where a tick, a hold, a value or a sample is asked for.
pub(super) fn given(evidence: &StepEvidence, today: NaiveDate, is_read: bool) -> Option<Given> {
    Some(match evidence {
        StepEvidence::Confirmation {}
        | StepEvidence::Hold { .. }
        | StepEvidence::Product { .. }
        | StepEvidence::Reading { .. }
        | StepEvidence::WaterSample { .. } => return None,
        StepEvidence::Choice { options, .. } => {
            Given::Choice { option: options.iter().find(|option| option.passes)?.key.clone() }
        }
        StepEvidence::Count { .. } => Given::Count { count: 1 },
        StepEvidence::Reference { .. } => Given::Reference { labels: vec![format!("load of {today}")] },
        StepEvidence::Text {} => Given::Text { text: "nothing to note".to_owned() },
        StepEvidence::SporeTest {} => {
            let lot = "BI-2207".to_owned();
            let (test_growth, control_growth) = (is_read.then_some(false), is_read.then_some(true));
            let (test_lot, control_lot) = (lot.clone(), lot);
            // Through the year after: the same when it is run and when it is read.
            let expires_on = NaiveDate::from_ymd_opt(today.year() + 1, 12, 31);
            let rest = SporeStrips::default();
            let strips = SporeStrips { test_lot, control_lot, expires_on, test_growth, control_growth, ..rest };
            Given::SporeTest { strips }
        }
    })
}

/// Water of each line, each in a bottle of its own, as it is drawn.
pub(super) fn drawn(lines: &[String]) -> Given {
    let bottles = lines.iter().map(|line| vec![line.clone()]).collect();
    Given::WaterDrawn { drawn: WaterDrawn { draw: Draw::FirstDraw {}, bottles, laboratory: LABORATORY.to_owned() } }
}

/// The same water with the colonies found in a millilitre of each line.
pub(super) fn counted(lines: &[(String, u32)], drawn_on: NaiveDate) -> Given {
    let found = |colonies| {
        let plate = Plate { seen: Colonies::Counted { colonies }, plated_ml: 1.into(), diluted_times: 1 };
        Found::Plate { plate }
    };
    let result = |(line, colonies): &(String, u32)| LineResult { lines: vec![line.clone()], found: found(*colonies) };
    let sample = WaterSample {
        drawn_on,
        draw: Draw::FirstDraw {},
        method: "spread plate".to_owned(),
        medium: "R2A agar".to_owned(),
        neutralised: true,
        incubated_celsius: 22.into(),
        incubated_days: 7.into(),
        laboratory: LABORATORY.to_owned(),
        results: lines.iter().map(result).collect(),
    };
    Given::WaterSample { sample }
}
