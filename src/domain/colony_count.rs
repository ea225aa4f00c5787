//! Colonies on a plate, what they say about the water, and what they leave open.
//!
//! The rule of this file: the verdict stays on the point value. What counting alone leaves uncertain is told beside it
//! and decides nothing; it covers neither how the sample was taken nor how it was grown.
//!
//! No colony is "less than what one colony would have meant", never 0. Too many to count is "more than what the method
//! counts", never a number.

mod poisson;
mod pool;

use rust_decimal::Decimal;
use rust_decimal::prelude::{FromPrimitive, ToPrimitive};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

pub use self::poisson::{Confidence, two_sided, upper_limit};
pub use self::pool::{PoolAdvice, PoolFinding, pool_advice};
use super::evidence::Reading;
use super::fault::Fault;
use super::limit::{Limit, Operator, Qualifier, decimal_text};

/// Colony-forming units in a millilitre, as a UCUM code.
pub const CFU_PER_ML: &str = "[CFU]/mL";

/// More than anybody counts on one plate; a document that says so holds a slip.
pub const MOST_COLONIES: u32 = 10_000;

/// What was seen on a plate.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Colonies {
    /// Counted, one by one.
    Counted {
        /// How many; 0 where there was none.
        #[schema(maximum = 10_000)]
        colonies: u32,
    },
    /// Too many to count.
    TooMany {
        /// The most the laboratory's method counts on one plate: there were more.
        #[schema(minimum = 1, maximum = 10_000, example = 300)]
        more_than: u32,
    },
}

/// A plate that was read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Plate {
    /// What was seen on it.
    pub seen: Colonies,
    /// Millilitres of the (diluted) sample on it: 0.01 to 1000, to the microlitre. Where plates of one dilution are
    /// counted together, the sum of both.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^[0-9]{1,4}(\.[0-9]{1,3})?$", example = "0.1")]
    pub plated_ml: Decimal,
    /// How many times the sample was diluted: 1 is undiluted, 10 is one part in ten.
    #[serde(default = "undiluted")]
    #[schema(default = 1, minimum = 1, maximum = 100_000)]
    pub diluted_times: u32,
}

fn undiluted() -> u32 {
    1
}

impl Plate {
    /// Every broken rule, with pointers relative to the plate.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        match self.seen {
            Colonies::Counted { colonies } if colonies > MOST_COLONIES => {
                faults.push(Fault::new("/seen/colonies", format!("must be at most {MOST_COLONIES}")));
            }
            Colonies::TooMany { more_than } if !(1..=MOST_COLONIES).contains(&more_than) => {
                faults.push(Fault::new("/seen/more_than", format!("must be from 1 to {MOST_COLONIES}")));
            }
            Colonies::Counted { .. } | Colonies::TooMany { .. } => {}
        }
        let microlitres = self.plated_ml * Decimal::ONE_THOUSAND;
        if !microlitres.is_integer() || microlitres < Decimal::TEN || self.plated_ml > Decimal::ONE_THOUSAND {
            faults.push(Fault::new("/plated_ml", "must be from 0.01 to 1000, with at most three decimals"));
        }
        if !(1..=100_000).contains(&self.diluted_times) {
            faults.push(Fault::new("/diluted_times", "must be from 1 (undiluted) to 100000"));
        }
        faults
    }

    /// What the plate says, in CFU/mL, for a plate without [`Plate::faults`]. Rounded to nine decimals, which moves no
    /// value across a limit that has up to three.
    ///
    /// # Examples
    /// ```
    /// use chairtide::domain::colony_count::{Colonies, Plate};
    /// use chairtide::domain::limit::Qualifier;
    /// let plate = |seen| Plate { seen, plated_ml: "0.1".parse().unwrap(), diluted_times: 1 };
    /// let none = plate(Colonies::Counted { colonies: 0 }).reading();
    /// assert_eq!((none.qualifier, none.value), (Qualifier::Lt, 10.into()));
    /// let many = plate(Colonies::TooMany { more_than: 300 }).reading();
    /// assert_eq!((many.qualifier, many.value), (Qualifier::Gt, 3000.into()));
    /// ```
    #[must_use]
    pub fn reading(&self) -> Reading {
        let (qualifier, colonies) = match self.seen {
            Colonies::Counted { colonies: 0 } => (Qualifier::Lt, 1),
            Colonies::Counted { colonies } => (Qualifier::Eq, colonies),
            Colonies::TooMany { more_than } => (Qualifier::Gt, more_than),
        };
        let value = (self.per_ml(colonies.into())).round_dp(9).normalize();
        Reading { qualifier, value, unit: CFU_PER_ML.to_owned() }
    }

    /// What counting alone leaves open; `None` where nothing was counted.
    ///
    /// # Examples
    /// ```
    /// use chairtide::domain::colony_count::{Colonies, Confidence, Plate};
    /// let plated_ml = "0.1".parse().unwrap();
    /// let plate = Plate { seen: Colonies::Counted { colonies: 42 }, plated_ml, diluted_times: 1 };
    /// let interval = plate.interval(Confidence::P95).unwrap();
    /// assert_eq!((interval.lower.to_string(), interval.upper.to_string()), ("302.699".into(), "567.718".into()));
    /// ```
    #[must_use]
    pub fn interval(&self, confidence: Confidence) -> Option<Interval> {
        let Colonies::Counted { colonies } = self.seen else { return None };
        let (lower, upper) = two_sided(colonies.min(MOST_COLONIES), confidence);
        let cfu = |mean: f64| self.per_ml(Decimal::from_f64(mean).unwrap_or_default().round_dp(4)).round_dp(4);
        Some(Interval { lower: cfu(lower).normalize(), upper: cfu(upper).normalize() })
    }

    /// The most colonies on a plate like this that leave the count's one-sided upper limit within a maximum; `None`
    /// where no plate like this could, or the limit is none of CFU/mL from above.
    ///
    /// # Examples
    /// ```
    /// use chairtide::domain::colony_count::{Colonies, Confidence, Plate};
    /// # use chairtide::domain::limit::{Limit, Operator, Seen, SetBy, Source};
    /// # let source = Source { title: "CDC".into(), edition: "2003".into(), locator: String::new(), seen: Seen::Read };
    /// # let unit = "[CFU]/mL".into();
    /// # let at_most_500 =
    /// #     Limit {
    /// #         operator: Operator::Le,
    /// #         value: 500.into(),
    /// #         unit,
    /// #         source,
    /// #         effective_from: None,
    /// #         effective_until: None,
    /// #         set_by: SetBy::Default,
    /// #         jurisdiction: String::new(),
    /// #         legal: false,
    /// #     };
    /// let plated_ml = "0.1".parse().unwrap();
    /// let plate = Plate { seen: Colonies::Counted { colonies: 42 }, plated_ml, diluted_times: 1 };
    /// assert_eq!(plate.most_colonies_within(&at_most_500, Confidence::P95), Some(38));
    /// ```
    #[must_use]
    pub fn most_colonies_within(&self, limit: &Limit, confidence: Confidence) -> Option<u32> {
        if !is_maximum(limit) {
            return None;
        }
        let mean = limit.value / self.per_ml(Decimal::ONE);
        poisson::most_within(mean.to_f64()?.max(0.0), confidence, MOST_COLONIES)
    }

    /// What stands beside the verdict on this plate, under a maximum; `None` where nothing was counted.
    #[must_use]
    pub fn beside(&self, limit: &Limit, confidence: Confidence) -> Option<Beside> {
        if !is_maximum(limit) {
            return None;
        }
        let interval = self.interval(confidence)?;
        let standing = if interval.upper < limit.value {
            Standing::Below
        } else if interval.lower > limit.value {
            Standing::Above
        } else {
            Standing::Includes
        };
        let most_colonies = self.most_colonies_within(limit, confidence);
        Some(Beside { interval, standing, most_colonies })
    }

    fn per_ml(&self, colonies: Decimal) -> Decimal {
        colonies * Decimal::from(self.diluted_times) / self.plated_ml
    }
}

/// Whether a limit bounds CFU/mL from above.
fn is_maximum(limit: &Limit) -> bool {
    matches!(limit.operator, Operator::Lt | Operator::Le) && limit.unit == CFU_PER_ML
}

/// The limits that counting alone leaves a true count between, in CFU/mL, two-sided.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Interval {
    /// The lower one; 0 where no colony was seen.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "302.699")]
    pub lower: Decimal,
    /// The upper one.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "567.718")]
    pub upper: Decimal,
}

/// Where the interval of a count lies against a maximum.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = IntervalPosition)]
pub enum Standing {
    /// Wholly below it.
    Below,
    /// The limit lies within the interval: counting alone does not settle the question.
    Includes,
    /// Wholly above it.
    Above,
}

/// Information beside a verdict; it changes none.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
#[schema(as = CountInformation)]
pub struct Beside {
    /// The interval of the count.
    pub interval: Interval,
    /// Where it lies against the limit.
    pub standing: Standing,
    /// The most colonies on a plate like this whose one-sided upper limit is within the limit; absent where no plate
    /// like this could show it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub most_colonies: Option<u32>,
}

impl Beside {
    /// One sentence for people.
    #[must_use]
    pub fn sentence(&self, limit: &Limit) -> String {
        let Interval { lower, upper } = &self.interval;
        let (lower, upper) = (lower.round_dp(1), upper.round_dp(1));
        let place = match self.standing {
            Standing::Below => "is below",
            Standing::Includes => "includes",
            Standing::Above => "is above",
        };
        format!("counting alone leaves {lower} to {upper} {CFU_PER_ML}; this {place} the limit {limit}")
    }
}

#[cfg(test)]
mod tests;
