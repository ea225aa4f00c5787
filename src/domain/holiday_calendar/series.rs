//! A series with its overrides -> its occurrences, each with a name that lasts.
//!
//! The rule of this file: **an occurrence keeps its name when it moves.** A lone event is named by its UID alone, an
//! occurrence of a series by the date it was first meant for.

use std::collections::BTreeSet;
use std::fmt;

use chrono::{Days, NaiveDate};

use super::event::{SeriesRule, Timing, known_on};
use super::value::{self, Extent, Moment, Stamp};
use crate::domain::recurrence::{FIRST_ON, LAST_ON, Recurrence};

/// Most days a file's rules are looked through, added up: some seconds of work.
const MOST_DAYS: i64 = 3_000_000;

/// What a file's rules, and what is sought to be taken back, may still cost.
#[derive(Debug)]
pub(super) struct Budget(i64);

impl Budget {
    pub(super) fn new() -> Self {
        Self(MOST_DAYS)
    }

    pub(super) fn spend(&mut self, days: i64) -> Result<(), String> {
        self.0 -= days.max(0);
        if self.0 < 0 { Err("the rules of this file take too long to work out; send fewer".to_owned()) } else { Ok(()) }
    }
}

/// Which occurrence of an event it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Occasion {
    /// The only one.
    Only,
    /// The one of a date; the number tells several of one date apart.
    On(NaiveDate, usize),
}

impl fmt::Display for Occasion {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Only => f.write_str("only"),
            Self::On(date, 0) => write!(f, "{date}"),
            Self::On(date, number) => write!(f, "{date}/{number}"),
        }
    }
}

/// One occurrence.
#[derive(Clone, Debug)]
pub(super) struct Occurrence {
    pub(super) occasion: Occasion,
    /// When it begins, for finding it.
    pub(super) stamp: Stamp,
    pub(super) start: Moment,
    pub(super) extent: Extent,
}

/// The days that are asked about, both included.
#[derive(Clone, Copy, Debug)]
pub(super) struct Window {
    pub(super) from: NaiveDate,
    pub(super) until: NaiveDate,
}

/// The occurrences of an event, before exceptions: all that were named singly, and those of its rule that can reach
/// the window. They are in the order of their stamps, no two of which are equal.
pub(super) fn occurrences(timing: &Timing, window: Window, budget: &mut Budget) -> Result<Vec<Occurrence>, String> {
    let Timing { start, extent, rule, also, .. } = timing;
    let starts = match rule {
        None if also.is_empty() => {
            let (stamp, start, extent) = (start.stamp(), start.clone(), *extent);
            return Ok(vec![Occurrence { occasion: Occasion::Only, stamp, start, extent }]);
        }
        None => vec![start.clone()],
        Some(rule) => rule_starts(timing, rule, window, budget)?,
    };
    let all = starts.into_iter().map(|start| (start, *extent)).chain(also.iter().cloned());
    let mut found: Vec<_> = all.map(|(start, extent)| (start.stamp(), start, extent)).collect();
    found.sort_by_key(|(stamp, ..)| *stamp);
    found.dedup_by_key(|(stamp, ..)| *stamp);
    let mut of_date: Option<(NaiveDate, usize)> = None;
    let named = found.into_iter().map(|(stamp, start, extent)| {
        let date = known_on(&start);
        let number = of_date.filter(|(last, _)| *last == date).map_or(0, |(_, number)| number + 1);
        of_date = Some((date, number));
        Occurrence { occasion: Occasion::On(date, number), stamp, start, extent }
    });
    Ok(named.collect())
}

fn rule_starts(timing: &Timing, rule: &SeriesRule, window: Window, budget: &mut Budget) -> Result<Vec<Moment>, String> {
    let Timing { start, extent, .. } = timing;
    let (first_on, time) = (start.shown.date(), start.shown.time());
    let recurrence = Recurrence::new(rule.rule.as_str(), first_on);
    let refused = |error| format!("RRULE: {error}");
    // Two days more on both sides: the event's clocks and the clinic's may show different dates.
    let from = window.from.checked_sub_days(Days::new(extent.most_days().unsigned_abs() + 2)).unwrap_or(FIRST_ON);
    let until = window.until.checked_add_days(Days::new(2)).unwrap_or(LAST_ON);
    let looked_at_from = if rule.counts { first_on } else { from.max(first_on) };
    budget.spend((until - looked_at_from).num_days().max(0) + 400)?;
    // Section 3.8.5.3 leaves undefined what such a series is, and programs disagree.
    if recurrence.dates_between(first_on, first_on).map_err(refused)?.is_empty() {
        return Err("DTSTART is not a date of its RRULE, which RFC 5545 leaves undefined".to_owned());
    }
    let dates = recurrence.dates_between(from, until).map_err(refused)?;
    let mut starts = Vec::with_capacity(dates.len());
    // Read once more than needed, so that an UNTIL nobody can read is found where no date lies in the window.
    let is_within = |start: &Moment| rule.until.as_deref().map_or(Ok(true), |until| value::is_within(start, until));
    is_within(start)?;
    for date in dates {
        let occurrence = start.showing(date.and_time(time));
        if is_within(&occurrence)? {
            starts.push(occurrence);
        }
    }
    Ok(starts)
}

/// The occasion an override stands for, and the stamp of what it replaces.
///
/// `series` is in the order of its stamps: a large file has thousands of overrides of tens of thousands of occurrences.
pub(super) fn occasion_of(replaced: &Moment, series: &[Occurrence]) -> (Occasion, Stamp) {
    let stamp = replaced.stamp();
    let occasion = match series.binary_search_by_key(&stamp, |occurrence| occurrence.stamp) {
        Ok(at) => series[at].occasion,
        Err(_) => Occasion::On(known_on(replaced), 0),
    };
    (occasion, stamp)
}

/// What is left of a series.
pub(super) fn without(series: Vec<Occurrence>, except: &[Stamp], replaced: &BTreeSet<Stamp>) -> Vec<Occurrence> {
    let is_left = |stamp| except.binary_search(&stamp).is_err() && !replaced.contains(&stamp);
    series.into_iter().filter(|occurrence| is_left(occurrence.stamp)).collect()
}
