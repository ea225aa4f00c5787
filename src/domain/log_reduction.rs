//! How far a treatment brought a count down, in powers of ten.
//!
//! The rule of this file: no rounding says more than the counts do. A reduction, or the least it can have been, is
//! rounded down: 99.97 % is "3-log", and what was known is never written as 100 %. Only the most it can have been is
//! rounded up. (log10 reduction R = log10(before/after) = -log10(1 - share): standard
//! definition, read.)

use rust_decimal::prelude::{FromPrimitive, ToPrimitive};
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use thiserror::Error;
use utoipa::ToSchema;

use super::evidence::Reading;
use super::limit::{Qualifier, decimal_text};

/// Whether a reduction is known or bounded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = ReductionBound)]
pub enum Extent {
    /// Both counts are known.
    Exactly,
    /// There may have been more: the later count is "less than", or the earlier one "more than".
    AtLeast,
    /// There may have been less: the later count is "more than", or the earlier one "less than".
    AtMost,
}

/// The reduction between two counts.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct LogReduction {
    /// Whether the figures are known or bounds.
    pub extent: Extent,
    /// log10(before/after) to four decimals, rounded down, but up for `at_most`; negative where the count rose.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "2.903")]
    pub log10: Decimal,
    /// Percent of the count that went, to nine decimals, rounded in the same way; negative where the count rose.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "99.875")]
    pub percent: Decimal,
    /// Whole powers of ten, rounded down: the 2 of "2-log". 0 where the count rose.
    pub whole_logs: u32,
}

/// Why two counts give no reduction.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum NoReduction {
    /// A count of 0 was given, or one below.
    #[error("a count must be above 0; where nothing was found, state it as less than what one colony would have meant")]
    NotAboveZero,
    /// The counts have different units.
    #[error("both counts must have one unit")]
    UnitsDiffer,
    /// Both counts are bounds on the same side.
    #[error("two counts that are both \"less than\" or both \"more than\" say nothing about the reduction")]
    Undecided,
    /// A count has more digits than are read.
    #[error("a count must be less than 1000000000000, with at most nine decimals")]
    TooLong,
}

/// The reduction from one count to a later one.
///
/// # Errors
/// [`NoReduction`], where the counts allow no statement.
///
/// # Examples
/// ```
/// use chairtide::domain::evidence::Reading;
/// use chairtide::domain::limit::Qualifier;
/// use chairtide::domain::log_reduction::{Extent, log_reduction};
/// let count = |qualifier, value: &str| Reading {
///     qualifier,
///     value: value.parse().unwrap(),
///     unit: "[CFU]/mL".into(),
/// };
/// let known = log_reduction(&count(Qualifier::Eq, "580"), &count(Qualifier::Eq, "0.725")).unwrap();
/// assert_eq!((known.percent.to_string(), known.whole_logs), ("99.875".into(), 2));
/// // No colony on 0.1 mL: at least 3 powers of ten, perhaps more.
/// let bound = log_reduction(&count(Qualifier::Eq, "10000"), &count(Qualifier::Lt, "10")).unwrap();
/// assert_eq!((bound.extent, bound.whole_logs), (Extent::AtLeast, 3));
/// ```
pub fn log_reduction(before: &Reading, after: &Reading) -> Result<LogReduction, NoReduction> {
    let extent = match (before.qualifier, after.qualifier) {
        (Qualifier::Eq, Qualifier::Eq) => Extent::Exactly,
        (Qualifier::Eq | Qualifier::Gt, Qualifier::Eq | Qualifier::Lt) => Extent::AtLeast,
        (Qualifier::Eq | Qualifier::Lt, Qualifier::Eq | Qualifier::Gt) => Extent::AtMost,
        (Qualifier::Lt, Qualifier::Lt) | (Qualifier::Gt, Qualifier::Gt) => return Err(NoReduction::Undecided),
    };
    if before.unit != after.unit {
        return Err(NoReduction::UnitsDiffer);
    }
    for count in [before.value, after.value] {
        if count <= Decimal::ZERO {
            return Err(NoReduction::NotAboveZero);
        }
        if count >= Decimal::from(1_000_000_000_000_u64) || count.normalize().scale() > 9 {
            return Err(NoReduction::TooLong);
        }
    }
    let rounding = match extent {
        Extent::Exactly | Extent::AtLeast => RoundingStrategy::ToNegativeInfinity,
        Extent::AtMost => RoundingStrategy::ToPositiveInfinity,
    };
    let (whole, rest) = powers_of_ten(before.value, after.value);
    let log10 = Decimal::from(whole) + rest.round_dp_with_strategy(4, rounding);
    let share = Decimal::ONE_HUNDRED * (before.value - after.value) / before.value;
    let mut percent = share.round_dp_with_strategy(9, rounding);
    if extent != Extent::AtMost {
        // Division may have rounded its last digit up to a whole 100; something was left all the same.
        percent = percent.min(Decimal::ONE_HUNDRED - Decimal::new(1, 9));
    }
    Ok(LogReduction {
        extent,
        log10: log10.normalize(),
        percent: percent.normalize(),
        whole_logs: u32::try_from(whole).unwrap_or(0),
    })
}

impl LogReduction {
    /// As people write it: "2-log", "at least 3-log", "at most 2.699 log10".
    #[must_use]
    pub fn in_words(&self) -> String {
        match self.extent {
            Extent::Exactly => format!("{}-log", self.whole_logs),
            Extent::AtLeast => format!("at least {}-log", self.whole_logs),
            // The whole logs are rounded down, which would make a wrong "at most".
            Extent::AtMost => format!("at most {} log10", self.log10),
        }
    }
}

/// log10 of a quotient as its whole part and a rest from 0 to below 1. The whole part is counted in exact decimals: a
/// thousandth is 3, which a binary logarithm may miss by its last digit.
fn powers_of_ten(before: Decimal, after: Decimal) -> (i32, Decimal) {
    let (mut larger, mut smaller, mut whole) = (before, after, 0);
    while larger >= smaller * Decimal::TEN {
        smaller *= Decimal::TEN;
        whole += 1;
    }
    while larger < smaller {
        larger *= Decimal::TEN;
        whole -= 1;
    }
    let rest = (larger / smaller).to_f64().and_then(|quotient| Decimal::from_f64(quotient.log10()));
    (whole, rest.unwrap_or_default().clamp(Decimal::ZERO, Decimal::new(99_999, 5)))
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn count(qualifier: Qualifier, value: &str) -> Reading {
        Reading { qualifier, value: value.parse().unwrap(), unit: "[CFU]/mL".into() }
    }

    fn exactly(before: &str, after: &str) -> LogReduction {
        log_reduction(&count(Qualifier::Eq, before), &count(Qualifier::Eq, after)).unwrap()
    }

    /// 90 % is 1 and so on to 99.9999 %, which is 6 (standard definition, read).
    #[test]
    fn each_nine_is_one_power_of_ten() {
        let table = [("0.1", "90"), ("0.01", "99"), ("0.001", "99.9"), ("0.0001", "99.99"), ("0.00001", "99.999")];
        for (whole, (after, percent)) in (1..).zip(table.into_iter().chain([("0.000001", "99.9999")])) {
            let got = exactly("1", after);
            assert_eq!((got.whole_logs, got.log10, got.percent.to_string()), (whole, whole.into(), percent.into()));
        }
    }

    /// 580 to 0.725: R = 2.903, 99.875 %, "2-log" (the same text's worked example; read, and computed).
    #[test]
    fn the_worked_example_is_a_2_log() {
        let got = exactly("580", "0.725");
        assert_eq!((got.log10.to_string(), got.percent.to_string()), ("2.903".into(), "99.875".into()));
        assert_eq!(got.in_words(), "2-log");
    }

    /// 99.997 % is 4.523, 85 % is 0.824, to the nearest thousandth (computed).
    #[test]
    fn percentages_between_are_powers_between() {
        for (after, log10, whole) in [("0.00003", "4.523", 4), ("0.15", "0.824", 0)] {
            let got = exactly("1", after);
            assert_eq!((got.log10.round_dp(3).to_string(), got.whole_logs), (log10.into(), whole), "{after}");
        }
    }

    #[test]
    fn bounds_give_bounds_on_the_side_they_leave_open() {
        use Qualifier::{Eq, Gt, Lt};
        let cases = [
            (Eq, Lt, Ok(Extent::AtLeast)),
            (Gt, Eq, Ok(Extent::AtLeast)),
            (Gt, Lt, Ok(Extent::AtLeast)),
            (Eq, Gt, Ok(Extent::AtMost)),
            (Lt, Eq, Ok(Extent::AtMost)),
            (Lt, Gt, Ok(Extent::AtMost)),
            (Lt, Lt, Err(NoReduction::Undecided)),
            (Gt, Gt, Err(NoReduction::Undecided)),
        ];
        for (before, after, extent) in cases {
            let got = log_reduction(&count(before, "5000"), &count(after, "10"));
            assert_eq!(got.as_ref().map(|r| r.extent).map_err(|e| *e), extent, "{before:?} {after:?}");
        }
        let bound = log_reduction(&count(Eq, "5000"), &count(Lt, "10")).unwrap();
        assert_eq!(bound.in_words(), "at least 2-log");
        let other = log_reduction(&count(Eq, "5000"), &count(Gt, "10")).unwrap();
        assert_eq!(other.in_words(), "at most 2.699 log10");
    }

    #[test]
    fn counts_that_cannot_be_compared_are_refused() {
        let one = count(Qualifier::Eq, "1");
        let per_litre = Reading { unit: "[CFU]/L".into(), ..one.clone() };
        let zero = count(Qualifier::Eq, "0");
        assert_eq!(log_reduction(&one, &per_litre), Err(NoReduction::UnitsDiffer));
        assert_eq!(log_reduction(&one, &zero), Err(NoReduction::NotAboveZero));
        assert_eq!(log_reduction(&zero, &one), Err(NoReduction::NotAboveZero));
        assert_eq!(log_reduction(&count(Qualifier::Eq, "1000000000000"), &one), Err(NoReduction::TooLong));
    }

    #[test]
    fn a_count_that_rose_is_a_negative_reduction_and_no_log() {
        let got = exactly("10", "200");
        assert_eq!((got.log10.to_string(), got.whole_logs), ("-1.3011".into(), 0));
        assert_eq!(got.percent, (-1900).into());
    }

    #[test]
    fn the_longest_counts_never_reach_100_percent() {
        let got = exactly("999999999999", "0.000000001");
        assert_eq!((got.whole_logs, got.percent.to_string()), (20, "99.999999999".into()));
    }

    proptest! {
        /// What is stated never says more than the counts do: before is at least after times ten to the whole logs,
        /// and less than the next power.
        #[test]
        fn whole_logs_are_exact(before in 1_u64..1_000_000_000, after in 1_u64..1_000_000_000) {
            let got = exactly(&before.to_string(), &after.to_string());
            if before >= after {
                let reached = u128::from(after) * 10_u128.pow(got.whole_logs);
                prop_assert!(u128::from(before) >= reached && u128::from(before) < reached * 10);
            } else {
                prop_assert!(got.log10 < Decimal::ZERO && got.whole_logs == 0);
            }
        }
    }
}
