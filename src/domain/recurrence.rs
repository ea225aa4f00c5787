//! On which dates a routine recurs.
//!
//! The trade says "every Monday", "on the first working day of the quarter", "not on 24 December"; RFC 5545 has a
//! notation for that which calendar programs share. This module reads the part of it that gives dates.
//!
//! The rule it keeps: **a recurrence yields dates and knows no zone, no time of day and no clock.** At what instant
//! a date's task is due is decided elsewhere, from the clinic's hours and its zone. So a clock change can never
//! repeat or lose an occurrence.
//!
//! Where RFC 5545 leaves the reading open, this is what is done here:
//!
//! * The first day is an occurrence only if the rule matches it.
//! * `COUNT` counts the rule's dates, before exceptions are taken out and other dates are added.
//! * `UNTIL` is the last date included. An instant is read as its UTC date, and midnight closes the day before it:
//!   nothing that has a time of day happens later than that.
//! * `BYSETPOS` picks from a whole month or year, but from the first week only as far as the recurrence has begun.
//! * `BYWEEKNO` belongs to the calendar year a date lies in, which matters when `INTERVAL` leaves years out.
//!
//! The work is bounded: dates exist from [`FIRST_ON`] to [`LAST_ON`] only. A question looks once at each day of its
//! window, rounded out to whole periods; days before the window are looked at only when `COUNT` needs them counted.

mod dates;
mod parse;
mod rule;

use std::collections::BTreeSet;
use std::ops::RangeInclusive;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use self::dates::RuleDates;
pub use self::rule::{Frequency, Rule, RuleError};

/// The first date any recurrence can have.
pub const FIRST_ON: NaiveDate = NaiveDate::from_ymd_opt(1900, 1, 1).expect("a real date");

/// The last date any recurrence can have.
pub const LAST_ON: NaiveDate = NaiveDate::from_ymd_opt(2199, 12, 31).expect("a real date");

/// Why a recurrence is refused.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecurrenceError {
    /// The rule's text is refused.
    #[error(transparent)]
    Rule(#[from] RuleError),
    /// It starts before [`FIRST_ON`] or after [`LAST_ON`].
    #[error("a recurrence starts between {FIRST_ON} and {LAST_ON}, not on {starts_on}")]
    StartsOutside {
        /// The start that was asked for.
        starts_on: NaiveDate,
    },
    /// The rule is well formed and matches no date.
    #[error("`{rule}` gives no date from {starts_on} on")]
    NeverDue {
        /// The rule, in its canonical text.
        rule: String,
        /// The first day.
        starts_on: NaiveDate,
    },
    /// It ends before the first of its dates.
    #[error("`{rule}` gives its first date on {first_on}, after ends_on")]
    EndsTooSoon {
        /// The rule, in its canonical text.
        rule: String,
        /// That date.
        first_on: NaiveDate,
    },
    /// Each of its dates is taken out.
    #[error("except_on takes out every date of `{rule}`")]
    AllTakenOut {
        /// The rule, in its canonical text.
        rule: String,
    },
}

/// A rule with a first day, a last day, and the dates that are taken from it or added to it.
///
/// This is the document as it is sent and stored; [`Recurrence::check`] says whether it can be used.
///
/// # Examples
///
/// ```
/// use chairtide::domain::recurrence::Recurrence;
/// use chrono::NaiveDate;
///
/// let day = |text: &str| text.parse::<NaiveDate>().unwrap();
/// let first_mondays = Recurrence {
///     ends_on: Some(day("2027-06-30")),
///     except_on: [day("2027-01-04")].into(),
///     also_on: [day("2027-01-11")].into(),
///     ..Recurrence::new("FREQ=MONTHLY;BYDAY=1MO", day("2026-12-01"))
/// };
/// assert_eq!(
///     first_mondays.dates_between(day("2026-12-01"), day("2027-02-28"))?,
///     [day("2026-12-07"), day("2027-01-11"), day("2027-02-01")],
/// );
/// # Ok::<(), chairtide::domain::recurrence::RecurrenceError>(())
/// ```
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(
    description = "A rule with a first day, a last day, and the dates that are taken from it or added to it. A rule that \
                   leaves no date is refused."
)]
pub struct Recurrence {
    /// An RFC 5545 recurrence rule that gives dates, without the leading `RRULE:`.
    #[schema(example = "FREQ=MONTHLY;BYDAY=1MO")]
    pub rule: String,
    /// The first day it can fall on. A rule that does not say on which day takes it from here.
    pub starts_on: NaiveDate,
    /// The last day it can fall on.
    pub ends_on: Option<NaiveDate>,
    /// Dates it does not fall on, whatever the rule or `also_on` says.
    #[serde(default)]
    pub except_on: BTreeSet<NaiveDate>,
    /// Dates it falls on besides those of the rule, from the first day to the last.
    #[serde(default)]
    pub also_on: BTreeSet<NaiveDate>,
}

impl Recurrence {
    /// A rule from a day on, without end or exceptions. Nothing is checked yet.
    #[must_use]
    pub fn new(rule: impl Into<String>, starts_on: NaiveDate) -> Self {
        let (except_on, also_on) = Default::default();
        Self { rule: rule.into(), starts_on, ends_on: None, except_on, also_on }
    }

    /// Whether it can be used: its rule gives dates, and one of its dates is left.
    ///
    /// # Errors
    ///
    /// The first of its rules that is broken.
    ///
    /// ```
    /// use chairtide::domain::recurrence::Recurrence;
    /// use chrono::NaiveDate;
    ///
    /// let starts_on = NaiveDate::from_ymd_opt(2026, 12, 1).unwrap();
    /// let never = Recurrence::new("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", starts_on);
    /// assert_eq!(
    ///     never.check().unwrap_err().to_string(),
    ///     "`FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30` gives no date from 2026-12-01 on",
    /// );
    /// ```
    pub fn check(&self) -> Result<(), RecurrenceError> {
        let starts_on = self.starts_on;
        let rule = self.read()?;
        let text = || rule.to_string();
        let Some(first_on) = RuleDates::new(&rule, starts_on, starts_on, LAST_ON).next() else {
            return Err(RecurrenceError::NeverDue { rule: text(), starts_on });
        };
        if self.first_date(starts_on, |_| true)?.is_some() {
            return Ok(());
        }
        let is_added = self.span(starts_on, LAST_ON).is_some_and(|span| self.also_on.range(span).next().is_some());
        if self.ends_on.is_some_and(|ends_on| ends_on < first_on) && !is_added {
            return Err(RecurrenceError::EndsTooSoon { rule: text(), first_on });
        }
        Err(RecurrenceError::AllTakenOut { rule: text() })
    }

    /// The first of its dates from a day on for which `wanted` holds; `None` when there is none. It looks at each day
    /// there is once at most.
    ///
    /// # Errors
    ///
    /// As [`Recurrence::dates_between`].
    pub fn first_date(
        &self,
        from_on: NaiveDate,
        wanted: impl Fn(NaiveDate) -> bool,
    ) -> Result<Option<NaiveDate>, RecurrenceError> {
        let rule = self.read()?;
        let Some(span) = self.span(from_on, LAST_ON) else { return Ok(None) };
        let is_left = |date: &NaiveDate| !self.except_on.contains(date) && wanted(*date);
        let by_rule = RuleDates::new(&rule, self.starts_on, *span.start(), *span.end()).find(is_left);
        let added = self.also_on.range(span).copied().find(is_left);
        Ok(by_rule.into_iter().chain(added).min())
    }

    /// Its dates from one day to another, both included; in order, each once.
    ///
    /// # Errors
    ///
    /// As [`Recurrence::check`], except that having no date is no error here.
    pub fn dates_between(&self, from_on: NaiveDate, to_on: NaiveDate) -> Result<Vec<NaiveDate>, RecurrenceError> {
        let rule = self.read()?;
        let Some(span) = self.span(from_on, to_on) else { return Ok(Vec::new()) };
        let by_rule = RuleDates::new(&rule, self.starts_on, *span.start(), *span.end());
        let mut dates: Vec<_> = by_rule.chain(self.also_on.range(span).copied()).collect();
        dates.sort_unstable();
        dates.dedup();
        dates.retain(|date| !self.except_on.contains(date));
        Ok(dates)
    }

    /// What of some days lies between its first and its last.
    fn span(&self, from_on: NaiveDate, to_on: NaiveDate) -> Option<RangeInclusive<NaiveDate>> {
        let first = from_on.max(self.starts_on);
        let last = self.ends_on.map_or(to_on, |ends_on| ends_on.min(to_on)).min(LAST_ON);
        (first <= last).then_some(first..=last)
    }

    fn read(&self) -> Result<Rule, RecurrenceError> {
        let starts_on = self.starts_on;
        if !(FIRST_ON..=LAST_ON).contains(&starts_on) {
            return Err(RecurrenceError::StartsOutside { starts_on });
        }
        Ok(self.rule.parse()?)
    }
}

#[cfg(test)]
mod tests;
