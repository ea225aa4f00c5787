//! A sample of procedural water: what was drawn from which lines, how it was grown, and what each line's plate says.
//!
//! The rule of this file: the verdict is the point value against the limit in force on the day the water was drawn, at
//! the clinic's place. What the count leaves open, and what a pool hides, is told beside it. How a sample was taken and
//! grown changes its count, so all of that is part of the record (Standard Methods 9215; Noce et al., J Can Dent Assoc
//! 2000;66:262; read, partly from memory).

use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::colony_count::{Beside, CFU_PER_ML, Confidence, Plate, PoolAdvice, pool_advice};
use super::evidence::Reading;
use super::fault::{Fault, check_text};
use super::limit::{Limit, Qualifier, decimal_text};
use super::limit_order::{DecidedLimit, decide};
use super::step::is_key;

/// What is counted in a water sample.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum WaterCount {
    /// Everything that grows on the plate: the heterotrophic plate count.
    #[default]
    Heterotrophic,
    /// Legionella.
    Legionella,
    /// Pseudomonas aeruginosa.
    PseudomonasAeruginosa,
    /// Nontuberculous mycobacteria.
    NontuberculousMycobacteria,
}

impl WaterCount {
    /// What stands before a count in words; empty where it is the count of everything that grows.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Heterotrophic => "",
            Self::Legionella => "Legionella ",
            Self::PseudomonasAeruginosa => "Pseudomonas aeruginosa ",
            Self::NontuberculousMycobacteria => "nontuberculous mycobacteria ",
        }
    }

    /// Whether everything is counted: what a document means that says nothing of it.
    #[must_use]
    pub fn is_of_everything(&self) -> bool {
        *self == Self::Heterotrophic
    }
}

/// How the water was drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
#[schema(as = SampleDraw)]
pub enum Draw {
    /// The first water that came.
    FirstDraw {},
    /// After a flush.
    Flushed {
        /// Seconds flushed.
        #[schema(minimum = 1, maximum = 3600)]
        seconds: u32,
    },
}

impl Draw {
    /// Every broken rule, with pointers relative to the document that holds the draw.
    pub(super) fn faults(self) -> Vec<Fault> {
        match self {
            Self::Flushed { seconds } if !(1..=3600).contains(&seconds) => {
                vec![Fault::new("/draw/seconds", "must be from 1 to 3600")]
            }
            Self::FirstDraw {} | Self::Flushed { .. } => Vec::new(),
        }
    }
}

/// What was found for one line, or for a pool of lines.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
#[schema(as = LineFinding)]
pub enum Found {
    /// The plate, as it was read.
    Plate {
        /// The plate.
        plate: Plate,
    },
    /// The figure alone, as a laboratory reports it; what its count leaves open is not known.
    Reported {
        /// Whether it is exact or a bound; "not found" is less than the laboratory's least, never 0.
        qualifier: Qualifier,
        /// CFU/mL.
        #[serde(with = "decimal_text")]
        #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "10")]
        cfu_per_ml: Decimal,
    },
}

/// One bottle of a sample.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LineResult {
    /// The lines in it, in equal parts: one, or those of a pool.
    #[schema(example = json!(["handpiece-1"]))]
    pub lines: Vec<String>,
    /// What was found.
    pub found: Found,
}

/// A sample with its results.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WaterSample {
    /// The clinic day on which the water was drawn; it decides the limits.
    pub drawn_on: NaiveDate,
    /// How it was drawn.
    pub draw: Draw,
    /// The method by which it was grown, as the laboratory names it.
    #[schema(example = "spread plate")]
    pub method: String,
    /// The medium.
    #[schema(example = "R2A agar")]
    pub medium: String,
    /// A residual disinfectant was neutralised.
    pub neutralised: bool,
    /// Temperature of incubation in degrees Celsius: 1 to 60.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "22")]
    pub incubated_celsius: Decimal,
    /// Days of incubation: above 0, at most 30.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "7")]
    pub incubated_days: Decimal,
    /// Who read it: a laboratory, or the clinic itself.
    pub laboratory: String,
    /// What was found, bottle by bottle: 1 to 100.
    pub results: Vec<LineResult>,
}

/// What one bottle says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct JudgedLine {
    /// What was counted; left out: everything that grows.
    #[serde(skip_serializing_if = "WaterCount::is_of_everything")]
    pub counted: WaterCount,
    /// The lines in it.
    pub lines: Vec<String>,
    /// How many they are.
    pub pool_size: u32,
    /// The point value.
    pub reading: Reading,
    /// The limit that decides, with its answer; absent where none is in force.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decided: Option<DecidedLimit>,
    /// What counting alone leaves open, at 95 %; information only. Absent where no colonies were counted, and for a pool,
    /// whose count is of none of its lines.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub beside: Option<Beside>,
    /// What a pool says about one line; information only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub pool: Option<PoolAdvice>,
}

impl WaterSample {
    /// Every broken rule, with pointers relative to the sample.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        faults.extend(self.draw.faults());
        check_text(&mut faults, "/method", &self.method, 100);
        check_text(&mut faults, "/medium", &self.medium, 100);
        check_text(&mut faults, "/laboratory", &self.laboratory, 200);
        if !(Decimal::ONE..=Decimal::from(60)).contains(&self.incubated_celsius) {
            faults.push(Fault::new("/incubated_celsius", "must be from 1 to 60"));
        }
        if self.incubated_days <= Decimal::ZERO || self.incubated_days > 30.into() {
            faults.push(Fault::new("/incubated_days", "must be above 0 and at most 30"));
        }
        if !(1..=100).contains(&self.results.len()) {
            faults.push(Fault::new("/results", "must have 1 to 100 results"));
        }
        for (i, result) in self.results.iter().enumerate() {
            faults.extend(result.faults().into_iter().map(|f| f.under(&format!("/results/{i}"))));
        }
        faults
    }

    /// Holds every bottle of a sample without [`WaterSample::faults`] against the limits of its quantity.
    #[must_use]
    pub fn judge(&self, counted: WaterCount, limits: &[Limit], place: &str) -> Vec<JudgedLine> {
        self.results.iter().map(|result| result.judge(counted, limits, (self.drawn_on, place))).collect()
    }
}

impl LineResult {
    fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        if !(1..=30).contains(&self.lines.len()) {
            faults.push(Fault::new("/lines", "must name 1 to 30 lines"));
        }
        for (i, line) in self.lines.iter().enumerate() {
            if !is_key(line) {
                faults.push(Fault::new(format!("/lines/{i}"), "must be 1 to 40 lower-case letters, digits or hyphens"));
            }
            if self.lines[..i].contains(line) {
                faults.push(Fault::new(format!("/lines/{i}"), "stands twice in one bottle"));
            }
        }
        match &self.found {
            Found::Plate { plate } => faults.extend(plate.faults().into_iter().map(|f| f.under("/found/plate"))),
            Found::Reported { cfu_per_ml, .. } if *cfu_per_ml <= Decimal::ZERO => faults.push(Fault::new(
                "/found/cfu_per_ml",
                "must be above 0; where nothing grew, state it as less than the least the laboratory can find",
            )),
            Found::Reported { .. } => {}
        }
        faults
    }

    fn judge(&self, counted: WaterCount, limits: &[Limit], (drawn_on, place): (NaiveDate, &str)) -> JudgedLine {
        let pool_size = u32::try_from(self.lines.len()).unwrap_or(u32::MAX);
        let reading = match &self.found {
            Found::Plate { plate } => plate.reading(),
            Found::Reported { qualifier, cfu_per_ml } => {
                Reading { qualifier: *qualifier, value: *cfu_per_ml, unit: CFU_PER_ML.to_owned() }
            }
        };
        // The answer from above comes first; a count has no limit from below.
        let decided = decide(limits, &reading, drawn_on, place).into_iter().next();
        let limit = decided.as_ref().map(|decided| &decided.deciding.limit);
        let beside = match &self.found {
            Found::Plate { plate } if pool_size == 1 => limit.and_then(|limit| plate.beside(limit, Confidence::P95)),
            Found::Plate { .. } | Found::Reported { .. } => None,
        };
        let pool = limit.and_then(|limit| pool_advice(pool_size, &reading, limit));
        JudgedLine { counted, lines: self.lines.clone(), pool_size, reading, decided, beside, pool }
    }
}

#[cfg(test)]
mod tests;
