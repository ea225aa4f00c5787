//! Reads a recurrence rule part by part, then asks whether the parts may stand together.
//!
//! The rule it keeps: **every part that is written has an effect or is refused.** Nothing is skipped, mended or guessed.

use std::str::FromStr;

use chrono::{NaiveDate, NaiveTime, Weekday};

use super::rule::{ByDay, End, Frequency, LONGEST_BYTES, Rule, RuleError};

/// The largest `INTERVAL`: in days this is 27 years.
const LARGEST_INTERVAL: u16 = 9_999;

/// The largest `COUNT`: more than the days in the three centuries dates are given for.
const LARGEST_COUNT: usize = 200_000;

impl FromStr for Rule {
    type Err = RuleError;

    fn from_str(text: &str) -> Result<Self, RuleError> {
        if text.len() > LONGEST_BYTES {
            return Err(RuleError::TooLong);
        }
        let mut parts = Parts::default();
        for part in text.split(';') {
            parts.read(part)?;
        }
        parts.checked()
    }
}

/// The parts as they are found.
#[derive(Default)]
struct Parts {
    frequency: Option<Frequency>,
    interval: Option<u16>,
    count: Option<usize>,
    until: Option<NaiveDate>,
    by_month: Option<Vec<i16>>,
    by_week_no: Option<Vec<i16>>,
    by_year_day: Option<Vec<i16>>,
    by_month_day: Option<Vec<i16>>,
    by_day: Option<Vec<ByDay>>,
    by_set_pos: Option<Vec<i16>>,
    week_start: Option<Weekday>,
}

impl Parts {
    fn read(&mut self, text: &str) -> Result<(), RuleError> {
        let (name, value) = text.split_once('=').ok_or_else(|| RuleError::NotAPart { text: shown(text) })?;
        let value = &value.to_ascii_uppercase();
        match name.to_ascii_uppercase().as_str() {
            "FREQ" => once("FREQ", &mut self.frequency, frequency(value)?),
            "INTERVAL" => once("INTERVAL", &mut self.interval, interval(value)?),
            "COUNT" => once("COUNT", &mut self.count, count(value)?),
            "UNTIL" => once("UNTIL", &mut self.until, until(value)?),
            "WKST" => once("WKST", &mut self.week_start, week_start(value)?),
            "BYMONTH" => once("BYMONTH", &mut self.by_month, list(value, &BY_MONTH)?),
            "BYWEEKNO" => once("BYWEEKNO", &mut self.by_week_no, list(value, &BY_WEEK_NO)?),
            "BYYEARDAY" => once("BYYEARDAY", &mut self.by_year_day, list(value, &BY_YEAR_DAY)?),
            "BYMONTHDAY" => once("BYMONTHDAY", &mut self.by_month_day, list(value, &BY_MONTH_DAY)?),
            "BYSETPOS" => once("BYSETPOS", &mut self.by_set_pos, list(value, &BY_SET_POS)?),
            "BYDAY" => once("BYDAY", &mut self.by_day, days(value)?),
            "BYHOUR" => Err(RuleError::TimeOfDay { part: "BYHOUR" }),
            "BYMINUTE" => Err(RuleError::TimeOfDay { part: "BYMINUTE" }),
            "BYSECOND" => Err(RuleError::TimeOfDay { part: "BYSECOND" }),
            _ => Err(RuleError::UnknownPart { name: shown(name) }),
        }
    }

    /// The rule, if its parts may stand together (RFC 5545 section 3.3.10).
    fn checked(self) -> Result<Rule, RuleError> {
        let frequency = self.frequency.ok_or(RuleError::FrequencyMissing)?;
        let end = match (self.count, self.until) {
            (None, None) => End::Never,
            (Some(count), None) => End::Count(count),
            (None, Some(day)) => End::Until(day),
            (Some(_), Some(_)) => return Err(RuleError::CountAndUntil),
        };
        let forbidden = |part| Err(RuleError::NotWithFrequency { part, frequency });
        if self.by_week_no.is_some() && frequency != Frequency::Yearly {
            return forbidden("BYWEEKNO");
        }
        if self.by_year_day.is_some() && frequency != Frequency::Yearly {
            return forbidden("BYYEARDAY");
        }
        if self.by_month_day.is_some() && frequency == Frequency::Weekly {
            return forbidden("BYMONTHDAY");
        }
        if self.by_day.iter().flatten().any(|day| day.nth.is_some()) {
            if !matches!(frequency, Frequency::Monthly | Frequency::Yearly) {
                return Err(RuleError::NumberedDay);
            }
            if self.by_week_no.is_some() {
                return Err(RuleError::NumberedDayOfWeek);
            }
        }
        let names_a_day = self.by_day.is_some() || self.by_month_day.is_some() || self.by_year_day.is_some();
        if self.by_week_no.is_some() && !names_a_day {
            return Err(RuleError::WeekWithoutDay);
        }
        // BYWEEKNO without a day was refused just above.
        if self.by_set_pos.is_some() && !names_a_day && self.by_month.is_none() {
            return Err(RuleError::PositionAlone);
        }
        Ok(Rule {
            frequency,
            interval: self.interval.unwrap_or(1),
            end,
            by_month: self.by_month.unwrap_or_default(),
            by_week_no: self.by_week_no.unwrap_or_default(),
            by_year_day: self.by_year_day.unwrap_or_default(),
            by_month_day: self.by_month_day.unwrap_or_default(),
            by_day: self.by_day.unwrap_or_default(),
            by_set_pos: self.by_set_pos.unwrap_or_default(),
            week_start: self.week_start.unwrap_or(Weekday::Mon),
        })
    }
}

fn once<T>(part: &'static str, slot: &mut Option<T>, value: T) -> Result<(), RuleError> {
    match slot.replace(value) {
        None => Ok(()),
        Some(_) => Err(RuleError::RepeatedPart { part }),
    }
}

/// A part whose values are whole numbers.
struct Numbers {
    part: &'static str,
    largest: i16,
    /// Whether -1 means the last one.
    from_back: bool,
    expected: &'static str,
}

const BY_MONTH: Numbers = Numbers { part: "BYMONTH", largest: 12, from_back: false, expected: "a month from 1 to 12" };
const BY_WEEK_NO: Numbers =
    Numbers { part: "BYWEEKNO", largest: 53, from_back: true, expected: "a week from 1 to 53 or -53 to -1" };
const BY_YEAR_DAY: Numbers =
    Numbers { part: "BYYEARDAY", largest: 366, from_back: true, expected: "a day from 1 to 366 or -366 to -1" };
const BY_MONTH_DAY: Numbers =
    Numbers { part: "BYMONTHDAY", largest: 31, from_back: true, expected: "a day from 1 to 31 or -31 to -1" };
const BY_SET_POS: Numbers =
    Numbers { part: "BYSETPOS", largest: 366, from_back: true, expected: "a position from 1 to 366 or -366 to -1" };
const NUMBER_OF_DAY: Numbers = Numbers {
    part: "BYDAY",
    largest: 53,
    from_back: true,
    expected: "a day such as MO, 1MO or -1MO, numbered up to 53",
};

impl Numbers {
    fn one(&self, text: &str) -> Option<i16> {
        let number = match text.strip_prefix('-') {
            Some(digits) if self.from_back => -unsigned::<i16>(digits)?,
            Some(_) => return None,
            None if self.from_back => unsigned(text.strip_prefix('+').unwrap_or(text))?,
            None => unsigned(text)?,
        };
        (1..=self.largest).contains(&number.abs()).then_some(number)
    }

    fn refused(&self, text: &str) -> RuleError {
        RuleError::Value { part: self.part, value: shown(text), expected: self.expected }
    }
}

/// Digits alone: the standard library's `parse` would take a sign too.
fn unsigned<N: FromStr>(digits: &str) -> Option<N> {
    digits.bytes().all(|byte| byte.is_ascii_digit()).then(|| digits.parse().ok())?
}

fn list(value: &str, numbers: &Numbers) -> Result<Vec<i16>, RuleError> {
    let mut list = value
        .split(',')
        .map(|text| numbers.one(text).ok_or_else(|| numbers.refused(text)))
        .collect::<Result<Vec<_>, _>>()?;
    list.sort_unstable();
    list.dedup();
    Ok(list)
}

fn days(value: &str) -> Result<Vec<ByDay>, RuleError> {
    let one = |text: &str| {
        let (number, name) = text.split_at_checked(text.len().checked_sub(2)?)?;
        let nth = match number {
            "" => None,
            number => Some(NUMBER_OF_DAY.one(number)?),
        };
        Some(ByDay { nth, weekday: weekday(name)? })
    };
    let mut days = value
        .split(',')
        .map(|text| one(text).ok_or_else(|| NUMBER_OF_DAY.refused(text)))
        .collect::<Result<Vec<_>, _>>()?;
    days.sort_unstable_by_key(|day| (day.nth, day.weekday.num_days_from_monday()));
    days.dedup();
    Ok(days)
}

fn frequency(value: &str) -> Result<Frequency, RuleError> {
    match value {
        "DAILY" => Ok(Frequency::Daily),
        "WEEKLY" => Ok(Frequency::Weekly),
        "MONTHLY" => Ok(Frequency::Monthly),
        "YEARLY" => Ok(Frequency::Yearly),
        _ => Err(refused("FREQ", value, "DAILY, WEEKLY, MONTHLY or YEARLY")),
    }
}

fn interval(value: &str) -> Result<u16, RuleError> {
    unsigned(value)
        .filter(|number| (1..=LARGEST_INTERVAL).contains(number))
        .ok_or_else(|| refused("INTERVAL", value, "a whole number from 1 to 9999"))
}

fn count(value: &str) -> Result<usize, RuleError> {
    unsigned(value)
        .filter(|number| (1..=LARGEST_COUNT).contains(number))
        .ok_or_else(|| refused("COUNT", value, "a whole number from 1 to 200000"))
}

fn week_start(value: &str) -> Result<Weekday, RuleError> {
    weekday(value).ok_or_else(|| refused("WKST", value, "one of MO, TU, WE, TH, FR, SA, SU"))
}

/// The last day included. An instant at midnight closes the day before it.
fn until(value: &str) -> Result<NaiveDate, RuleError> {
    let date = |text| NaiveDate::parse_from_str(digits_only(text, 8)?, "%Y%m%d").ok();
    let date_of_instant = || {
        let (day, time) = value.strip_suffix('Z')?.split_once('T')?;
        let time = NaiveTime::parse_from_str(digits_only(time, 6)?, "%H%M%S").ok()?;
        if time == NaiveTime::MIN { date(day)?.pred_opt() } else { date(day) }
    };
    date(value)
        .or_else(date_of_instant)
        .ok_or_else(|| refused("UNTIL", value, "a date such as 20271231, or 20271231T220000Z"))
}

fn digits_only(text: &str, length: usize) -> Option<&str> {
    (text.len() == length && text.bytes().all(|byte| byte.is_ascii_digit())).then_some(text)
}

fn weekday(code: &str) -> Option<Weekday> {
    Some(match code {
        "MO" => Weekday::Mon,
        "TU" => Weekday::Tue,
        "WE" => Weekday::Wed,
        "TH" => Weekday::Thu,
        "FR" => Weekday::Fri,
        "SA" => Weekday::Sat,
        "SU" => Weekday::Sun,
        _ => return None,
    })
}

fn refused(part: &'static str, value: &str, expected: &'static str) -> RuleError {
    RuleError::Value { part, value: shown(value), expected }
}

/// As much of a user's text as a message should repeat.
fn shown(text: &str) -> String {
    text.chars().take(40).collect()
}
