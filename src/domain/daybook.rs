//! A clinic's days, each worked out once.
//!
//! The rule of this file: it answers what [`Hours`] answers, and never works a day out twice. One plan asks for the
//! same days thousands of times (every routine, every rung of every ladder), and a day's sessions cost a walk over all
//! closures and several look-ups of the zone.

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

use super::hours::{ClinicDay, Hours};
use super::zone;

/// The days of one clinic, kept while one question is answered.
#[derive(Debug)]
pub struct DayBook<'h> {
    hours: &'h Hours,
    days: RefCell<BTreeMap<NaiveDate, Rc<ClinicDay>>>,
}

impl<'h> DayBook<'h> {
    /// An empty book of these hours.
    #[must_use]
    pub fn new(hours: &'h Hours) -> Self {
        Self { hours, days: RefCell::default() }
    }

    /// The hours it is a book of.
    #[must_use]
    pub fn hours(&self) -> &'h Hours {
        self.hours
    }

    /// The sessions of the clinic day `date`.
    #[must_use]
    pub fn day(&self, date: NaiveDate) -> Rc<ClinicDay> {
        Rc::clone(self.days.borrow_mut().entry(date).or_insert_with(|| Rc::new(self.hours.day(date))))
    }

    /// The instant at which `minutes` of opening time have passed since `from`, or `None` when that many do not come
    /// with the sessions of the clinic days up to `last`.
    #[must_use]
    pub fn after_opening_time(&self, from: DateTime<Utc>, minutes: u32, last: NaiveDate) -> Option<DateTime<Utc>> {
        let mut left = TimeDelta::minutes(minutes.into());
        if left.is_zero() {
            return Some(from);
        }
        let mut counted_to = from;
        let first = zone::local(&self.hours.zone, from).date().pred_opt()?;
        for date in first.iter_days().take_while(|date| *date <= last) {
            for (opens, closes) in &self.day(date).sessions {
                // Where a late session runs into the next day's first, the time they share passes once.
                let opens = (*opens).max(counted_to);
                if opens >= *closes {
                    continue;
                }
                if *closes - opens >= left {
                    return Some(opens + left);
                }
                left -= *closes - opens;
                counted_to = *closes;
            }
        }
        None
    }
}

#[cfg(test)]
mod tests;
