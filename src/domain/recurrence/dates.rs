//! The dates of a rule, one period after another.
//!
//! A period is what `FREQ` names: a day, a week, a month, a year. Every BY-part is asked of each day of a period;
//! `BYSETPOS` then picks from those that passed. RFC 5545 section 3.3.10 tells this as parts that "expand" or
//! "limit" a set; within one period both come to the same: keep the days that every part accepts.
//!
//! The rule it keeps: **each turn of the loop moves on by one period and the last date ends it**, so a rule that
//! matches nothing costs no more than one that matches every day.

use chrono::{Datelike, Days, NaiveDate, Weekday};

use super::rule::{ByDay, End, Frequency, Rule};

/// Iterates over a rule's dates in a window, in order.
pub(super) struct RuleDates {
    rule: Rule,
    starts_on: NaiveDate,
    from_on: NaiveDate,
    last_on: NaiveDate,
    /// How many dates `COUNT` has left, those before `from_on` included.
    left: Option<usize>,
    /// The number of the next period in step; the first day's is 0.
    period: u32,
    /// The dates of the period that was looked at last, and how many of them were given: kept, since most periods have one
    /// date at most and there are many of them.
    ready: Vec<NaiveDate>,
    given: usize,
}

impl RuleDates {
    /// The dates from `from_on` to `last_on`, both included, of a rule that starts on `starts_on`.
    pub(super) fn new(rule: &Rule, starts_on: NaiveDate, from_on: NaiveDate, last_on: NaiveDate) -> Self {
        let rule = completed(rule, starts_on);
        let (left, last_on) = match rule.end {
            End::Never => (None, last_on),
            End::Count(count) => (Some(count), last_on),
            End::Until(day) => (None, last_on.min(day)),
        };
        // A count is kept from the first date on. Any other rule may begin with the period that holds `from_on`, or
        // with the last one before it that is in step.
        let period = match left {
            Some(_) => 0,
            None => units_between(&rule, starts_on, from_on.max(starts_on)) / u32::from(rule.interval),
        };
        Self { rule, starts_on, from_on, last_on, left, period, ready: Vec::new(), given: 0 }
    }

    /// Looks at one period: its dates from the start on, in order.
    fn look_at(&mut self, first: NaiveDate, last: NaiveDate) {
        // What is counted, or picked by its place, has to be seen whole.
        let is_seen_whole = self.left.is_some() || !self.rule.by_set_pos.is_empty();
        let (first, last) =
            if is_seen_whole { (first, last) } else { (first.max(self.from_on), last.min(self.last_on)) };
        self.ready.clear();
        self.given = 0;
        let mut next = Some(first);
        while let Some(day) = next.filter(|day| *day <= last) {
            let is_its_month = self.rule.by_month.is_empty() || self.rule.by_month.contains(&number(day.month()));
            if is_its_month && accepts(&self.rule, day) {
                self.ready.push(day);
            }
            next = if is_its_month { day.succ_opt() } else { first_of_month(months(day) + 1) };
        }
        if !self.rule.by_set_pos.is_empty() {
            self.ready = picked(&self.ready, &self.rule.by_set_pos);
        }
        self.ready.retain(|day| *day >= self.starts_on);
    }
}

impl Iterator for RuleDates {
    type Item = NaiveDate;

    fn next(&mut self) -> Option<NaiveDate> {
        loop {
            if let Some(day) = self.ready.get(self.given) {
                self.given += 1;
                return Some(*day);
            }
            if self.left == Some(0) {
                return None;
            }
            let (first, last) = bounds(&self.rule, self.starts_on, self.period)?;
            if first > self.last_on {
                return None;
            }
            self.period += 1;
            self.look_at(first, last);
            if let Some(left) = &mut self.left {
                self.ready.truncate(*left);
                *left -= self.ready.len();
            }
            self.ready.retain(|day| (self.from_on..=self.last_on).contains(day));
        }
    }
}

/// Adds what the first day tells when the rule does not: RFC 5545 section 3.3.10 derives "information not contained
/// in the rule" from the start.
fn completed(rule: &Rule, starts_on: NaiveDate) -> Rule {
    let mut rule = rule.clone();
    if rule.names_a_day() {
        return rule;
    }
    match rule.frequency {
        Frequency::Daily => {}
        Frequency::Weekly => rule.by_day = vec![ByDay { nth: None, weekday: starts_on.weekday() }],
        Frequency::Monthly => rule.by_month_day = vec![number(starts_on.day())],
        Frequency::Yearly => {
            if rule.by_month.is_empty() {
                rule.by_month = vec![number(starts_on.month())];
            }
            rule.by_month_day = vec![number(starts_on.day())];
        }
    }
    rule
}

/// How many days, weeks, months or years lie between the periods of two days.
fn units_between(rule: &Rule, earlier: NaiveDate, later: NaiveDate) -> u32 {
    let units = match rule.frequency {
        Frequency::Daily => (later - earlier).num_days(),
        Frequency::Weekly => (week_of(rule, later) - week_of(rule, earlier)).num_weeks(),
        Frequency::Monthly => i64::from(months(later) - months(earlier)),
        Frequency::Yearly => i64::from(later.year() - earlier.year()),
    };
    u32::try_from(units).expect("the later day is not earlier, and both are in the calendar")
}

/// The first and the last day of a period; none beyond the calendar's end.
///
/// The first week begins with the recurrence, not with the week, and `BYSETPOS` counts from there. Months and years
/// are whole. The RFC does not say; python-dateutil reads it this way.
fn bounds(rule: &Rule, starts_on: NaiveDate, period: u32) -> Option<(NaiveDate, NaiveDate)> {
    let units = period.checked_mul(u32::from(rule.interval))?;
    match rule.frequency {
        Frequency::Daily => {
            let day = starts_on.checked_add_days(Days::new(u64::from(units)))?;
            Some((day, day))
        }
        Frequency::Weekly => {
            let first = week_of(rule, starts_on).checked_add_days(Days::new(7 * u64::from(units)))?;
            Some((first.max(starts_on), first.checked_add_days(Days::new(6))?))
        }
        Frequency::Monthly => {
            let month = months(starts_on).checked_add_unsigned(units)?;
            Some((first_of_month(month)?, first_of_month(month.checked_add(1)?)?.pred_opt()?))
        }
        Frequency::Yearly => {
            let year = starts_on.year().checked_add_unsigned(units)?;
            Some((NaiveDate::from_ymd_opt(year, 1, 1)?, NaiveDate::from_ymd_opt(year, 12, 31)?))
        }
    }
}

/// The first day of the week a day is in.
fn week_of(rule: &Rule, day: NaiveDate) -> NaiveDate {
    day.week(rule.week_start).first_day()
}

/// Months since January of year 0.
fn months(day: NaiveDate) -> i32 {
    day.year() * 12 + i32::from(number(day.month0()))
}

fn first_of_month(months: i32) -> Option<NaiveDate> {
    let month = u32::try_from(months.rem_euclid(12)).ok()? + 1;
    NaiveDate::from_ymd_opt(months.div_euclid(12), month, 1)
}

/// Whether every BY-part but `BYMONTH` accepts the day; a part that is absent accepts all. What is cheap to ask is asked first.
fn accepts(rule: &Rule, day: NaiveDate) -> bool {
    let in_year = || Place::new(number(day.ordinal0()), if day.leap_year() { 366 } else { 365 });
    let in_month = || Place::new(number(day.day0()), i16::from(day.num_days_in_month()));
    // A numbered day counts within the year only when nothing names a month.
    let counts_in_year = rule.frequency == Frequency::Yearly && rule.by_month.is_empty();
    let of_its_weekday = || if counts_in_year { in_year().by_sevens() } else { in_month().by_sevens() };

    (rule.by_day.is_empty()
        || rule.by_day.iter().any(|by_day| {
            by_day.weekday == day.weekday() && by_day.nth.is_none_or(|nth| of_its_weekday().is_in(&[nth]))
        }))
        && (rule.by_month_day.is_empty() || in_month().is_in(&rule.by_month_day))
        && (rule.by_year_day.is_empty() || in_year().is_in(&rule.by_year_day))
        && (rule.by_week_no.is_empty() || iso_week(day, rule.week_start).is_in(&rule.by_week_no))
}

/// Where something stands in its row.
#[derive(Clone, Copy)]
struct Place {
    before: i16,
    after: i16,
}

impl Place {
    fn new(before: i16, length: i16) -> Self {
        Self { before, after: length - 1 - before }
    }

    /// The place among every seventh: a Monday's among the Mondays.
    fn by_sevens(self) -> Self {
        Self { before: self.before / 7, after: self.after / 7 }
    }

    /// Whether a list names it: by 1, 2, 3 from the front or by -1, -2, -3 from the back.
    fn is_in(self, list: &[i16]) -> bool {
        list.contains(&(self.before + 1)) || list.contains(&(-self.after - 1))
    }
}

/// The place of a day's week in its year as ISO 8601 counts: a week belongs to the year of its fourth day, which is
/// the year that has most of it.
fn iso_week(day: NaiveDate, week_start: Weekday) -> Place {
    let fourth = day.week(week_start).first_day() + Days::new(3);
    Place::new(number(fourth.ordinal0()), if fourth.leap_year() { 366 } else { 365 }).by_sevens()
}

/// The days at the given positions, in order, each once.
fn picked(days: &[NaiveDate], positions: &[i16]) -> Vec<NaiveDate> {
    let length = i16::try_from(days.len()).expect("a period has at most 366 days");
    (0..length)
        .zip(days)
        .filter(|(before, _)| Place::new(*before, length).is_in(positions))
        .map(|(_, day)| *day)
        .collect()
}

/// A day's or a month's number.
fn number(value: u32) -> i16 {
    i16::try_from(value).expect("nothing in a year is numbered above 366")
}
