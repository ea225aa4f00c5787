//! Work that has to happen once in a period, by its end.
//!
//! The rule of this file: the period is the window. It may be done on any of its days; the chosen day only says when
//! it is planned for, and levelling chooses it.

use chrono::{Days, NaiveDate};

use super::because::Fact;
use super::{NotRequired, Occurrence, PlannedTask, Planner, task};
use crate::domain::period::{Period, PeriodLength};
use crate::domain::routine::RoutineVersion;
use crate::domain::subject::Subject;
use crate::domain::task::{Slot, Times};

impl Planner<'_> {
    /// The tasks of a period routine.
    pub(super) fn periods(
        &self,
        version: &RoutineVersion,
        each: PeriodLength,
        spread: bool,
        subjects: &[&Subject],
        is_in_force: impl Fn(NaiveDate) -> bool,
    ) -> Vec<PlannedTask> {
        if !self.clinic.hours.are_set() {
            return Vec::new();
        }
        let mut tasks = Vec::new();
        for period in Period::overlapping(each, self.from, self.to).filter(|period| is_in_force(period.last_on())) {
            for subject in subjects.iter().filter(|subject| subject.commissioned_on <= period.last_on()) {
                tasks.push(self.once_in(version, period, spread, subject));
            }
        }
        tasks
    }

    fn once_in(&self, version: &RoutineVersion, period: Period, spread: bool, subject: &Subject) -> PlannedTask {
        let last_on = period.last_on();
        let last_open = self.last_open_day(period, subject);
        let chosen = match last_open {
            Some(_) if spread => self.chosen_day(period, version.routine_id, subject.id).or(last_open),
            other => other,
        };
        let closing = |day: Option<NaiveDate>| day.and_then(|day| self.days.day(day).closes_at());
        let noon = self.hour(last_on, 12);
        let due_by = closing(chosen).unwrap_or(noon);
        let overdue_at = closing(last_open).unwrap_or(noon);
        let times = Times {
            anchor_at: due_by,
            due_from: self.hour(period.first_on().max(subject.commissioned_on), 0),
            due_by,
            overdue_at,
            missed_at: self.hour(last_on + Days::new(1), 0).max(overdue_at),
            blocks_at: None,
            rungs: Vec::new(),
        };
        let chosen_on = chosen.unwrap_or(last_on);
        let fact = Fact::PeriodDue { period: period.to_string(), chosen_on, spread };
        let closed = last_open.is_none().then(|| NotRequired { reason: format!("closed: all of {period}") });
        let occurrence = Occurrence {
            slot: Slot::Period(period),
            clinic_day: last_on,
            at: due_by,
            not_required: closed,
            whatever_the_service: false,
            because: self.because(fact, None, due_by),
        };
        task(version, subject, occurrence, self.with_rungs(version, times))
    }

    /// The last day of a period with sessions, of those the subject is there for.
    pub(super) fn last_open_day(&self, period: Period, subject: &Subject) -> Option<NaiveDate> {
        self.last_open_day_from(period, subject.commissioned_on)
    }

    /// The last day of a period with sessions, of those from a day on.
    pub(super) fn last_open_day_from(&self, period: Period, first_on: NaiveDate) -> Option<NaiveDate> {
        let earliest = period.first_on().max(first_on);
        std::iter::successors(Some(period.last_on()), NaiveDate::pred_opt)
            .take_while(|day| *day >= earliest)
            .find(|day| self.days.day(*day).is_open())
    }
}
