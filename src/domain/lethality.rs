//! F0 and A0: what a whole cycle's heat amounts to, as time at one temperature.
//!
//! The rule of this file: both are information, and release nothing; so no function here answers with a verdict. The
//! model behind them takes one z of 10 °C for every temperature and understates the time that is needed below 120 °C
//! (van Doornmalen and Kopinga, J Appl Microbiol 2009, read). What a cycle is judged by is its holding time: [`super::plateau`].
//!
//! * F0 = Σ Δt · 10^((T - 121.1)/10), in minutes (pharmacopoeial definition, read). Some texts take 121.11 or 121.0, so
//!   the reference is an argument.
//! * A0 = Σ Δt · 10^((T - 80)/10), in seconds, only from 65 °C on (ISO 15883-1 Annex B, read in a quotation).

use rust_decimal::Decimal;
use rust_decimal::prelude::{FromPrimitive, ToPrimitive};
use serde::{Deserialize, Serialize};
use thiserror::Error;
use utoipa::ToSchema;

use super::cycle_reading::CycleReading;
use super::limit::decimal_text;

/// How readings are added up.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = SumMethod)]
pub enum Summing {
    /// As the definitions are written: each reading counts for one whole interval, the first and the last too. Readings
    /// must be evenly spaced. It says up to one interval more than the record lasts.
    EachReading,
    /// The rate between two readings is taken to be the mean of theirs, so the sum covers what the record covers, and
    /// readings may be spaced as they are.
    Trapezoid,
}

/// What is added up, and in which unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Scale {
    /// The temperature at which a second counts as a second.
    reference_celsius: Decimal,
    /// Below this, nothing counts.
    from_celsius: Option<Decimal>,
    /// Seconds of one unit of the answer.
    unit_seconds: u32,
    /// The unit, as a UCUM code.
    unit: &'static str,
}

impl Scale {
    /// F0 at a reference temperature from 100 to 140 °C: 121.1 in the definition. `None` outside that range.
    #[must_use]
    pub fn f0(reference_celsius: Decimal) -> Option<Self> {
        let plausible = (Decimal::ONE_HUNDRED..=Decimal::from(140)).contains(&reference_celsius);
        plausible.then_some(Self { reference_celsius, from_celsius: None, unit_seconds: 60, unit: "min" })
    }

    /// A0: seconds at 80 °C, counted from 65 °C on.
    #[must_use]
    pub fn a0() -> Self {
        Self { reference_celsius: 80.into(), from_celsius: Some(65.into()), unit_seconds: 1, unit: "s" }
    }

    /// How much one unit of time at this temperature counts for.
    ///
    /// # Examples
    /// ```
    /// use chairtide::domain::lethality::Scale;
    /// assert_eq!(Scale::a0().rate(90.into()), 10.0);
    /// assert_eq!(Scale::a0().rate("64.9".parse().unwrap()), 0.0);
    /// ```
    #[must_use]
    pub fn rate(&self, celsius: Decimal) -> f64 {
        const Z: f64 = 10.0;
        if self.from_celsius.is_some_and(|from| celsius < from) {
            return 0.0;
        }
        10_f64.powf((celsius - self.reference_celsius).to_f64().unwrap_or(f64::NEG_INFINITY) / Z)
    }
}

/// A sum of heat, as information: it is no verdict and releases nothing.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Lethality {
    /// The sum, rounded to four decimals.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "58.4953")]
    pub value: Decimal,
    /// Its unit as a UCUM code: `min` for F0, `s` for A0.
    pub unit: String,
    /// Temperature it is equivalent at.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "121.1")]
    pub reference_celsius: Decimal,
    /// How the readings were added up.
    pub summing: Summing,
}

/// Why readings give no sum.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum NoSum {
    /// Fewer than two readings: no interval is known.
    #[error("a sum needs two readings or more")]
    TooFew,
    /// The seconds do not rise.
    #[error("the seconds of the readings must rise")]
    NotRising,
    /// Readings at uneven intervals were to be counted one by one.
    #[error("readings that each count for one interval must be evenly spaced")]
    Uneven,
}

/// Adds up a record on a scale.
///
/// # Errors
/// [`NoSum`], where the readings have no intervals, or none that this way of summing can take.
///
/// # Examples
/// ```
/// use chairtide::domain::cycle_reading::read_csv;
/// use chairtide::domain::lethality::{Scale, Summing, lethality};
/// let record = read_csv(b"elapsed_seconds,temperature_celsius\n0,134\n180,134\n").unwrap();
/// let scale = Scale::f0("121.1".parse().unwrap()).unwrap();
/// let f0 = lethality(&record, scale, Summing::Trapezoid).unwrap();
/// assert_eq!((f0.value.to_string().as_str(), f0.unit.as_str()), ("58.4953", "min"));
/// ```
pub fn lethality(readings: &[CycleReading], scale: Scale, summing: Summing) -> Result<Lethality, NoSum> {
    let intervals: Vec<Decimal> =
        readings.windows(2).map(|two| two[1].elapsed_seconds - two[0].elapsed_seconds).collect();
    let first = *intervals.first().ok_or(NoSum::TooFew)?;
    if intervals.iter().any(|interval| *interval <= Decimal::ZERO) {
        return Err(NoSum::NotRising);
    }
    if summing == Summing::EachReading && intervals.iter().any(|interval| *interval != first) {
        return Err(NoSum::Uneven);
    }
    let rates: Vec<f64> = readings.iter().map(|reading| scale.rate(reading.temperature_celsius)).collect();
    let seconds = |interval: &Decimal| interval.to_f64().unwrap_or_default();
    let sum: f64 = match summing {
        Summing::EachReading => rates.iter().sum::<f64>() * seconds(&first),
        Summing::Trapezoid => rates
            .windows(2)
            .zip(&intervals)
            .map(|(two, interval)| f64::midpoint(two[0], two[1]) * seconds(interval))
            .sum(),
    };
    Ok(Lethality {
        value: Decimal::from_f64(sum / f64::from(scale.unit_seconds)).unwrap_or(Decimal::MAX).round_dp(4).normalize(),
        unit: scale.unit.to_owned(),
        reference_celsius: scale.reference_celsius,
        summing,
    })
}

#[cfg(test)]
mod tests;
