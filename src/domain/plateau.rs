//! The time a cycle held its temperature: how long its record stayed within a band.
//!
//! The rule of this file: only what was recorded counts. A plateau lasts from its first reading within the band to its
//! last; how the temperature got there and left again, between two readings, is not guessed. The band is data of the cycle
//! with a source (its validation, the maker), never a default of ours; how long it must be held is a limit like any other,
//! with shipped ones for the temperatures whose figures were read ([`minima`]).

pub mod minima;

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::cycle_reading::CycleReading;
use super::evidence::Reading;
use super::fault::Fault;
use super::limit::{Limit, Operator, Qualifier, Source, decimal_text};
use super::step::limit_faults;

/// A band of temperature, both ends within it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TemperatureBand {
    /// Lowest, in degrees Celsius.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "134")]
    pub lowest_celsius: Decimal,
    /// Highest, in degrees Celsius.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "137")]
    pub highest_celsius: Decimal,
    /// Where the band comes from.
    pub source: Source,
    /// How long the maker, the clinic or the group wants it held, in seconds; they come before the shipped minimum.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 20)]
    pub holding: Vec<Limit>,
}

impl TemperatureBand {
    /// Every broken rule, with pointers relative to the band.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let mut faults: Vec<Fault> = self.source.faults().into_iter().map(|f| f.under("/source")).collect();
        if self.highest_celsius < self.lowest_celsius {
            faults.push(Fault::new("/highest_celsius", "must not be below lowest_celsius"));
        }
        faults.extend(limit_faults(&self.holding, "s").into_iter().map(|f| f.under("/holding")));
        for (i, limit) in self.holding.iter().enumerate() {
            if matches!(limit.operator, Operator::Lt | Operator::Le) {
                faults.push(Fault::new(format!("/holding/{i}/operator"), "must be ge or gt: a shortest time"));
            }
        }
        faults
    }

    /// The limits for its holding time: those of its own, and `shipped`.
    #[must_use]
    pub fn holding_limits(&self, shipped: Option<&Limit>) -> Vec<Limit> {
        self.holding.iter().chain(shipped).cloned().collect()
    }

    fn holds(&self, reading: &CycleReading) -> bool {
        (self.lowest_celsius..=self.highest_celsius).contains(&reading.temperature_celsius)
    }
}

/// The longest time without a reading outside the band.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct Plateau {
    /// Its first reading, in seconds of the record.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "480")]
    pub began_seconds: Decimal,
    /// Its last.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "690")]
    pub ended_seconds: Decimal,
    /// Lowest temperature in it.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "134.2")]
    pub lowest_celsius: Decimal,
    /// Highest temperature in it.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "135.1")]
    pub highest_celsius: Decimal,
    /// The longest time between two of its readings: what happened in between is not known.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "10")]
    pub longest_gap_seconds: Decimal,
    /// How many times the record was within the band, apart from one another; more than one means it left the band.
    pub stretches: usize,
}

impl Plateau {
    /// How long it lasted, as a reading in seconds, to be held against a limit.
    #[must_use]
    pub fn lasted(&self) -> Reading {
        Reading { qualifier: Qualifier::Eq, value: self.ended_seconds - self.began_seconds, unit: "s".to_owned() }
    }
}

/// The plateau of a record whose seconds rise; `None` where no reading is within the band. Of two that last equally
/// long, the first.
///
/// # Examples
/// ```
/// use chairtide::domain::cycle_reading::read_csv;
/// use chairtide::domain::limit::{Seen, Source};
/// use chairtide::domain::plateau::{TemperatureBand, plateau};
/// let csv = b"elapsed_seconds,temperature_celsius\n0,20\n400,133.9\n410,134.2\n500,134.8\n600,134.1\n610,120\n";
/// let title = "HTM 01-05, as an example".into();
/// let source = Source { title, edition: "2013".into(), locator: String::new(), seen: Seen::FromMemory };
/// let band = TemperatureBand { lowest_celsius: 134.into(), highest_celsius: 137.into(), source, holding: Vec::new() };
/// let plateau = plateau(&read_csv(csv).unwrap(), &band).unwrap();
/// assert_eq!(plateau.lasted().value, 190.into());
/// assert_eq!(plateau.longest_gap_seconds, 100.into());
/// ```
#[must_use]
pub fn plateau(readings: &[CycleReading], band: &TemperatureBand) -> Option<Plateau> {
    let stretches: Vec<&[CycleReading]> =
        readings.chunk_by(|a, b| band.holds(a) == band.holds(b)).filter(|part| band.holds(&part[0])).collect();
    let lasted = |part: &[CycleReading]| part[part.len() - 1].elapsed_seconds - part[0].elapsed_seconds;
    let longest = stretches.iter().rev().max_by_key(|part| lasted(part))?;
    let celsius = longest.iter().map(|reading| reading.temperature_celsius);
    let gaps = longest.windows(2).map(|two| two[1].elapsed_seconds - two[0].elapsed_seconds);
    Some(Plateau {
        began_seconds: longest[0].elapsed_seconds,
        ended_seconds: longest[longest.len() - 1].elapsed_seconds,
        lowest_celsius: celsius.clone().min()?,
        highest_celsius: celsius.max()?,
        longest_gap_seconds: gaps.max().unwrap_or_default(),
        stretches: stretches.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::domain::limit::{Seen, SetBy};

    fn source() -> Source {
        let title = "EN 285, EN 13060, ISO 17665".into();
        Source { title, edition: "not noted".into(), locator: "holding time".into(), seen: Seen::FromMemory }
    }

    fn band(lowest: i64, highest: i64) -> TemperatureBand {
        let (lowest_celsius, highest_celsius) = (lowest.into(), highest.into());
        TemperatureBand { lowest_celsius, highest_celsius, source: source(), holding: Vec::new() }
    }

    /// Readings at second and tenth of a degree.
    fn record(readings: &[(i64, i64)]) -> Vec<CycleReading> {
        let reading = |(seconds, tenths): &(i64, i64)| CycleReading {
            elapsed_seconds: (*seconds).into(),
            temperature_celsius: Decimal::new(*tenths, 1),
            pressure_kilopascal: None,
        };
        readings.iter().map(reading).collect()
    }

    /// Minimum holding times 121 °C 15 min, 126 °C 10 min, 134 °C 3 min (EN 285, EN 13060, ISO 17665; read, partly from
    /// memory). The upper ends of the bands, HTM's, are data of this test only.
    #[test]
    fn a_shipped_minimum_holding_time_is_kept_to_the_second() {
        let figures = [(121, 124, 15 * 60), (126, 129, 10 * 60), (134, 137, 3 * 60)];
        assert_eq!(minima::shipped().len(), figures.len());
        for (lowest, highest, minimum_seconds) in figures {
            let limit = minima::shipped_for(&band(lowest, highest)).expect("a shipped minimum");
            assert_eq!((limit.faults(), limit.unit.as_str(), limit.set_by), (Vec::new(), "s", SetBy::Default));
            assert!(limit.source.seen != Seen::FromMemory && !limit.source.edition.is_empty());
            for (lasting, kept) in [(minimum_seconds - 1, false), (minimum_seconds, true)] {
                let (low, high) = (lowest * 10, highest * 10);
                let cycle = record(&[(0, low - 1), (1, low), (60, high), (1 + lasting, low), (2 + lasting, high + 1)]);
                let lasted = plateau(&cycle, &band(lowest, highest)).unwrap().lasted();
                assert_eq!((lasted.value, lasted.unit.as_str()), (lasting.into(), "s"));
                assert_eq!(limit.is_kept_by(lasted.qualifier, lasted.value), Some(kept), "{lowest} for {lasting} s");
            }
        }
    }

    /// 132 °C for 4 min and the like are from memory, and no default: only the very temperature has a shipped minimum.
    #[test]
    fn a_band_from_another_temperature_has_no_shipped_minimum() {
        for lowest in [120, 122, 125, 132, 135] {
            assert_eq!(minima::shipped_for(&band(lowest, lowest + 3)), None, "{lowest}");
        }
    }

    #[test]
    fn a_bands_own_holding_time_is_in_seconds_and_a_shortest_one() {
        let own = |operator, unit: &str| {
            let shipped = minima::shipped_for(&band(134, 137)).expect("a shipped minimum");
            let limit = Limit { operator, unit: unit.into(), set_by: SetBy::Maker, ..shipped.clone() };
            TemperatureBand { holding: vec![limit], ..band(134, 137) }
        };
        assert_eq!(own(Operator::Ge, "s").faults(), []);
        assert_eq!(own(Operator::Ge, "min").faults()[0].pointer, "/holding/0/unit");
        assert_eq!(own(Operator::Le, "s").faults()[0].pointer, "/holding/0/operator");
    }

    #[test]
    fn leaving_the_band_in_either_direction_ends_a_plateau() {
        for outside in [1339, 1371] {
            let cycle = record(&[(0, 1340), (100, 1345), (110, outside), (120, 1350), (260, 1360), (270, 900)]);
            let found = plateau(&cycle, &band(134, 137)).unwrap();
            assert_eq!((found.began_seconds, found.ended_seconds, found.stretches), (120.into(), 260.into(), 2));
            assert_eq!((found.lowest_celsius, found.highest_celsius), (135.into(), 136.into()));
            assert_eq!(found.longest_gap_seconds, 140.into());
        }
    }

    #[test]
    fn one_reading_within_the_band_lasts_no_time_and_none_is_no_plateau() {
        let found = plateau(&record(&[(0, 20), (10, 1345), (20, 20)]), &band(134, 137)).unwrap();
        assert_eq!((found.lasted().value, found.longest_gap_seconds), (0.into(), 0.into()));
        assert_eq!(plateau(&record(&[(0, 20)]), &band(134, 137)), None);
        assert_eq!(plateau(&[], &band(134, 137)), None);
    }

    #[test]
    fn of_two_plateaus_of_one_length_the_first_is_told() {
        let cycle = record(&[(0, 1340), (10, 1340), (20, 20), (30, 1340), (40, 1340)]);
        assert_eq!(plateau(&cycle, &band(134, 137)).unwrap().began_seconds, 0.into());
    }

    #[test]
    fn a_band_upside_down_is_a_fault() {
        assert_eq!(band(137, 134).faults()[0].pointer, "/highest_celsius");
        assert_eq!(band(134, 134).faults(), []);
    }
}
