//! Why nothing is due.
//!
//! The rule of this file: the planner is asked first, so an absence is only ever explained where the plan really has
//! none; and each reason carries the facts it rests on, so that a person can check it.

pub mod reason;

use chrono::{Days, NaiveDate};
use uuid::Uuid;

pub use self::reason::{NoTask, Post, SelectedBy};
use super::because::Fact;
use super::{Clinic, PlannedTask, Planner};
use crate::domain::anchor::{Anchor, ClosedDayRule, Every, IdleOn};
use crate::domain::hours::Hours;
use crate::domain::period::Period;
use crate::domain::recurrence::Recurrence;
use crate::domain::routine::{RoutineVersion, in_force};
use crate::domain::subject::Subject;

/// How far ahead the next date of opening hours is looked for.
const LOOK_AHEAD_DAYS: u64 = 120;
/// How far from a day the nearest dates of a rule are looked for: first close by, since most rules are dense.
const RULE_REACH_DAYS: [u64; 3] = [35, 400, 3_700];
/// How many coming dates of an interval are tried until one lies in season.
const MOST_DATES_TRIED: u64 = 1_000;

/// What a day holds of a routine on a subject.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Absence {
    /// It is due, after all.
    Due(Vec<PlannedTask>),
    /// It is not, for at least one reason; what excludes it as such comes first.
    Nothing(Vec<NoTask>),
}

/// Why nothing of a routine is due on a subject on a clinic day, or what is due.
///
/// Work that is wanted once in a period belongs to the day it is planned for.
#[must_use]
pub fn why_nothing(clinic: &Clinic, routine_id: Uuid, subject: &Subject, on: NaiveDate, today: NaiveDate) -> Absence {
    let versions = clinic.routines.iter().find(|v| v.first().is_some_and(|v| v.routine_id == routine_id));
    let Some(versions) = versions else { return Absence::Nothing(vec![NoTask::NotYet { first_on: None }]) };
    let unshut = Hours { closures: Vec::new(), ..clinic.hours.clone() };
    let planner = Planner::new(clinic, &unshut, on, on, today);
    let mut tasks = planner.routine(versions);
    tasks.retain(|task| task.subject_id == subject.id);
    let (due, other): (Vec<_>, Vec<_>) =
        tasks.into_iter().partition(|task| day_of(task) == on && task.not_required.is_none());
    if !due.is_empty() {
        return Absence::Due(due);
    }
    let mut reasons: Vec<NoTask> = other.iter().filter_map(not_required).collect();
    if reasons.is_empty() {
        reasons = Question { planner: &planner, versions, subject, on }.reasons(&other);
    }
    Absence::Nothing(reasons)
}

/// The clinic day a task is planned for: a period's work belongs to its last date, and is planned for another one.
#[must_use]
pub fn day_of(task: &PlannedTask) -> NaiveDate {
    match task.because.fact {
        Fact::PeriodDue { chosen_on, .. } => chosen_on,
        _ => task.clinic_day,
    }
}

fn not_required(task: &PlannedTask) -> Option<NoTask> {
    let reason = task.not_required.as_ref()?.reason.clone();
    Some(NoTask::NotRequired { task_id: task.id.as_uuid(), reason })
}

/// One routine, one subject, one day without a task.
struct Question<'q, 'c> {
    planner: &'q Planner<'c>,
    versions: &'q [RoutineVersion],
    subject: &'q Subject,
    on: NaiveDate,
}

impl Question<'_, '_> {
    fn reasons(&self, planned: &[PlannedTask]) -> Vec<NoTask> {
        let Some(version) = in_force(self.versions, self.on) else {
            return vec![NoTask::NotYet { first_on: Some(self.planner.first_day(self.versions)) }];
        };
        // A period is planned by the version, and in the season, of its last date.
        let Anchor::Period { each, .. } = version.routine.anchor else {
            let excluded = self.excluded(version, self.on);
            return if excluded.is_empty() { self.by_anchor(version) } else { excluded };
        };
        let period = Period::holding(each, self.on);
        match in_force(self.versions, period.last_on()) {
            Some(last) if last.version != version.version => {
                vec![NoTask::LaterVersion { version: last.version, effective_on: last.effective_on }]
            }
            last => {
                let excluded = self.excluded(last.unwrap_or(version), period.last_on());
                if excluded.is_empty() { vec![of_period(period, planned)] } else { excluded }
            }
        }
    }

    /// What excludes the subject or the day from the routine as such.
    fn excluded(&self, version: &RoutineVersion, nominal: NaiveDate) -> Vec<NoTask> {
        let (routine, subject) = (&version.routine, self.subject);
        let mut reasons = Vec::new();
        if !routine.in_use {
            reasons.push(NoTask::NotInUse { version: version.version });
        }
        if let Some(season) = routine.season.filter(|season| !season.holds(nominal)) {
            reasons.push(NoTask::OutOfSeason { season });
        }
        if routine.subject_kind != subject.kind {
            reasons.push(NoTask::OtherKind { wanted: routine.subject_kind, is: subject.kind });
        } else if !routine.selection.picks(subject) {
            reasons.push(NoTask::NotSelected { by: SelectedBy::that_leave_out(&routine.selection, subject) });
        }
        if subject.commissioned_on > nominal {
            reasons.push(NoTask::NotCommissioned { commissioned_on: subject.commissioned_on });
        }
        reasons
    }

    fn by_anchor(&self, version: &RoutineVersion) -> Vec<NoTask> {
        let reason = match &version.routine.anchor {
            Anchor::Opening {} | Anchor::FirstPatient {} => {
                self.replaced(version.routine_id).unwrap_or_else(|| self.closed())
            }
            Anchor::Closing {} | Anchor::SessionEnd {} => self.no_end(),
            Anchor::Turnover {} => NoTask::NotPosted { post: Post::Left },
            Anchor::Calendar { dates, closed_day, .. } => return self.no_date(dates, *closed_day),
            Anchor::Interval { every: Every::Days(days), closed_day, .. } => {
                return self.interval_of_days(version, *days, closed_day.unwrap_or(ClosedDayRule::NotRequired));
            }
            Anchor::Interval { every: Every::OpeningHours(hours), .. } => self.interval_of_hours(version, *hours),
            Anchor::Idle { unused_days, on: IdleOn::OpenDays, strengthens, .. } => {
                self.not_idle_on_open_day(version, *unused_days, strengthens.unwrap_or(version.routine_id))
            }
            Anchor::Idle { unused_days, on: IdleOn::EveryDay, .. } => self.not_idle(*unused_days, true),
            Anchor::Count { of, every } => {
                let planner = self.planner;
                let first_on = planner.first_day(self.versions);
                let before = planner.counted_before(version.routine_id, self.subject);
                let counted = planner
                    .marks(version.routine_id, first_on, self.subject, *of)
                    .take_while(|(_, day, _)| *day <= self.on)
                    .last()
                    .map_or(before, |(_, _, number)| number);
                NoTask::CountedOnly { of: *of, counted, every: *every, due_at_number: (counted / every + 1) * every }
            }
            Anchor::Event { of } => NoTask::NoSuchEvent { of: of.clone() },
            Anchor::Follows { routine_id, when } => NoTask::NothingToFollow { routine_id: *routine_id, when: *when },
            Anchor::Period { each, .. } => of_period(Period::holding(*each, self.on), &[]),
        };
        vec![reason]
    }

    fn closed(&self) -> NoTask {
        if self.planner.clinic.hours.are_set() {
            NoTask::ClosedDay { closure: self.planner.days.day(self.on).closed_by.clone() }
        } else {
            NoTask::HoursNeverSet {}
        }
    }

    fn no_end(&self) -> NoTask {
        let posted = self.planner.posted(self.on);
        let is_planned = self.planner.days.day(self.on).is_open();
        match (posted.started_at, posted.ended_at) {
            (_, Some(ended_at)) if is_planned => NoTask::EndedBeforeAnySession { ended_at },
            (Some(_), None) => NoTask::NotPosted { post: Post::DayEnd },
            _ => self.closed(),
        }
    }

    fn replaced(&self, strengthened: Uuid) -> Option<NoTask> {
        let winner = self.planner.winner(strengthened, self.subject, self.on)?;
        Some(NoTask::IdleInstead {
            routine_id: winner.routine_id,
            last_used_on: winner.unused.last_used_on,
            unused_days: winner.unused.days,
        })
    }

    fn no_date(&self, dates: &Recurrence, closed_day: ClosedDayRule) -> Vec<NoTask> {
        if falls_on(dates, self.on) {
            return self.moved(closed_day);
        }
        vec![NoTask::NoDate {
            rule: dates.rule.clone(),
            excepted: dates.except_on.contains(&self.on),
            before_on: nearest(dates, |reach| (self.on - Days::new(reach), self.on - Days::new(1)), <[_]>::last),
            after_on: nearest(dates, |reach| (self.on + Days::new(1), self.on + Days::new(reach)), <[_]>::first),
        }]
    }

    /// A date that the closed-day rule took elsewhere.
    fn moved(&self, by: ClosedDayRule) -> Vec<NoTask> {
        let Some(landed) = self.planner.land(self.on, by) else { return vec![NoTask::HoursNeverSet {}] };
        let mut reasons = vec![NoTask::Moved { to_on: landed.on, by }];
        if self.subject.commissioned_on > landed.on {
            reasons.push(NoTask::NotCommissioned { commissioned_on: self.subject.commissioned_on });
        }
        reasons
    }

    fn interval_of_days(&self, version: &RoutineVersion, days: u32, closed_day: ClosedDayRule) -> Vec<NoTask> {
        let planner = self.planner;
        let last_done = planner.last_done(version, self.subject);
        let never_since = self.subject.commissioned_on.max(planner.first_day(self.versions));
        let counted_from = last_done.map_or(never_since, |done| planner.clinic.hours.clinic_day_of(done.performed_at));
        let smallest = u64::from(last_done.is_some());
        let behind = u64::try_from((self.on - counted_from).num_days());
        let step = u64::from(days.max(1));
        if behind.is_ok_and(|behind| behind.is_multiple_of(step) && behind / step >= smallest) {
            return self.moved(closed_day);
        }
        let next = behind.map_or(0, |behind| behind / step + 1).max(smallest);
        let is_wanted =
            |date: &NaiveDate| super::version_on(self.versions, *date).is_some_and(|v| v.version == version.version);
        let next_on = (next..next + MOST_DATES_TRIED)
            .filter_map(|n| counted_from.checked_add_days(Days::new(n.checked_mul(step)?)))
            .find(is_wanted)
            .map(|date| planner.land(date, closed_day).map_or(date, |landed| landed.on));
        let last_done_on = last_done.map(|_| counted_from);
        vec![NoTask::IntervalNotOver { last_done_on, counted_from, every: Every::Days(days), next_on }]
    }

    fn interval_of_hours(&self, version: &RoutineVersion, hours: u32) -> NoTask {
        let (planner, subject) = (self.planner, self.subject);
        let next_on = self.next_task(LOOK_AHEAD_DAYS);
        let hours_of = &planner.clinic.hours;
        let last_done_on = planner.last_done(version, subject).map(|done| hours_of.clinic_day_of(done.performed_at));
        if last_done_on.is_none() && !hours_of.are_set() {
            return NoTask::HoursNeverSet {};
        }
        let never_since = subject.commissioned_on.max(planner.first_day(self.versions));
        let counted_from = last_done_on.unwrap_or(never_since);
        NoTask::IntervalNotOver { last_done_on, counted_from, every: Every::OpeningHours(hours), next_on }
    }

    /// The clinic day of the routine's next task on the subject after this one.
    fn next_task(&self, within_days: u64) -> Option<NaiveDate> {
        let Planner { clinic, today, .. } = *self.planner;
        let unshut = Hours { closures: Vec::new(), ..clinic.hours.clone() };
        let (from, to) = (self.on + Days::new(1), self.on + Days::new(within_days));
        let ahead = Planner::new(clinic, &unshut, from, to, today);
        let tasks = ahead.routine(self.versions);
        tasks.iter().filter(|task| task.subject_id == self.subject.id).map(|task| task.clinic_day).min()
    }

    fn not_idle_on_open_day(&self, version: &RoutineVersion, wanted_days: u32, family: Uuid) -> NoTask {
        if !self.planner.is_open(self.on) {
            return self.closed();
        }
        match self.replaced(family) {
            Some(reason @ NoTask::IdleInstead { routine_id, .. }) if routine_id != version.routine_id => reason,
            _ => self.not_idle(wanted_days, false),
        }
    }

    fn not_idle(&self, wanted_days: u32, repeats: bool) -> NoTask {
        // The day of commissioning counts as one of use, also on that very day.
        let (last_used_on, recorded, unused_days) = self
            .planner
            .unused(self.subject, self.on)
            .map_or((self.subject.commissioned_on, true, 0), |u| (u.last_used_on, u.recorded, u.days));
        NoTask::NotUnusedForLong { last_used_on, recorded, unused_days, wanted_days, repeats }
    }
}

fn of_period(period: Period, planned: &[PlannedTask]) -> NoTask {
    let planned_for = planned.iter().find_map(|task| match &task.because.fact {
        Fact::PeriodDue { period: of, chosen_on, spread } if *of == period.to_string() => Some((*chosen_on, *spread)),
        _ => None,
    });
    match planned_for {
        Some((chosen_on, spread)) => NoTask::OtherDayOfPeriod { period: period.to_string(), chosen_on, spread },
        None => NoTask::HoursNeverSet {},
    }
}

fn falls_on(dates: &Recurrence, on: NaiveDate) -> bool {
    dates.dates_between(on, on).is_ok_and(|found| !found.is_empty())
}

fn nearest(
    dates: &Recurrence,
    span: impl Fn(u64) -> (NaiveDate, NaiveDate),
    pick: impl Fn(&[NaiveDate]) -> Option<&NaiveDate>,
) -> Option<NaiveDate> {
    RULE_REACH_DAYS.iter().find_map(|reach| {
        let (first, last) = span(*reach);
        pick(&dates.dates_between(first, last).unwrap_or_default()).copied()
    })
}

#[cfg(test)]
mod tests;
