//! Routines, subjects, hours and the desk's posts in; tasks with windows out.
//!
//! The rule of this file: [`plan`] is a pure function of its input, in any order of its parts, so that planning twice
//! changes nothing and any number of planners agree. What to do about tasks that exist already is not decided here
//! but in [`super::reconcile`].

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use uuid::Uuid;

use super::daybook::DayBook;
use super::hours::{ClinicDay, Hours};
use super::ladder::Ladder;
use super::recurrence::Recurrence;
use super::routine::{Anchor, BlocksFrom, ClosedDayRule, Place, RoutineVersion, in_force, is_out_of_service};
use super::subject::{Subject, SubjectKind};
use super::task::{Slot, TaskId, Times};
use super::zone;

/// How far a date is moved to find an open day; beyond that it is not required.
const LONGEST_MOVE_DAYS: u64 = 31;

/// What the front desk has posted about one clinic day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PostedDay {
    /// When the day started.
    pub started_at: Option<DateTime<Utc>>,
    /// When the day ended.
    pub ended_at: Option<DateTime<Utc>>,
}

/// A patient left an operatory. Nothing about the patient is known here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Turnover {
    /// The desk's mark.
    pub mark_id: Uuid,
    /// Where.
    pub operatory_id: Uuid,
    /// The clinic day it belongs to.
    pub clinic_day: NaiveDate,
    /// When.
    pub left_at: DateTime<Utc>,
}

/// Everything that decides the plan of one clinic.
#[derive(Clone, Debug)]
pub struct Clinic {
    /// When it is open.
    pub hours: Hours,
    /// The group's ladder.
    pub ladder: Ladder,
    /// Each routine of the group with all its versions.
    pub routines: Vec<Vec<RoutineVersion>>,
    /// The clinic itself, its operatories, its equipment.
    pub subjects: Vec<Subject>,
    /// The desk's day starts and ends.
    pub posted: BTreeMap<NaiveDate, PostedDay>,
    /// The desk's turnovers.
    pub turnovers: Vec<Turnover>,
}

/// Why the plan itself says that a task is not required.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotRequired {
    /// For people: what was closed, or out of service, and why.
    pub reason: String,
}

/// One task of the plan.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlannedTask {
    /// Derived identity.
    pub id: TaskId,
    /// The clinic day it belongs to.
    pub clinic_day: NaiveDate,
    /// Which routine.
    pub routine_id: Uuid,
    /// The version in force on the clinic day.
    pub routine_version: i32,
    /// On what.
    pub subject_id: Uuid,
    /// What kind of thing that is.
    pub subject_kind: SubjectKind,
    /// Which occurrence of the day.
    pub slot: Slot,
    /// Its instants.
    pub times: Times,
    /// The plan's own reason not to require it.
    pub not_required: Option<NotRequired>,
}

/// A moment that a routine hangs on, before it meets subjects.
struct Moment {
    slot: Slot,
    at: DateTime<Utc>,
    not_required: Option<NotRequired>,
}

/// The tasks of the clinic days `from..=to`, ordered by id.
#[must_use]
pub fn plan(clinic: &Clinic, from: NaiveDate, to: NaiveDate) -> Vec<PlannedTask> {
    let days = DayBook::new(&clinic.hours);
    let mut tasks = Vec::new();
    for versions in &clinic.routines {
        let moved = Moved::of(clinic, &days, versions, from, to);
        for date in from.iter_days().take_while(|date| *date <= to) {
            let day = days.day(date);
            let Some(version) = in_force(versions, day.date).filter(|v| v.routine.in_use) else { continue };
            let subjects: Vec<&Subject> = clinic
                .subjects
                .iter()
                .filter(|s| s.kind == version.routine.subject_kind && version.routine.selection.picks(s))
                .collect();
            if let Anchor::Turnover {} = version.routine.anchor {
                tasks.extend(turnover_tasks(clinic, &days, version, &subjects, date));
                continue;
            }
            if subjects.is_empty() {
                continue;
            }
            for moment in moments(clinic, version, &day, &moved) {
                let times = times(clinic, &days, version, moment.at);
                tasks.extend(subjects.iter().map(|subject| task(version, subject, date, &moment, times.clone())));
            }
        }
    }
    tasks.sort_by_key(|t| t.id);
    tasks
}

fn turnover_tasks<'a>(
    clinic: &'a Clinic,
    days: &'a DayBook<'_>,
    version: &'a RoutineVersion,
    subjects: &'a [&'a Subject],
    date: NaiveDate,
) -> impl Iterator<Item = PlannedTask> + 'a {
    clinic.turnovers.iter().filter(move |t| t.clinic_day == date).filter_map(move |turnover| {
        let subject = subjects.iter().find(|s| s.id == turnover.operatory_id)?;
        let moment = Moment { slot: Slot::Turnover(turnover.mark_id), at: turnover.left_at, not_required: None };
        // A patient was in the chair, whatever the books say about its service state: the work is wanted.
        let times = times(clinic, days, version, moment.at);
        Some(PlannedTask { not_required: None, ..task(version, subject, date, &moment, times) })
    })
}

/// The moments of one routine on one clinic day.
fn moments(clinic: &Clinic, version: &RoutineVersion, day: &ClinicDay, moved: &Moved) -> Vec<Moment> {
    let posted = clinic.posted.get(&day.date).copied().unwrap_or_default();
    match &version.routine.anchor {
        Anchor::Turnover {} => Vec::new(),
        Anchor::Opening {} => daily(clinic, posted.started_at, day, Edge::Opening),
        Anchor::Closing {} => daily(clinic, posted.ended_at, day, Edge::Closing),
        Anchor::Calendar { place, .. } => moved
            .onto(day.date)
            .iter()
            .map(|(rule_date, closed)| Moment {
                slot: Slot::Rule(*rule_date),
                at: place_at(clinic, *place, day, posted),
                not_required: closed.clone(),
            })
            .collect(),
    }
}

#[derive(Clone, Copy)]
enum Edge {
    Opening,
    Closing,
}

/// The moment of an opening or closing routine: as posted, else as planned. A day that a closure shut keeps its
/// moment, not required; an ordinary closed day has none.
fn daily(clinic: &Clinic, posted: Option<DateTime<Utc>>, day: &ClinicDay, edge: Edge) -> Vec<Moment> {
    let end_of = |d: &ClinicDay| match edge {
        Edge::Opening => d.opens_at(),
        Edge::Closing => d.closes_at(),
    };
    let moment = |at, not_required| {
        let slot = match edge {
            Edge::Opening => Slot::Opening,
            Edge::Closing => Slot::Closing,
        };
        vec![Moment { slot, at, not_required }]
    };
    if let Some(at) = posted.or_else(|| end_of(day)) {
        return moment(at, None);
    }
    // A day the desk opened although the books called it closed ends when the desk says so, and not before.
    let opened = clinic.posted.get(&day.date).is_some_and(|p| p.started_at.is_some());
    let (Some(reason), false) = (&day.closed_by, opened) else { return Vec::new() };
    let without_closures = Hours { closures: Vec::new(), ..clinic.hours.clone() };
    end_of(&without_closures.day(day.date)).map_or_else(Vec::new, |at| moment(at, Some(closed(reason))))
}

fn closed(reason: &str) -> NotRequired {
    NotRequired { reason: format!("closed: {reason}") }
}

/// The instant of a place in a day. A closed day has no opening hours: its local midnight or noon stands for them, so
/// that a task that is not required, or is wanted all the same, has an instant.
fn place_at(clinic: &Clinic, place: Place, day: &ClinicDay, posted: PostedDay) -> DateTime<Utc> {
    let local = |hour| {
        let time = day.date.and_hms_opt(hour, 0, 0).expect("a full hour of the day");
        zone::resolve(&clinic.hours.zone, time)
    };
    match place {
        Place::LocalTime { at } => zone::resolve(&clinic.hours.zone, day.date.and_time(at)),
        Place::Opening {} => posted.started_at.or(day.opens_at()).unwrap_or_else(|| local(0)),
        Place::Closing {} => posted.ended_at.or(day.closes_at()).unwrap_or_else(|| local(12)),
    }
}

fn task(version: &RoutineVersion, subject: &Subject, date: NaiveDate, moment: &Moment, times: Times) -> PlannedTask {
    let not_required = moment.not_required.clone().or_else(|| out_of_service(subject, moment.at));
    PlannedTask {
        id: TaskId::derive(version.routine_id, subject.id, date, &moment.slot),
        clinic_day: date,
        routine_id: version.routine_id,
        routine_version: version.version,
        subject_id: subject.id,
        subject_kind: subject.kind,
        slot: moment.slot.clone(),
        times,
        not_required,
    }
}

fn out_of_service(subject: &Subject, at: DateTime<Utc>) -> Option<NotRequired> {
    if !is_out_of_service(subject, at) {
        return None;
    }
    let super::subject::ServiceState::OutOfService { reason, .. } = &subject.service else { return None };
    Some(NotRequired { reason: format!("out of service: {reason}") })
}

fn times(clinic: &Clinic, days: &DayBook<'_>, version: &RoutineVersion, anchor_at: DateTime<Utc>) -> Times {
    let window = version.routine.window;
    let after = |minutes: i32| anchor_at + TimeDelta::minutes(minutes.into());
    let overdue_at = after(window.overdue_minutes);
    let ladder = version.routine.ladder.as_ref().unwrap_or(&clinic.ladder);
    Times {
        anchor_at,
        due_from: after(window.may_start_minutes),
        due_by: after(window.due_by_minutes),
        overdue_at,
        missed_at: after(window.missed_minutes),
        blocks_at: version.routine.blocks_from.map(|from| match from {
            BlocksFrom::MayStart => after(window.may_start_minutes),
            BlocksFrom::DueBy => after(window.due_by_minutes),
        }),
        rungs: ladder.reached_at(days, overdue_at),
    }
}

/// Where a calendar routine's dates land after the closed-day rule: clinic day -> dates of the rule.
#[derive(Default)]
struct Moved(BTreeMap<NaiveDate, Vec<(NaiveDate, Option<NotRequired>)>>);

impl Moved {
    /// The landing days within `from..=to`. Each version gives the dates it is in force for.
    fn of(clinic: &Clinic, days: &DayBook<'_>, versions: &[RoutineVersion], from: NaiveDate, to: NaiveDate) -> Self {
        let mut moved = Self::default();
        let first = from - Days::new(LONGEST_MOVE_DAYS);
        let last = to + Days::new(LONGEST_MOVE_DAYS);
        for version in versions {
            let Anchor::Calendar { dates, closed_day, .. } = &version.routine.anchor else { continue };
            if !version.routine.in_use {
                continue;
            }
            for date in dates_of(dates, first, last) {
                if in_force(versions, date).map(|v| v.version) != Some(version.version) {
                    continue;
                }
                let Some((lands_on, not_required)) = land(clinic, days, date, *closed_day) else { continue };
                if (from..=to).contains(&lands_on) {
                    moved.0.entry(lands_on).or_default().push((date, not_required));
                }
            }
        }
        moved
    }

    fn onto(&self, date: NaiveDate) -> &[(NaiveDate, Option<NotRequired>)] {
        self.0.get(&date).map_or(&[], Vec::as_slice)
    }
}

fn dates_of(dates: &Recurrence, first: NaiveDate, last: NaiveDate) -> Vec<NaiveDate> {
    // A stored rule was checked when it came in; one that breaks now (a newer check is stricter) plans nothing.
    dates.dates_between(first, last).unwrap_or_default()
}

/// Where a date lands. A day the desk has started counts as open whatever the books say. While nobody has said when the
/// clinic is open it is not closed either: a date that finds no such day lands nowhere.
fn land(
    clinic: &Clinic,
    days: &DayBook<'_>,
    date: NaiveDate,
    rule: ClosedDayRule,
) -> Option<(NaiveDate, Option<NotRequired>)> {
    let is_open = |d: NaiveDate| days.day(d).is_open() || clinic.posted.get(&d).is_some_and(|p| p.started_at.is_some());
    if is_open(date) {
        return Some((date, None));
    }
    let reason = days.day(date).closed_by.clone().unwrap_or_else(|| "no opening hours that day".to_owned());
    let found = match rule {
        ClosedDayRule::NotRequired => None,
        ClosedDayRule::PreviousOpenDay => (1..=LONGEST_MOVE_DAYS).map(|n| date - Days::new(n)).find(|d| is_open(*d)),
        ClosedDayRule::NextOpenDay => (1..=LONGEST_MOVE_DAYS).map(|n| date + Days::new(n)).find(|d| is_open(*d)),
    };
    match found {
        Some(open_day) => Some((open_day, None)),
        None if clinic.hours.week.is_none() => None,
        None => Some((date, Some(closed(&reason)))),
    }
}

#[cfg(test)]
mod tests;
