//! Dates from rules and from the last time a routine was done.
//!
//! The rule of this file: a calendar does not drift when work is late; an interval does, since it counts from the work.

use chrono::{DateTime, Days, NaiveDate, Utc};

use super::because::Fact;
use super::{Occurrence, Planner};
use crate::domain::anchor::{ClosedDayRule, Every, Place};
use crate::domain::facts::Completed;
use crate::domain::recurrence::Recurrence;
use crate::domain::routine::RoutineVersion;
use crate::domain::subject::Subject;
use crate::domain::task::Slot;
use crate::domain::zone;

/// The most intervals of opening time that are counted from one completion: three years of hourly work.
const MOST_INTERVALS: u32 = 10_000;

impl Planner<'_> {
    /// The dates of a rule.
    pub(super) fn calendar(
        &self,
        dates: &Recurrence,
        place: Place,
        closed_day: ClosedDayRule,
        is_in_force: impl Fn(NaiveDate) -> bool,
    ) -> Vec<Occurrence> {
        let (first, last) = self.nominal_span();
        // A stored rule was checked when it came in; one that breaks now (a newer check is stricter) plans nothing.
        let dates_of_rule = dates.dates_between(first, last).unwrap_or_default();
        let fact = || Fact::RuleDate { rule: dates.rule.clone() };
        dates_of_rule
            .into_iter()
            .filter(|date| is_in_force(*date))
            .filter_map(|date| self.dated(Slot::Rule(date), date, place, closed_day, fact()))
            .collect()
    }

    /// The occurrences of an interval on one subject.
    #[expect(clippy::too_many_arguments, reason = "the parts of one anchor, and where it is asked about")]
    pub(super) fn interval(
        &self,
        version: &RoutineVersion,
        first_on: NaiveDate,
        subject: &Subject,
        every: Every,
        place: Option<Place>,
        closed_day: Option<ClosedDayRule>,
        is_in_force: impl Fn(NaiveDate) -> bool,
    ) -> Vec<Occurrence> {
        let last_done = self.last_done(version, subject);
        let never_since = subject.commissioned_on.max(first_on);
        match every {
            Every::Days(days) => {
                // Checked when the routine came in.
                let (Some(place), Some(closed_day)) = (place, closed_day) else { return Vec::new() };
                self.every_days(last_done, never_since, days, place, closed_day, is_in_force)
            }
            Every::OpeningHours(hours) => {
                let mut found = self.every_opening_hours(last_done, never_since, hours);
                found.retain(|occurrence| is_in_force(occurrence.clinic_day));
                found
            }
        }
    }

    /// The last time a routine was done on a subject.
    pub(super) fn last_done(&self, version: &RoutineVersion, subject: &Subject) -> Option<&Completed> {
        self.completions_of(version, subject)
            .filter(|completion| completion.is_done())
            .max_by_key(|completion| (completion.performed_at, completion.completion_id))
    }

    fn every_days(
        &self,
        last_done: Option<&Completed>,
        never_since: NaiveDate,
        days: u32,
        place: Place,
        closed_day: ClosedDayRule,
        is_in_force: impl Fn(NaiveDate) -> bool,
    ) -> Vec<Occurrence> {
        let counted_from = self.counted_from(last_done, never_since);
        interval_dates(counted_from, last_done.is_some(), days, self.nominal_span())
            .filter(|(_, date)| is_in_force(*date))
            .filter_map(|(days, date)| {
                let days = u32::try_from(days).unwrap_or(u32::MAX);
                let fact = match last_done {
                    Some(done) => Fact::LastDone { completion_id: done.completion_id, done_on: counted_from, days },
                    None => Fact::NeverDone { since_on: counted_from, days },
                };
                self.dated(Slot::Interval(date), date, place, closed_day, fact)
            })
            .collect()
    }

    /// The clinic day that an interval of days counts from.
    pub(super) fn counted_from(&self, last_done: Option<&Completed>, never_since: NaiveDate) -> NaiveDate {
        last_done.map_or(never_since, |done| self.clinic.hours.clinic_day_of(done.performed_at))
    }

    fn every_opening_hours(
        &self,
        last_done: Option<&Completed>,
        never_since: NaiveDate,
        hours: u32,
    ) -> Vec<Occurrence> {
        let zone = &self.clinic.hours.zone;
        let could_begin = || self.next_opening(self.hour(never_since, 0));
        let Some(since_at) = last_done.map(|done| done.performed_at).or_else(could_begin) else { return Vec::new() };
        let mut found = Vec::new();
        let mut at = since_at;
        for n in u32::from(last_done.is_some())..MOST_INTERVALS {
            if n > 0 {
                let Some(next) = self.days.after_opening_time(at, hours * 60, self.to) else { break };
                at = next;
            }
            let clinic_day = self.clinic.hours.clinic_day_of(at);
            if clinic_day > self.to {
                break;
            }
            if clinic_day >= self.from {
                let completion_id = last_done.map(|done| done.completion_id);
                let fact = Fact::OpeningHours { completion_id, since_at, hours: n * hours };
                found.push(self.occurrence(Slot::Hours(zone::local(zone, at)), clinic_day, at, fact, None));
            }
        }
        found
    }

    /// The first opening at or after an instant, of those up to the last day of the plan.
    fn next_opening(&self, from: DateTime<Utc>) -> Option<DateTime<Utc>> {
        let first = zone::local(&self.clinic.hours.zone, from).date().pred_opt()?;
        first
            .iter_days()
            .take_while(|date| *date <= self.to)
            .find_map(|date| self.days.day(date).sessions.iter().map(|(opens, _)| *opens).find(|opens| *opens >= from))
    }

    /// The occurrence of a date after the closed-day rule, if it lands within the span.
    pub(super) fn dated(
        &self,
        slot: Slot,
        date: NaiveDate,
        place: Place,
        closed_day: ClosedDayRule,
        fact: Fact,
    ) -> Option<Occurrence> {
        let landed = self.land(date, closed_day).filter(|landed| self.holds(landed.on))?;
        let at = self.place_at(place, landed.on);
        let because = self.because(fact, landed.moved, at);
        let not_required = landed.not_required;
        Some(Occurrence { slot, clinic_day: landed.on, at, not_required, whatever_the_service: false, because })
    }

    /// The completions of a routine on a subject.
    pub(super) fn completions_of(
        &self,
        version: &RoutineVersion,
        subject: &Subject,
    ) -> impl Iterator<Item = &Completed> {
        let (routine_id, subject_id) = (version.routine_id, subject.id);
        let all = self.clinic.facts.completions.iter();
        all.filter(move |done| done.routine_id == routine_id && done.subject_id == subject_id)
    }
}

/// The dates of an interval of days in a span, each with its distance from the day it counts from. Done that day, it is
/// due again after the interval; never done, at once.
pub(super) fn interval_dates(
    counted_from: NaiveDate,
    was_done: bool,
    days: u32,
    (first, last): (NaiveDate, NaiveDate),
) -> impl Iterator<Item = (u64, NaiveDate)> {
    let step = u64::from(days);
    let behind = u64::try_from((first - counted_from).num_days()).unwrap_or(0);
    let ahead = u64::try_from((last - counted_from).num_days()).unwrap_or(0);
    (behind.div_ceil(step).max(u64::from(was_done))..=ahead / step)
        .map(move |n| (n * step, counted_from + Days::new(n * step)))
        .filter(move |(_, date)| *date <= last)
}
