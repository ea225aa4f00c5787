//! Dates, local times, instants and durations as RFC 5545 writes them.
//!
//! The rule of this file: a value is read in the one form section 3.3 gives it, or not at all.

use std::cmp::Ordering;

use chrono::{DateTime, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Utc};

use super::content::Line;
use crate::domain::zone::{self, Zone};

/// The longest duration that is read; a closure is no longer.
pub(super) const LONGEST: TimeDelta = TimeDelta::days(400);

/// Whose clock a time is read on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Clock {
    /// A whole day, wherever one is.
    Day,
    /// The clock on the wall, wherever one is.
    Floating,
    /// The clocks of a zone.
    Zone(Zone),
    /// UTC.
    Utc,
}

/// A date or a time, as it is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Moment {
    /// What the calendar and the clock show; midnight for a whole day.
    pub(super) shown: NaiveDateTime,
    /// Whose clock.
    pub(super) clock: Clock,
}

/// A moment made comparable: two notations of one instant are equal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Stamp {
    /// On the clock of whoever looks.
    Local(NaiveDateTime),
    /// The same for everybody.
    At(DateTime<Utc>),
}

impl Moment {
    /// The same clock showing something else.
    pub(super) fn showing(&self, shown: NaiveDateTime) -> Self {
        Self { shown, clock: self.clock.clone() }
    }

    /// What it is, whoever wrote it.
    pub(super) fn stamp(&self) -> Stamp {
        match &self.clock {
            Clock::Day | Clock::Floating => Stamp::Local(self.shown),
            Clock::Zone(zone) => Stamp::At(zone::resolve(zone, self.shown)),
            Clock::Utc => Stamp::At(self.shown.and_utc()),
        }
    }

    /// Whether both are days, both on the wall, or both instants: only such can be compared.
    pub(super) fn is_like(&self, other: &Self) -> bool {
        let class = |clock: &Clock| match clock {
            Clock::Day => 0,
            Clock::Floating => 1,
            Clock::Zone(_) | Clock::Utc => 2,
        };
        class(&self.clock) == class(&other.clock)
    }
}

impl Stamp {
    /// What the clinic's clocks show then.
    pub(super) fn in_clinic(self, clinic: &Zone) -> NaiveDateTime {
        match self {
            Self::Local(shown) => shown,
            Self::At(at) => zone::local(clinic, at),
        }
    }

    fn plus(self, by: TimeDelta) -> Self {
        match self {
            Self::Local(shown) => Self::Local(shown + by),
            Self::At(at) => Self::At(at + by),
        }
    }

    fn minus(self, earlier: Self) -> Option<TimeDelta> {
        match (self, earlier) {
            (Self::Local(a), Self::Local(b)) => Some(a - b),
            (Self::At(a), Self::At(b)) => Some(a - b),
            _ => None,
        }
    }
}

/// How long an event lasts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Extent {
    /// So much time, whatever the clocks do: from `DTEND` (section 3.8.5.3).
    Exact(TimeDelta),
    /// So many days of the calendar and then so much time: from `DURATION` (section 3.3.6).
    Nominal(Duration),
}

impl Extent {
    /// From a start to an end.
    pub(super) fn between(start: &Moment, end: &Moment) -> Result<Self, String> {
        if !start.is_like(end) {
            return Err("its end and its start are not of one kind of time".to_owned());
        }
        match end.stamp().minus(start.stamp()) {
            Some(length) if length > TimeDelta::zero() => bounded(length).map(Self::Exact),
            _ => Err("its end is not after its start".to_owned()),
        }
    }

    /// Where it ends when it begins at `start`.
    pub(super) fn end(self, start: &Moment) -> Stamp {
        match self {
            Self::Exact(length) => start.stamp().plus(length),
            Self::Nominal(Duration { days, time }) => {
                start.showing(start.shown + TimeDelta::days(days)).stamp().plus(time)
            }
        }
    }

    /// At most so many days.
    pub(super) fn most_days(self) -> i64 {
        match self {
            Self::Exact(length) => length.num_days() + 1,
            Self::Nominal(Duration { days, time }) => days + time.num_days() + 1,
        }
    }
}

fn bounded(length: TimeDelta) -> Result<TimeDelta, String> {
    if length > LONGEST { Err("it lasts more than 400 days".to_owned()) } else { Ok(length) }
}

/// Days of the calendar, and time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Duration {
    /// Days of the calendar.
    pub(super) days: i64,
    /// Time on top of them.
    pub(super) time: TimeDelta,
}

/// Reads the one moment of a line.
pub(super) fn moment(line: &Line) -> Result<Moment, String> {
    moment_of(line, line.value.trim())
}

/// Reads the moments of a line's list.
pub(super) fn moments(line: &Line) -> Result<Vec<Moment>, String> {
    line.value.split(',').map(|value| moment_of(line, value.trim())).collect()
}

/// Reads one moment by the parameters of its line.
pub(super) fn moment_of(line: &Line, value: &str) -> Result<Moment, String> {
    let refused = || format!("{} `{}` cannot be read", line.name, shown(value));
    let kind = line.parameter("VALUE").map(str::to_ascii_uppercase);
    match kind.as_deref() {
        // Without VALUE a lone date is against section 3.8.2.4, and can mean nothing else.
        Some("DATE") | None if value.len() == 8 => {
            let shown = date(value).ok_or_else(refused)?.and_time(NaiveTime::MIN);
            Ok(Moment { shown, clock: Clock::Day })
        }
        Some("DATE-TIME" | "PERIOD") | None => {
            let (text, is_utc) = value.strip_suffix('Z').map_or((value, false), |text| (text, true));
            let shown = date_time(text).ok_or_else(refused)?;
            let clock = match line.parameter("TZID") {
                // Section 3.2.19: TZID has no place beside UTC; the Z says it all.
                _ if is_utc => Clock::Utc,
                None => Clock::Floating,
                Some(name) => {
                    Clock::Zone(name.trim_start_matches('/').parse::<Zone>().map_err(|error| error.to_string())?)
                }
            };
            Ok(Moment { shown, clock })
        }
        _ => Err(refused()),
    }
}

/// Whether a value of `UNTIL` keeps an occurrence in: both as dates where either is one, else as times.
pub(super) fn is_within(start: &Moment, until: &str) -> Result<bool, String> {
    let refused = || format!("UNTIL `{}` cannot be read", shown(until));
    if let Some(last) = date(until) {
        return Ok(start.shown.date() <= last);
    }
    let (text, is_utc) = until.strip_suffix('Z').map_or((until, false), |text| (text, true));
    let last = date_time(text).ok_or_else(refused)?;
    let order = match start.stamp() {
        Stamp::Local(_) if start.clock == Clock::Day => start.shown.date().cmp(&last.date()),
        Stamp::At(at) if is_utc => at.cmp(&last.and_utc()),
        _ => start.shown.cmp(&last),
    };
    Ok(order != Ordering::Greater)
}

/// Reads a duration that is not negative (section 3.3.6).
pub(super) fn duration(name: &str, text: &str) -> Result<Duration, String> {
    let refused = || format!("{name} `{}` is not a duration such as P1D or PT90M", shown(text));
    let body = text.strip_prefix('+').unwrap_or(text).strip_prefix('P').ok_or_else(refused)?;
    let (date_part, time_part) = body.split_once('T').map_or((body, None), |(date, time)| (date, Some(time)));
    let (mut days, mut seconds) = (0_i64, 0_i64);
    if !date_part.is_empty() {
        let (digits, unit) = date_part.split_at_checked(date_part.len() - 1).ok_or_else(refused)?;
        let per_unit = match unit {
            "D" => 1,
            "W" if time_part.is_none() => 7,
            _ => return Err(refused()),
        };
        days = number(digits).ok_or_else(refused)? * per_unit;
    }
    let mut units = [('H', 3600), ('M', 60), ('S', 1)].into_iter();
    let mut rest = time_part.unwrap_or_default();
    while !rest.is_empty() {
        let at = rest.find(|c: char| !c.is_ascii_digit()).ok_or_else(refused)?;
        let unit = rest[at..].chars().next().ok_or_else(refused)?;
        let (_, per_unit) = units.find(|(letter, _)| *letter == unit).ok_or_else(refused)?;
        seconds += number(&rest[..at]).ok_or_else(refused)? * per_unit;
        rest = &rest[at + 1..];
    }
    if time_part == Some("") || (date_part.is_empty() && time_part.is_none()) {
        return Err(refused());
    }
    let duration = Duration { days, time: TimeDelta::seconds(seconds) };
    bounded(TimeDelta::days(days) + duration.time)?;
    if days == 0 && seconds == 0 { Err("it has no length".to_owned()) } else { Ok(duration) }
}

/// At most nine digits: no product of them can leave its type.
fn number(digits: &str) -> Option<i64> {
    ((1..=9).contains(&digits.len()) && all_digits(digits)).then(|| digits.parse().ok()).flatten()
}

fn all_digits(text: &str) -> bool {
    text.bytes().all(|byte| byte.is_ascii_digit())
}

fn date(text: &str) -> Option<NaiveDate> {
    (text.len() == 8 && all_digits(text)).then(|| NaiveDate::parse_from_str(text, "%Y%m%d").ok()).flatten()
}

fn date_time(text: &str) -> Option<NaiveDateTime> {
    let (day, time) = text.split_once('T')?;
    if time.len() != 6 || !all_digits(time) {
        return None;
    }
    // Second 60 is a leap second (section 3.3.12); a closure is told in minutes, so the last second before it serves.
    let (hour_minute, second) = time.split_at(4);
    let second = if second == "60" { "59" } else { second };
    date(day)?.and_time(NaiveTime::parse_from_str(&format!("{hour_minute}{second}"), "%H%M%S").ok()?).into()
}

/// What was written, short enough for a sentence.
pub(super) fn shown(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).take(40).collect()
}
