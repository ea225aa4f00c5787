//! The moments a routine can hang on.
//!
//! The rule of this file: an anchor is a description. What it makes of a clinic's days and facts is worked out in
//! [`super::plan`], whose rules are written beside it.

use std::collections::BTreeSet;
use std::fmt;

use chrono::{Datelike, NaiveDate, NaiveTime};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use utoipa::ToSchema;
use uuid::Uuid;

use super::fault::{Fault, check_optional_text};
use super::hours::minute_of_day;
use super::period::PeriodLength;
use super::recurrence::{Recurrence, RecurrenceError};
use super::site_event::SiteEventKind;
use super::subject::SubjectKind;

/// The longest interval and the longest idle time that can be asked for.
const LONGEST_DAYS: u32 = 3660;
/// The longest interval of opening time that can be asked for.
const LONGEST_HOURS: u32 = 10_000;
/// The most turnovers or cycles that are counted to.
const LARGEST_COUNT: u32 = 100_000;

/// The moment a routine hangs on.
///
/// Further kinds will come; a reader must expect ones it does not know.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Anchor {
    /// The day's start as posted by the front desk, else the first planned opening of the clinic day.
    Opening {},
    /// The first patient seated that day at the operatory (for other subjects: in the clinic); until one is posted, as
    /// `opening`.
    FirstPatient {},
    /// The closing of each session of the clinic day; the last one as posted by the front desk.
    SessionEnd {},
    /// The day's end as posted by the front desk, else the last planned closing of the clinic day.
    Closing {},
    /// Each patient leaving the operatory.
    Turnover {},
    /// Dates from a rule, each at a local time or a place in the opening hours.
    Calendar {
        /// The dates.
        dates: Recurrence,
        /// The moment of the day.
        place: Place,
        /// What happens when the date is a closed day.
        closed_day: ClosedDayRule,
    },
    /// Once in each week, month, quarter or year, by its end. Any completion inside the period counts. It brings its
    /// own window: the routine's is left out.
    Period {
        /// Which periods.
        each: PeriodLength,
        /// Spread the subjects over the period's open days, so that the clinic's load stays even; else each is due
        /// by the last open day.
        #[serde(default)]
        spread: bool,
    },
    /// So long after the routine was last done on the subject: it drifts with completion. A subject it was never done
    /// on is due at commissioning.
    Interval {
        /// How long.
        every: Every,
        /// The moment of the day, for an interval of days.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        place: Option<Place>,
        /// What happens when the date is a closed day, for an interval of days.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        closed_day: Option<ClosedDayRule>,
    },
    /// When the subject has not been used for a while, by recorded seatings and completions that count as use.
    Idle {
        /// Whole days without use before the day: Friday's use leaves two before Monday.
        #[schema(minimum = 1, maximum = 3660)]
        unused_days: u32,
        /// On which days it is due.
        on: IdleOn,
        /// The ordinary routine it takes the place of, together with others that do and ask for fewer days.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        strengthens: Option<Uuid>,
        /// The moment of the day, where it is due on every day.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        place: Option<Place>,
    },
    /// After every so many turnovers of an operatory, or cycles of a piece of equipment.
    Count {
        /// What is counted.
        of: Counted,
        /// How many.
        #[schema(minimum = 1, maximum = 100_000)]
        every: u32,
    },
    /// Something that happened at the clinic or to the subject.
    Event {
        /// What.
        of: BTreeSet<SiteEventKind>,
    },
    /// A completion of another routine on the same subject: a result that is read days later, a second test.
    Follows {
        /// The other routine.
        routine_id: Uuid,
        /// Which of its completions.
        when: FollowsWhen,
    },
}

/// A moment of a clinic day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
#[schema(as = DayMoment)]
pub enum Place {
    /// A local time.
    LocalTime {
        /// `HH:MM` in the clinic's zone.
        #[serde(with = "minute_of_day")]
        #[schema(value_type = String, pattern = "^([01][0-9]|2[0-3]):[0-5][0-9]$", example = "13:00")]
        at: NaiveTime,
    },
    /// The first opening of that day.
    Opening {},
    /// The last closing of that day.
    Closing {},
}

/// What happens to a date that falls on a closed day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ClosedDayRule {
    /// It is due on the last open day before it.
    PreviousOpenDay,
    /// It is due on the first open day after it.
    NextOpenDay,
    /// It is not required, and recorded so.
    NotRequired,
}

/// How long an interval is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
#[schema(as = IntervalLength)]
pub enum Every {
    /// Calendar days, 1 to 3660.
    Days(u32),
    /// Hours in which the clinic is open, 1 to 10000.
    OpeningHours(u32),
}

/// On which days an idle routine is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum IdleOn {
    /// On open days: before the subject is used again.
    OpenDays,
    /// On every day, open or not: what must be kept moving through a closure.
    EveryDay,
}

/// What is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Counted {
    /// Patients that left the operatory.
    Turnovers,
    /// Cycles of a piece of equipment.
    Cycles,
}

/// Which completions of the other routine are followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FollowsWhen {
    /// Any that did the work: passed, failed by its value, or with a result awaited.
    Recorded,
    /// Those that passed, within the window of their task.
    Passed,
    /// Those that failed.
    Failed,
}

/// The part of the year a routine is for, both ends included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Season {
    /// Its first day, `MM-DD`.
    #[schema(value_type = String, example = "05-01",
        pattern = "^((0[1-9]|1[0-2])-(0[1-9]|[12][0-9])|(0[13-9]|1[0-2])-30|(0[13578]|1[02])-31)$")]
    pub from: MonthDay,
    /// Its last day; before the first day where the season spans the year's end.
    #[schema(value_type = String, example = "09-30",
        pattern = "^((0[1-9]|1[0-2])-(0[1-9]|[12][0-9])|(0[13-9]|1[0-2])-30|(0[13578]|1[02])-31)$")]
    pub until: MonthDay,
}

impl Season {
    /// Whether a date lies in it.
    #[must_use]
    pub fn holds(self, date: NaiveDate) -> bool {
        let day = MonthDay { month: date.month(), day: date.day() };
        if self.from <= self.until {
            (self.from..=self.until).contains(&day)
        } else {
            day >= self.from || day <= self.until
        }
    }
}

/// A day of any year, 29 February included.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct MonthDay {
    month: u32,
    day: u32,
}

impl fmt::Display for MonthDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}-{:02}", self.month, self.day)
    }
}

impl Serialize for MonthDay {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for MonthDay {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        // 2000 is a leap year, so every day there is has its place.
        NaiveDate::parse_from_str(&format!("2000-{text}"), "%Y-%m-%d")
            .ok()
            .map(|date| Self { month: date.month(), day: date.day() })
            .filter(|_| text.len() == 5)
            .ok_or_else(|| serde::de::Error::custom(format!("`{text}` is not a day of the year MM-DD")))
    }
}

impl Anchor {
    /// Whether it brings its own window.
    #[must_use]
    pub fn is_period(&self) -> bool {
        matches!(self, Self::Period { .. })
    }

    /// Every broken rule, with pointers into the anchor.
    #[must_use]
    pub fn faults(&self, subject_kind: SubjectKind) -> Vec<Fault> {
        let mut faults = Vec::new();
        let mut within = |pointer: &str, number: u32, most: u32| {
            if number == 0 || number > most {
                faults.push(Fault::new(pointer, format!("must be from 1 to {most}")));
            }
        };
        let is_operatory = subject_kind == SubjectKind::Operatory;
        match self {
            Self::Opening {}
            | Self::Closing {}
            | Self::FirstPatient {}
            | Self::SessionEnd {}
            | Self::Period { .. }
            | Self::Follows { .. } => {}
            Self::Turnover {} if is_operatory => {}
            Self::Turnover {} => {
                faults.push(Fault::new("", "patients leave operatories: subject_kind must be operatory"));
            }
            Self::Calendar { dates, .. } => {
                faults.extend(date_faults(dates).into_iter().map(|f| f.under("/dates")));
            }
            Self::Interval { every: Every::Days(days), place, closed_day } => {
                within("/every/days", *days, LONGEST_DAYS);
                let missing = |pointer: &str| Fault::new(pointer, "is missing: an interval of days needs it");
                faults.extend(place.is_none().then(|| missing("/place")));
                faults.extend(closed_day.is_none().then(|| missing("/closed_day")));
            }
            Self::Interval { every: Every::OpeningHours(hours), place, closed_day } => {
                within("/every/opening_hours", *hours, LONGEST_HOURS);
                let idle = |pointer: &str| Fault::new(pointer, "must be left out: opening hours end in a moment");
                faults.extend(place.is_some().then(|| idle("/place")));
                faults.extend(closed_day.is_some().then(|| idle("/closed_day")));
            }
            Self::Idle { unused_days, on, strengthens, place } => {
                within("/unused_days", *unused_days, LONGEST_DAYS);
                match on {
                    IdleOn::OpenDays if place.is_some() => {
                        faults.push(Fault::new("/place", "must be left out: it is due before the day's first use"));
                    }
                    IdleOn::EveryDay if place.is_none() => {
                        faults.push(Fault::new("/place", "is missing: say at which moment of the day it is due"));
                    }
                    IdleOn::EveryDay if strengthens.is_some() => {
                        faults.push(Fault::new("/strengthens", "must be left out where it is due on every day"));
                    }
                    _ => {}
                }
            }
            Self::Count { of, every } => {
                within("/every", *every, LARGEST_COUNT);
                if *of == Counted::Turnovers && !is_operatory {
                    faults.push(Fault::new("/of", "patients leave operatories: subject_kind must be operatory"));
                }
                if *of == Counted::Cycles && !subject_kind.has_cycles() {
                    faults.push(Fault::new(
                        "/of",
                        "only sterilisers, washer-disinfectors and ultrasonic baths run cycles",
                    ));
                }
            }
            Self::Event { of } => {
                if of.is_empty() {
                    faults.push(Fault::new("/of", "must name at least one kind of event"));
                }
            }
        }
        faults
    }
}

fn date_faults(dates: &Recurrence) -> Vec<Fault> {
    let mut faults = Vec::new();
    check_optional_text(&mut faults, "/rule", &dates.rule, 500);
    let ends_first = dates.ends_on.is_some_and(|ends_on| ends_on < dates.starts_on);
    if let Err(error) = dates.check() {
        let pointer = match error {
            RecurrenceError::EndsTooSoon { .. } => Some("/ends_on").filter(|_| !ends_first),
            RecurrenceError::AllTakenOut { .. } => Some("/except_on"),
            _ => Some("/rule"),
        };
        faults.extend(pointer.map(|pointer| Fault::new(pointer, error.to_string())));
    }
    if ends_first {
        faults.push(Fault::new("/ends_on", "must not be before starts_on"));
        return faults;
    }
    let is_outside = |date: &&NaiveDate| **date < dates.starts_on || dates.ends_on.is_some_and(|end| **date > end);
    if let Some(date) = dates.also_on.iter().find(is_outside) {
        let rule = format!("names {date}, which is before starts_on or after ends_on and would never be due");
        faults.push(Fault::new("/also_on", rule));
    }
    faults
}

#[cfg(test)]
mod tests;
