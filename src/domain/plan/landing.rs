//! Where dates land: the closed-day rule and the places of a day.
//!
//! The rule of this file: a date is moved to an open day at most a month away, and one that finds none is kept, not
//! required, so that the gap explains itself.

use chrono::{DateTime, Days, NaiveDate, Utc};

use super::because::Move;
use super::{NotRequired, Planner, closed};
use crate::domain::anchor::{ClosedDayRule, Place};
use crate::domain::zone;

/// How far a date is moved to find an open day; beyond that it is not required.
pub(super) const LONGEST_MOVE_DAYS: u64 = 31;

/// A date after the closed-day rule.
pub(super) struct Landed {
    pub(super) on: NaiveDate,
    pub(super) moved: Option<Move>,
    pub(super) not_required: Option<NotRequired>,
}

impl Planner<'_> {
    /// Where a date lands. A day the desk has started counts as open whatever the books say. While nobody has said when
    /// the clinic is open it is not closed either: a date that finds no such day lands nowhere.
    pub(super) fn land(&self, date: NaiveDate, rule: ClosedDayRule) -> Option<Landed> {
        self.land_where(date, rule, |day| self.is_open(day))
    }

    /// As [`Planner::land`], with its own word on what an open day is.
    pub(super) fn land_where(
        &self,
        date: NaiveDate,
        rule: ClosedDayRule,
        is_open: impl Fn(NaiveDate) -> bool,
    ) -> Option<Landed> {
        if is_open(date) {
            return Some(Landed { on: date, moved: None, not_required: None });
        }
        let found = match rule {
            ClosedDayRule::NotRequired => None,
            ClosedDayRule::PreviousOpenDay => {
                (1..=LONGEST_MOVE_DAYS).map(|n| date - Days::new(n)).find(|day| is_open(*day))
            }
            ClosedDayRule::NextOpenDay => {
                (1..=LONGEST_MOVE_DAYS).map(|n| date + Days::new(n)).find(|day| is_open(*day))
            }
        };
        match found {
            Some(on) => Some(Landed { on, moved: Some(Move { from_on: date, by: rule }), not_required: None }),
            None if !self.clinic.hours.are_set() => None,
            None => {
                let reason = self.days.day(date).closed_by.clone();
                let reason = reason.unwrap_or_else(|| "no opening hours that day".to_owned());
                Some(Landed { on: date, moved: None, not_required: Some(closed(&reason)) })
            }
        }
    }

    /// The instant of a place in a day. A closed day has no opening hours: its local midnight or noon stands for them,
    /// so that a task that is not required, or is wanted all the same, has an instant.
    pub(super) fn place_at(&self, place: Place, date: NaiveDate) -> DateTime<Utc> {
        let day = self.days.day(date);
        let posted = self.posted(date);
        match place {
            Place::LocalTime { at } => zone::resolve(&self.clinic.hours.zone, date.and_time(at)),
            Place::Opening {} => posted.started_at.or(day.opens_at()).unwrap_or_else(|| self.hour(date, 0)),
            Place::Closing {} => posted.ended_at.or(day.closes_at()).unwrap_or_else(|| self.hour(date, 12)),
        }
    }

    /// A full hour of a date, in the clinic's zone.
    pub(super) fn hour(&self, date: NaiveDate, hour: u32) -> DateTime<Utc> {
        let time = date.and_hms_opt(hour, 0, 0).expect("a full hour of the day");
        zone::resolve(&self.clinic.hours.zone, time)
    }
}
