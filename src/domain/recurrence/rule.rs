//! A checked recurrence rule, its canonical text, and the reasons to refuse one.
//!
//! Calendar programs accept almost any rule and disagree about the odd ones. A hygiene routine that silently falls on
//! another day, or on none, is a record missing; so what RFC 5545 forbids, and what programs disagree about, is refused.
//!
//! The rule it keeps: **a [`Rule`] that exists can be expanded**; nothing finds fault with a part of it later.

use std::fmt;

use chrono::{NaiveDate, Weekday};

/// The longest text that is read.
pub(super) const LONGEST_BYTES: usize = 500;

/// Why a rule's text is refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RuleError {
    /// The text is longer than any sensible rule.
    #[error("a rule has at most {LONGEST_BYTES} bytes")]
    TooLong,
    /// Something between semicolons is not `NAME=value`.
    #[error("`{text}` is not a rule part such as BYDAY=MO")]
    NotAPart {
        /// What was written.
        text: String,
    },
    /// A part that RFC 5545 does not know.
    #[error("`{name}` is not a part of a recurrence rule")]
    UnknownPart {
        /// What was written.
        name: String,
    },
    /// A part is given twice.
    #[error("{part} is given more than once")]
    RepeatedPart {
        /// The part.
        part: &'static str,
    },
    /// A part that tells a time of day.
    #[error("{part} is refused: a rule gives dates, the time of day comes from the routine")]
    TimeOfDay {
        /// The part.
        part: &'static str,
    },
    /// There is no `FREQ`.
    #[error("a rule needs FREQ: DAILY, WEEKLY, MONTHLY or YEARLY")]
    FrequencyMissing,
    /// A part's value cannot be read.
    #[error("{part}: `{value}` is not {expected}")]
    Value {
        /// The part.
        part: &'static str,
        /// What was written.
        value: String,
        /// What can be written there.
        expected: &'static str,
    },
    /// Both `COUNT` and `UNTIL` end the rule.
    #[error("a rule ends by COUNT or by UNTIL, not both")]
    CountAndUntil,
    /// A part that RFC 5545 forbids with this frequency.
    #[error("{part} cannot be used with FREQ={frequency}")]
    NotWithFrequency {
        /// The part.
        part: &'static str,
        /// The rule's frequency.
        frequency: Frequency,
    },
    /// `BYDAY=1MO` where neither a month nor a year is counted.
    #[error("BYDAY can number its days (1MO, -1FR) only with FREQ=MONTHLY or FREQ=YEARLY")]
    NumberedDay,
    /// `BYDAY=1MO` together with `BYWEEKNO`.
    #[error("BYDAY cannot number its days (1MO, -1FR) together with BYWEEKNO")]
    NumberedDayOfWeek,
    /// `BYWEEKNO` alone: programs disagree whether that is one day or seven.
    #[error("BYWEEKNO needs BYDAY to say which days of the week are meant")]
    WeekWithoutDay,
    /// `BYSETPOS` with nothing to pick from.
    #[error("BYSETPOS needs another BY part to pick from")]
    PositionAlone,
}

/// How long a rule's period is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Frequency {
    /// Each period is a day.
    Daily,
    /// Each period is a week.
    Weekly,
    /// Each period is a calendar month.
    Monthly,
    /// Each period is a calendar year.
    Yearly,
}

impl fmt::Display for Frequency {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Daily => "DAILY",
            Self::Weekly => "WEEKLY",
            Self::Monthly => "MONTHLY",
            Self::Yearly => "YEARLY",
        })
    }
}

/// What ends a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum End {
    Never,
    Count(usize),
    /// The last day included.
    Until(NaiveDate),
}

/// One entry of `BYDAY`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct ByDay {
    /// Which one of the month or year; all of them if absent.
    pub(super) nth: Option<i16>,
    pub(super) weekday: Weekday,
}

impl fmt::Display for ByDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(nth) = self.nth {
            write!(f, "{nth}")?;
        }
        f.write_str(code(self.weekday))
    }
}

/// A recurrence rule of RFC 5545 section 3.3.10 that gives dates.
///
/// Its text is canonical: upper case, the parts and their values in a fixed order,
/// `INTERVAL=1` and `WKST=MO` left out, `UNTIL` as a date. Store that.
///
/// # Examples
///
/// ```
/// use chairtide::domain::recurrence::Rule;
///
/// let rule: Rule = "freq=weekly;interval=2;byday=fr,mo;wkst=MO".parse()?;
/// assert_eq!(rule.to_string(), "FREQ=WEEKLY;INTERVAL=2;BYDAY=MO,FR");
///
/// let refused = "FREQ=DAILY;BYHOUR=9".parse::<Rule>().unwrap_err();
/// assert_eq!(
///     refused.to_string(),
///     "BYHOUR is refused: a rule gives dates, the time of day comes from the routine",
/// );
/// # Ok::<(), chairtide::domain::recurrence::RuleError>(())
/// ```
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rule {
    pub(super) frequency: Frequency,
    pub(super) interval: u16,
    pub(super) end: End,
    pub(super) by_month: Vec<i16>,
    pub(super) by_week_no: Vec<i16>,
    pub(super) by_year_day: Vec<i16>,
    pub(super) by_month_day: Vec<i16>,
    pub(super) by_day: Vec<ByDay>,
    pub(super) by_set_pos: Vec<i16>,
    pub(super) week_start: Weekday,
}

impl Rule {
    /// How long its period is.
    #[must_use]
    pub fn frequency(&self) -> Frequency {
        self.frequency
    }

    /// Whether a part says which days are meant, so that the start need not.
    pub(super) fn names_a_day(&self) -> bool {
        !(self.by_week_no.is_empty()
            && self.by_year_day.is_empty()
            && self.by_month_day.is_empty()
            && self.by_day.is_empty())
    }
}

fn code(weekday: Weekday) -> &'static str {
    match weekday {
        Weekday::Mon => "MO",
        Weekday::Tue => "TU",
        Weekday::Wed => "WE",
        Weekday::Thu => "TH",
        Weekday::Fri => "FR",
        Weekday::Sat => "SA",
        Weekday::Sun => "SU",
    }
}

impl fmt::Display for Rule {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "FREQ={}", self.frequency)?;
        if self.interval != 1 {
            write!(f, ";INTERVAL={}", self.interval)?;
        }
        match self.end {
            End::Never => {}
            End::Count(count) => write!(f, ";COUNT={count}")?,
            End::Until(day) => write!(f, ";UNTIL={}", day.format("%Y%m%d"))?,
        }
        write_list(f, "BYMONTH", &self.by_month)?;
        write_list(f, "BYWEEKNO", &self.by_week_no)?;
        write_list(f, "BYYEARDAY", &self.by_year_day)?;
        write_list(f, "BYMONTHDAY", &self.by_month_day)?;
        write_list(f, "BYDAY", &self.by_day)?;
        write_list(f, "BYSETPOS", &self.by_set_pos)?;
        if self.week_start != Weekday::Mon {
            write!(f, ";WKST={}", code(self.week_start))?;
        }
        Ok(())
    }
}

fn write_list(f: &mut fmt::Formatter<'_>, part: &str, list: &[impl fmt::Display]) -> fmt::Result {
    for (position, value) in list.iter().enumerate() {
        if position == 0 {
            write!(f, ";{part}={value}")?;
        } else {
            write!(f, ",{value}")?;
        }
    }
    Ok(())
}
