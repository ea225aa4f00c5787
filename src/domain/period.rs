//! Weeks, months, quarters and years: the spans in which something has to happen once.
//!
//! The rule of this file: a week is the week of ISO 8601, Monday to Sunday, and belongs to the year its Thursday lies
//! in; the other periods are those of the Gregorian calendar.

use std::fmt;

use chrono::{Datelike, Days, IsoWeek, Months, NaiveDate, Weekday};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// How long a period is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PeriodLength {
    /// ISO 8601 weeks.
    Week,
    /// Calendar months.
    Month,
    /// Calendar quarters.
    Quarter,
    /// Calendar years.
    Year,
}

impl PeriodLength {
    /// From the longest to the shortest: the order in which periods are levelled.
    pub const LONGEST_FIRST: [Self; 4] = [Self::Year, Self::Quarter, Self::Month, Self::Week];
}

/// One period.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Period {
    length: PeriodLength,
    first_on: NaiveDate,
}

impl Period {
    /// The period a date lies in.
    ///
    /// # Examples
    /// ```
    /// use chairtide::domain::period::{Period, PeriodLength};
    /// use chrono::NaiveDate;
    /// let new_year = NaiveDate::from_ymd_opt(2027, 1, 1).expect("a date");
    /// let week = Period::holding(PeriodLength::Week, new_year);
    /// assert_eq!(week.to_string(), "2026-W53");
    /// assert_eq!(week.last_on(), NaiveDate::from_ymd_opt(2027, 1, 3).expect("a date"));
    /// ```
    ///
    /// # Panics
    /// Never: every date has a first day of its week, month, quarter and year.
    #[must_use]
    pub fn holding(length: PeriodLength, date: NaiveDate) -> Self {
        let month_begins = |month0: u32| date.with_day(1).and_then(|d| d.with_month0(month0));
        let first_on = match length {
            PeriodLength::Week => date.checked_sub_days(Days::new(date.weekday().num_days_from_monday().into())),
            PeriodLength::Month => month_begins(date.month0()),
            PeriodLength::Quarter => month_begins(date.month0() / 3 * 3),
            PeriodLength::Year => month_begins(0),
        };
        Self { length, first_on: first_on.expect("dates are far from the calendar's ends") }
    }

    /// How long it is.
    #[must_use]
    pub fn length(self) -> PeriodLength {
        self.length
    }

    /// Its first date.
    #[must_use]
    pub fn first_on(self) -> NaiveDate {
        self.first_on
    }

    /// Its last date.
    #[must_use]
    pub fn last_on(self) -> NaiveDate {
        self.next().first_on - Days::new(1)
    }

    /// Its dates.
    pub fn dates(self) -> impl Iterator<Item = NaiveDate> {
        let next = self.next().first_on;
        self.first_on.iter_days().take_while(move |date| *date < next)
    }

    /// The one after it.
    #[must_use]
    pub fn next(self) -> Self {
        let first_on = match self.length {
            PeriodLength::Week => self.first_on + Days::new(7),
            PeriodLength::Month => self.first_on + Months::new(1),
            PeriodLength::Quarter => self.first_on + Months::new(3),
            PeriodLength::Year => self.first_on + Months::new(12),
        };
        Self { first_on, ..self }
    }

    /// The periods that share a day with `from..=to`, in order.
    pub fn overlapping(length: PeriodLength, from: NaiveDate, to: NaiveDate) -> impl Iterator<Item = Self> {
        std::iter::successors(Some(Self::holding(length, from)), |period| Some(period.next()))
            .take_while(move |period| period.first_on <= to)
    }

    /// The period of its text form; `None` for any other text.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let (year, rest) = text.split_once('-').map_or((text, ""), |(year, rest)| (year, rest));
        let year: i32 = year.parse().ok()?;
        let (length, first_on) = if let Some(week) = rest.strip_prefix('W') {
            (PeriodLength::Week, NaiveDate::from_isoywd_opt(year, week.parse().ok()?, Weekday::Mon)?)
        } else if let Some(quarter) = rest.strip_prefix('Q') {
            let quarter: u32 = quarter.parse().ok().filter(|q| (1..=4).contains(q))?;
            (PeriodLength::Quarter, NaiveDate::from_ymd_opt(year, quarter * 3 - 2, 1)?)
        } else if rest.is_empty() {
            (PeriodLength::Year, NaiveDate::from_ymd_opt(year, 1, 1)?)
        } else {
            (PeriodLength::Month, NaiveDate::from_ymd_opt(year, rest.parse().ok()?, 1)?)
        };
        // One text for each period: what it is written as is compared.
        Some(Self { length, first_on }).filter(|period| period.to_string() == text)
    }
}

impl fmt::Display for Period {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let first = self.first_on;
        match self.length {
            PeriodLength::Week => {
                let week: IsoWeek = first.iso_week();
                write!(f, "{:04}-W{:02}", week.year(), week.week())
            }
            PeriodLength::Month => write!(f, "{}", first.format("%Y-%m")),
            PeriodLength::Quarter => write!(f, "{}-Q{}", first.format("%Y"), first.month0() / 3 + 1),
            PeriodLength::Year => write!(f, "{}", first.format("%Y")),
        }
    }
}

#[cfg(test)]
mod tests;
