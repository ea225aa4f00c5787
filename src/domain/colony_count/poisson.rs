//! Exact limits of the mean of a Poisson count, after Garwood (1936): the means under which the count, or one further
//! out, would be as unlikely as the level of confidence allows.
//!
//! The rule of this file: every limit is found by halving on the Poisson distribution itself, so that there is one
//! definition and no table. The usual formula by quantiles of chi-square says the same; `tests/oracles` holds the two
//! together.

use rust_decimal::prelude::ToPrimitive;

/// How sure a limit is, as a share: 0.95 is "95 %".
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Confidence(f64);

impl Confidence {
    /// What the trade states limits with.
    pub const P95: Self = Self(0.95);

    /// A level from 0.5 to 0.9999; others are no statement anybody wants, or need more digits than we hold.
    ///
    /// # Examples
    /// ```
    /// use chairtide::domain::colony_count::Confidence;
    /// assert_eq!(Confidence::new(0.95), Some(Confidence::P95));
    /// assert_eq!(Confidence::new(95.0), None);
    /// ```
    #[must_use]
    pub fn new(share: f64) -> Option<Self> {
        (0.5..=0.9999).contains(&share).then_some(Self(share))
    }
}

/// The two-sided limits of the mean behind `count`.
///
/// # Examples
/// ```
/// use chairtide::domain::colony_count::{Confidence, two_sided};
/// let (lower, upper) = two_sided(42, Confidence::P95);
/// assert_eq!(format!("{lower:.4} to {upper:.4}"), "30.2699 to 56.7718");
/// ```
#[must_use]
pub fn two_sided(count: u32, confidence: Confidence) -> (f64, f64) {
    let outside = (1.0 - confidence.0) / 2.0;
    let lower = if count == 0 { 0.0 } else { mean_where(count - 1, 1.0 - outside) };
    (lower, mean_where(count, outside))
}

/// The one-sided upper limit of the mean behind `count`.
///
/// # Examples
/// ```
/// use chairtide::domain::colony_count::{Confidence, upper_limit};
/// assert_eq!(format!("{:.4}", upper_limit(0, Confidence::P95)), "2.9957");
/// ```
#[must_use]
pub fn upper_limit(count: u32, confidence: Confidence) -> f64 {
    mean_where(count, 1.0 - confidence.0)
}

/// The largest count up to `largest` whose one-sided upper limit is no more than `mean`; `None` where even a count of
/// nothing leaves the mean open.
#[must_use]
pub(super) fn most_within(mean: f64, confidence: Confidence, largest: u32) -> Option<u32> {
    let outside = 1.0 - confidence.0;
    let (mut enough, mut too_many) = (0, largest + 1);
    if at_most(0, mean) > outside {
        return None;
    }
    while too_many - enough > 1 {
        let middle = enough.midpoint(too_many);
        if at_most(middle, mean) <= outside {
            enough = middle;
        } else {
            too_many = middle;
        }
    }
    Some(enough)
}

/// The mean under which a count of at most `count` has this probability. The probability falls as the mean rises.
fn mean_where(count: u32, probability: f64) -> f64 {
    // Far above any limit: eleven standard deviations and more.
    let (mut low, mut high) = (0.0, 2.0 * f64::from(count) + 30.0);
    loop {
        let middle = f64::midpoint(low, high);
        if middle <= low || middle >= high {
            return middle;
        }
        if at_most(count, middle) > probability {
            low = middle;
        } else {
            high = middle;
        }
    }
}

/// The probability of at most `count` under a mean. Summed from the largest term outwards, so that every further term
/// is smaller than the one before: nothing overflows, and what is left out is below the last digit.
fn at_most(count: u32, mean: f64) -> f64 {
    const NEGLIGIBLE: f64 = 1e-18;
    let top = mean.to_u32().unwrap_or(count).min(count);
    let mut sum = 1.0;
    let mut term = 1.0;
    for i in (1..=top).rev() {
        term *= f64::from(i) / mean;
        sum += term;
        if term < NEGLIGIBLE {
            break;
        }
    }
    term = 1.0;
    for i in top + 1..=count {
        term *= mean / f64::from(i);
        sum += term;
        if term < NEGLIGIBLE {
            break;
        }
    }
    (sum * ln_term(top, mean).exp()).min(1.0)
}

/// The logarithm of the probability of exactly `count`. From 30 on by Stirling's series, whose first term left out is
/// below 1e-13 there; it sets count against mean before the large numbers arise whose difference would cost digits.
fn ln_term(count: u32, mean: f64) -> f64 {
    let n = f64::from(count);
    match count {
        0 => -mean,
        1..30 => n * mean.ln() - mean - (2..=count).map(|i| f64::from(i).ln()).sum::<f64>(),
        _ => {
            let series = 1.0 / (12.0 * n) - 1.0 / (360.0 * n.powi(3)) + 1.0 / (1260.0 * n.powi(5));
            n * (mean / n).ln() - (mean - n) - (std::f64::consts::TAU * n).ln() / 2.0 - series
        }
    }
}
