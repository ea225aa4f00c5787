//! How long records are kept: what a place asks for, what a group or clinic sets, and what decides.
//!
//! The rule of this file: figures are data, in `retention/rules.json`, each with its source and how that was seen; the
//! longest that applies decides, so that a rule nobody thought of is kept by keeping longer. Time counts from the clinic
//! day whose seal holds a record. The table `retention_floor` and the SQL function `kept_years` say the same, because the
//! database refuses by itself what is too early; tests hold the two equal.

pub mod accounted;
pub mod hold;
pub mod place;
pub mod purge;

use std::sync::LazyLock;

use chrono::{Months, NaiveDate};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use self::place::PlaceHeld;
use super::jurisdiction::applies_at;
use super::limit::{Operator, Source};

/// Fewest years anybody may set.
pub const FEWEST_YEARS: u32 = 1;
/// Most years anybody may set.
pub const MOST_YEARS: u32 = 100;

/// What a record is kept as. Which class a record belongs to follows from its kind and its routine
/// (`routine_record_class`, `purge_candidates`): a kind that has no class yet is kept for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum RecordClass {
    /// Tests of the water of dental units.
    WaterlineTests,
    /// Sterilisers, washers and ultrasonic baths: cycles, daily and weekly tests, spore tests.
    Sterilisation,
    /// Amalgam separators.
    Amalgam,
    /// Taps, showers and other outlets of the premises.
    PremisesWater,
    /// Routines of the family `training`.
    Training,
    /// Compressors, water plants and eyewashes.
    Equipment,
    /// The daily work of cleaning and disinfecting, the desk's marks, who was on site, and lots of products.
    RoutineWork,
    /// What happened, failed or was missed, and what followed. Kept as long as the longest any law of the place asks for.
    Incidents,
}

impl RecordClass {
    /// Every class.
    pub const ALL: [Self; 8] = [
        Self::WaterlineTests,
        Self::Sterilisation,
        Self::Amalgam,
        Self::PremisesWater,
        Self::Training,
        Self::Equipment,
        Self::RoutineWork,
        Self::Incidents,
    ];

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::WaterlineTests => "waterline_tests",
            Self::Sterilisation => "sterilisation",
            Self::Amalgam => "amalgam",
            Self::PremisesWater => "premises_water",
            Self::Training => "training",
            Self::Equipment => "equipment",
            Self::RoutineWork => "routine_work",
            Self::Incidents => "incidents",
        }
    }

    /// The class of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|class| class.as_str() == name)
    }

    /// What belongs to it, in words.
    #[must_use]
    pub fn description(self) -> &'static str {
        match self {
            Self::WaterlineTests => "tests of the water of dental units",
            Self::Sterilisation => "cycles, tests and care of sterilisers, washers and ultrasonic baths",
            Self::Amalgam => "routines of amalgam separators",
            Self::PremisesWater => "routines of taps, showers and other outlets",
            Self::Training => "routines of the family \"training\"",
            Self::Equipment => "routines of compressors, water plants and eyewashes",
            Self::RoutineWork => "other routines, the desk's marks, who was on site, products' lots",
            Self::Incidents => {
                "site events, corrective actions, quarantines and reasons of misses; kept as long as any law of the place \
                 asks for any class"
            }
        }
    }
}

/// What a time of keeping counts from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CountedFrom {
    /// The day it was recorded on.
    #[default]
    Recording,
    /// The end of the equipment's use.
    EndOfUse,
    /// The end of the person's employment.
    EndOfEmployment,
    /// The day another takes its place.
    Replacement,
}

/// A published time of keeping.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RetentionRule {
    /// Its name: stable.
    #[schema(example = "us-wa-waterline-tests")]
    pub key: String,
    /// The classes it is about; empty: what it is about is not kept here.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub classes: Vec<RecordClass>,
    /// What it is about, where that is not kept here.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub what: String,
    /// Where it applies, by ISO 3166.
    #[schema(example = "US-WA")]
    pub jurisdiction: String,
    /// How the time of keeping is compared: `ge`, at least.
    pub operator: Operator,
    /// How long.
    #[schema(minimum = 1, maximum = 100, example = 5)]
    pub value: u32,
    /// Its unit, a UCUM code: `a`, taken as calendar years.
    #[schema(example = "a")]
    pub unit: String,
    /// What it counts from.
    #[serde(default)]
    pub counted_from: CountedFrom,
    /// It is law, or a code that inspectors hold a clinic to: no setting goes below it. Else it is told, and decides
    /// nothing.
    #[serde(default)]
    pub legal: bool,
    /// First day it is in force; absent: always was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effective_from: Option<NaiveDate>,
    /// Last day it is in force; absent: still is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effective_until: Option<NaiveDate>,
    /// Where the figure comes from.
    pub source: Source,
}

impl RetentionRule {
    /// Whether it is about a class at a place, for a record of `day` that is looked at `today`: what was in force on any
    /// day between counts, for a law that was shortened since does not shorten what was promised under it.
    #[must_use]
    pub fn applies(&self, class: RecordClass, place: &str, (day, today): (NaiveDate, NaiveDate)) -> bool {
        (self.classes.contains(&class) || class == RecordClass::Incidents && !self.classes.is_empty())
            && applies_at(&self.jurisdiction, place)
            && self.effective_from.is_none_or(|from| from <= today)
            && self.effective_until.is_none_or(|until| day <= until)
    }

    /// Whether no setting goes below it.
    #[must_use]
    pub fn is_floor(&self) -> bool {
        self.legal && self.counted_from == CountedFrom::Recording
    }
}

/// What decides where nobody set anything.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DefaultRetention {
    /// How the time of keeping is compared.
    pub operator: Operator,
    /// How long.
    pub value: u32,
    /// Its unit, a UCUM code: `a`, taken as calendar years.
    pub unit: String,
    /// Where the figure comes from.
    pub source: Source,
}

/// The shipped figures.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Shipped {
    /// Where nobody set anything.
    pub default: DefaultRetention,
    /// About what is kept here.
    pub rules: Vec<RetentionRule>,
    /// About what is kept elsewhere, so that nobody thinks it is kept here.
    pub elsewhere: Vec<RetentionRule>,
}

static SHIPPED: LazyLock<Shipped> = LazyLock::new(|| {
    serde_json::from_str(include_str!("retention/rules.json")).expect("the shipped rules are read by a test")
});

/// The shipped figures.
#[must_use]
pub fn shipped() -> &'static Shipped {
    &SHIPPED
}

/// What the group and the clinic set for a class, in years.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct OwnYears {
    /// The group.
    pub group: Option<u32>,
    /// The clinic; comes before the group's.
    pub clinic: Option<u32>,
}

/// How long a class is kept, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Keeping {
    /// Calendar years after the clinic day of the seal.
    pub years: u32,
    /// The key of the rule that decides, or `clinic`, `group` or `default`.
    pub decided_by: String,
}

/// How long a record of `day` is kept as a class at a clinic, as seen `today`. What was promised under the law of a place
/// stands when the clinic moves to another: each place counts that it had on any day between.
///
/// # Examples
/// ```
/// use chairtide::domain::retention::place::PlaceHeld;
/// use chairtide::domain::retention::{OwnYears, RecordClass, keeping};
/// let day = |text: &str| text.parse::<chrono::NaiveDate>().unwrap();
/// let days = (day("2022-03-01"), day("2026-11-26"));
/// let own = OwnYears { group: Some(4), clinic: None };
/// let places = [PlaceHeld::still("US-WA")];
/// let kept = keeping(RecordClass::WaterlineTests, &places, own, days);
/// assert_eq!((kept.years, kept.decided_by.as_str()), (5, "us-wa-waterline-tests"));
/// let kept = keeping(RecordClass::Equipment, &places, OwnYears::default(), days);
/// assert_eq!((kept.years, kept.decided_by.as_str()), (10, "default"));
/// ```
#[must_use]
pub fn keeping(class: RecordClass, places: &[PlaceHeld], own: OwnYears, days: (NaiveDate, NaiveDate)) -> Keeping {
    let (own, set_by) = match own {
        OwnYears { clinic: Some(years), .. } => (years, "clinic"),
        OwnYears { group: Some(years), .. } => (years, "group"),
        _ => (shipped().default.value, "default"),
    };
    match floor(class, places, days) {
        Some(rule) if rule.value >= own => Keeping { years: rule.value, decided_by: rule.key.clone() },
        _ => Keeping { years: own, decided_by: set_by.to_owned() },
    }
}

/// The rule below which no setting goes: the longest, and of equal ones the first by name.
#[must_use]
pub fn floor(class: RecordClass, places: &[PlaceHeld], days: (NaiveDate, NaiveDate)) -> Option<&'static RetentionRule> {
    let counts = |rule: &RetentionRule| {
        places.iter().any(|place| place.counts_for(days.0) && rule.applies(class, &place.jurisdiction, days))
    };
    let floors = shipped().rules.iter().filter(|rule| rule.is_floor() && counts(rule));
    floors.max_by(|a, b| a.value.cmp(&b.value).then_with(|| b.key.cmp(&a.key)))
}

/// The last day on which a record of `day` is to be kept. 29 February counts to 28 February where there is none, and
/// that day is one of keeping still.
#[must_use]
pub fn last_kept_on(day: NaiveDate, years: u32) -> NaiveDate {
    day.checked_add_months(Months::new(years.saturating_mul(12))).unwrap_or(NaiveDate::MAX)
}

/// The last clinic day whose records are old enough to go `today`.
#[must_use]
pub fn old_enough_until(today: NaiveDate, years: u32) -> Option<NaiveDate> {
    let mut day = today.checked_sub_months(Months::new(years.saturating_mul(12)))?;
    while last_kept_on(day, years) >= today {
        day = day.pred_opt()?;
    }
    Some(day)
}

#[cfg(test)]
mod tests;
