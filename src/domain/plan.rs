//! Routines, subjects, hours and facts in; tasks with windows out.
//!
//! The rule of this file: [`plan`] is a pure function of its input, in any order of its parts, so that planning twice
//! changes nothing and any number of planners agree. What to do about tasks that exist already is not decided here
//! but in [`super::reconcile`].
//!
#![doc = include_str!("plan/RULES.md")]

pub mod absence;
pub mod because;
mod daily;
mod happened;
mod idle;
mod landing;
mod levelling;
mod periods;
mod recurring;
pub mod warnings;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use uuid::Uuid;

use self::because::{Because, Fact, Move};
use self::landing::LONGEST_MOVE_DAYS;
use self::levelling::Levelling;
use super::anchor::{Anchor, IdleOn};
use super::daybook::DayBook;
use super::facts::{Facts, PostedDay, Seating};
use super::hours::Hours;
use super::ladder::Ladder;
use super::routine::{BlocksFrom, RoutineVersion, in_force};
use super::subject::{Subject, SubjectKind};
use super::task::{Slot, TaskId, Times};
use super::water_advisory::is_fed_from_mains;
use super::zone;

/// Everything that decides the plan of one clinic.
#[derive(Clone, Debug)]
pub struct Clinic {
    /// When it is open.
    pub hours: Hours,
    /// Days that get no levelled work.
    pub full_days: BTreeSet<NaiveDate>,
    /// The group's ladder.
    pub ladder: Ladder,
    /// Each routine of the group with the versions that matter.
    pub routines: Vec<Vec<RoutineVersion>>,
    /// The first day of each routine's first version, where that version is not among `routines`.
    pub first_days: BTreeMap<Uuid, NaiveDate>,
    /// The clinic itself, its operatories, its equipment.
    pub subjects: Vec<Subject>,
    /// What happened.
    pub facts: Facts,
}

impl Clinic {
    /// How many days behind and ahead of its anchor the longest windows reach: a task of last week may still be open,
    /// and one of next month may have to start today.
    #[must_use]
    pub fn reach_days(&self) -> (u64, u64) {
        let windows = self.routines.iter().flatten().map(|v| v.routine.window);
        let (behind, ahead) = windows.fold((0, 0), |(behind, ahead): (i32, i32), window| {
            (behind.max(window.missed_minutes), ahead.max(-window.may_start_minutes))
        });
        let days = |minutes: i32| u64::try_from(minutes / 1440).unwrap_or(0);
        (days(behind) + 2, days(ahead) + 1)
    }
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
    /// The version in force on the nominal date.
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
    /// Why it hangs on its instant.
    pub because: Because,
    /// The routine's rough minutes: what the load of a day is weighed by.
    pub rough_minutes: u32,
}

/// The tasks of the clinic days `from..=to`, and those of the periods that share a day with them, ordered by id.
#[must_use]
pub fn plan(clinic: &Clinic, from: NaiveDate, to: NaiveDate, today: NaiveDate) -> Vec<PlannedTask> {
    let unshut = Hours { closures: Vec::new(), ..clinic.hours.clone() };
    let planner = Planner::new(clinic, &unshut, from, to, today);
    let mut tasks: Vec<PlannedTask> = clinic.routines.iter().flat_map(|versions| planner.routine(versions)).collect();
    tasks.sort_by_key(|t| t.id);
    tasks
}

/// One occurrence of a routine, before it meets a subject.
#[derive(Clone)]
struct Occurrence {
    slot: Slot,
    clinic_day: NaiveDate,
    at: DateTime<Utc>,
    not_required: Option<NotRequired>,
    whatever_the_service: bool,
    because: Because,
}

/// One question's working state.
struct Planner<'a> {
    clinic: &'a Clinic,
    days: DayBook<'a>,
    /// The same days as if there were no closures.
    unshut: DayBook<'a>,
    seatings: BTreeMap<NaiveDate, Vec<&'a Seating>>,
    from: NaiveDate,
    to: NaiveDate,
    today: NaiveDate,
    /// The idle routines that stand in for a routine, by its id; one that strengthens none stands for itself.
    tiers: BTreeMap<Uuid, Vec<&'a [RoutineVersion]>>,
    /// Days of use of each subject, as recorded.
    uses: BTreeMap<Uuid, BTreeSet<NaiveDate>>,
    levelling: Levelling,
}

impl<'a> Planner<'a> {
    fn new(clinic: &'a Clinic, unshut: &'a Hours, from: NaiveDate, to: NaiveDate, today: NaiveDate) -> Self {
        let mut seatings: BTreeMap<NaiveDate, Vec<&Seating>> = BTreeMap::new();
        for seating in &clinic.facts.seatings {
            seatings.entry(seating.clinic_day).or_default().push(seating);
        }
        let days = DayBook::new(&clinic.hours);
        let (uses, tiers) = (idle::recorded_uses(clinic), idle::tiers(clinic));
        let unshut = DayBook::new(unshut);
        Self { clinic, days, unshut, seatings, from, to, today, tiers, uses, levelling: Levelling::default() }
    }

    /// Every task of one routine.
    fn routine(&self, versions: &[RoutineVersion]) -> Vec<PlannedTask> {
        let mut tasks = Vec::new();
        for date in self.from.iter_days().take_while(|date| *date <= self.to) {
            if let Some(version) = version_on(versions, date) {
                self.day(version, date, &mut tasks);
            }
        }
        for version in versions {
            let is_in_force = |date| version_on(versions, date).is_some_and(|v| v.version == version.version);
            let subjects = self.subjects(version);
            if subjects.is_empty() {
                continue;
            }
            match &version.routine.anchor {
                Anchor::Calendar { dates, place, closed_day } => {
                    for occurrence in self.calendar(dates, *place, *closed_day, is_in_force) {
                        self.for_each(version, &subjects, &occurrence, &mut tasks);
                    }
                }
                Anchor::Interval { every, place, closed_day } => {
                    let first_on = self.first_day(versions);
                    for subject in subjects {
                        let occurrences =
                            self.interval(version, first_on, subject, *every, *place, *closed_day, is_in_force);
                        self.each(version, subject, occurrences, &mut tasks);
                    }
                }
                Anchor::Idle { unused_days, on: IdleOn::EveryDay, place: Some(place), .. } => {
                    for subject in subjects {
                        let occurrences = self.idle_dates(subject, *unused_days, *place, is_in_force);
                        self.each(version, subject, occurrences, &mut tasks);
                    }
                }
                Anchor::Count { of, every } => {
                    for subject in subjects {
                        let first_on = self.first_day(versions);
                        let occurrences = self.counted(version, first_on, subject, *of, *every, is_in_force);
                        self.each(version, subject, occurrences, &mut tasks);
                    }
                }
                Anchor::Period { each, spread } => {
                    tasks.extend(self.periods(version, *each, *spread, &subjects, is_in_force));
                }
                _ => {}
            }
        }
        tasks
    }

    /// The tasks of one routine that belong to a clinic day as such.
    fn day(&self, version: &RoutineVersion, date: NaiveDate, tasks: &mut Vec<PlannedTask>) {
        let subjects = self.subjects(version);
        let replaced = |subject: &Subject| self.winner(version.routine_id, subject, date).is_some();
        match &version.routine.anchor {
            Anchor::Opening {} => {
                let ordinary: Vec<_> = subjects.into_iter().filter(|subject| !replaced(subject)).collect();
                self.for_each_of(version, &ordinary, self.opening(date), tasks);
            }
            Anchor::Closing {} => self.for_each_of(version, &subjects, self.closing(date), tasks),
            Anchor::SessionEnd {} => self.for_each_of(version, &subjects, self.session_ends(date), tasks),
            Anchor::FirstPatient {} => {
                for subject in subjects.into_iter().filter(|subject| !replaced(subject)) {
                    self.each(version, subject, self.first_patient(subject, date), tasks);
                }
            }
            Anchor::Turnover {} => {
                for subject in subjects {
                    self.each(version, subject, self.turnovers(subject.id, date), tasks);
                }
            }
            Anchor::Idle { on: IdleOn::OpenDays, strengthens, .. } => {
                for subject in subjects {
                    self.each(version, subject, self.idle(version.routine_id, *strengthens, subject, date), tasks);
                }
            }
            Anchor::Event { of } => {
                for subject in subjects {
                    self.each(version, subject, self.site_events(of, subject, date), tasks);
                }
            }
            Anchor::Follows { routine_id, when } => {
                for subject in subjects {
                    self.each(version, subject, self.following(*routine_id, *when, subject, date), tasks);
                }
            }
            _ => {}
        }
    }

    fn subjects(&self, version: &RoutineVersion) -> Vec<&'a Subject> {
        let routine = &version.routine;
        let of_kind = self.clinic.subjects.iter().filter(|s| s.kind == routine.subject_kind);
        of_kind.filter(|s| routine.selection.picks(s)).collect()
    }

    /// The first day of a routine's first version.
    fn first_day(&self, versions: &[RoutineVersion]) -> NaiveDate {
        let earliest = versions.iter().map(|v| v.effective_on).min().unwrap_or(self.today);
        let recorded = versions.first().and_then(|v| self.clinic.first_days.get(&v.routine_id).copied());
        recorded.unwrap_or(earliest)
    }

    fn posted(&self, date: NaiveDate) -> PostedDay {
        self.clinic.facts.posted.get(&date).copied().unwrap_or_default()
    }

    fn is_open(&self, date: NaiveDate) -> bool {
        self.days.day(date).is_open() || self.posted(date).started_at.is_some()
    }

    fn seatings_on(&self, date: NaiveDate) -> impl Iterator<Item = &'a Seating> {
        self.seatings.get(&date).into_iter().flatten().copied()
    }

    /// How far dates are looked for beyond both ends: they may be moved into the span.
    fn nominal_span(&self) -> (NaiveDate, NaiveDate) {
        (self.from - Days::new(LONGEST_MOVE_DAYS), self.to + Days::new(LONGEST_MOVE_DAYS))
    }

    fn holds(&self, date: NaiveDate) -> bool {
        (self.from..=self.to).contains(&date)
    }

    fn occurrence(
        &self,
        slot: Slot,
        clinic_day: NaiveDate,
        at: DateTime<Utc>,
        fact: Fact,
        not_required: Option<NotRequired>,
    ) -> Occurrence {
        let because = self.because(fact, None, at);
        Occurrence { slot, clinic_day, at, not_required, whatever_the_service: false, because }
    }

    fn because(&self, fact: Fact, moved: Option<Move>, at: DateTime<Utc>) -> Because {
        Because { fact, moved, utc_offset_seconds: zone::offset_at(&self.clinic.hours.zone, at).local_minus_utc() }
    }

    /// One subject's occurrences.
    fn each(
        &self,
        version: &RoutineVersion,
        subject: &Subject,
        occurrences: impl IntoIterator<Item = Occurrence>,
        tasks: &mut Vec<PlannedTask>,
    ) {
        for occurrence in occurrences {
            self.for_each(version, &[subject], &occurrence, tasks);
        }
    }

    fn for_each_of(
        &self,
        version: &RoutineVersion,
        subjects: &[&Subject],
        occurrences: impl IntoIterator<Item = Occurrence>,
        tasks: &mut Vec<PlannedTask>,
    ) {
        for occurrence in occurrences {
            self.for_each(version, subjects, &occurrence, tasks);
        }
    }

    /// One occurrence on each of the subjects; its times are worked out once.
    fn for_each(
        &self,
        version: &RoutineVersion,
        subjects: &[&Subject],
        occurrence: &Occurrence,
        tasks: &mut Vec<PlannedTask>,
    ) {
        let there = || subjects.iter().filter(|s| s.commissioned_on <= occurrence.clinic_day);
        if there().next().is_none() {
            return;
        }
        let times = self.times(version, occurrence.at);
        tasks.extend(there().map(|subject| {
            let mut task = task(version, subject, occurrence.clone(), times.clone());
            task.not_required = task.not_required.or_else(|| self.water_pause(version, subject, &times));
            task
        }));
    }

    /// Work that runs mains water rests while none may be used: where its anchor, or the instant it is due by, lies then.
    fn water_pause(&self, version: &RoutineVersion, subject: &Subject, times: &Times) -> Option<NotRequired> {
        if !version.routine.runs_mains_water || !is_fed_from_mains(subject) {
            return None;
        }
        let mut pauses = self.clinic.facts.water_pauses.iter();
        let pause = pauses.find(|pause| pause.holds(times.anchor_at) || pause.holds(times.due_by))?;
        Some(NotRequired { reason: pause.reason.clone() })
    }

    fn times(&self, version: &RoutineVersion, anchor_at: DateTime<Utc>) -> Times {
        let window = version.routine.window;
        let after = |minutes: i32| anchor_at + TimeDelta::minutes(minutes.into());
        self.with_rungs(
            version,
            Times {
                anchor_at,
                due_from: after(window.may_start_minutes),
                due_by: after(window.due_by_minutes),
                overdue_at: after(window.overdue_minutes),
                missed_at: after(window.missed_minutes),
                blocks_at: None,
                rungs: Vec::new(),
            },
        )
    }

    /// What the routine says about blocking and its ladder, on top of a window.
    fn with_rungs(&self, version: &RoutineVersion, mut times: Times) -> Times {
        let ladder = version.routine.ladder.as_ref().unwrap_or(&self.clinic.ladder);
        times.blocks_at = version.routine.blocks_from.map(|from| match from {
            BlocksFrom::MayStart => times.due_from,
            BlocksFrom::DueBy => times.due_by,
        });
        times.rungs = ladder.reached_at(&self.days, times.overdue_at);
        times
    }
}

fn task(version: &RoutineVersion, subject: &Subject, occurrence: Occurrence, times: Times) -> PlannedTask {
    let Occurrence { slot, clinic_day, at, not_required, whatever_the_service, because } = occurrence;
    let spell = subject.out_of_service_at(at).filter(|_| !whatever_the_service);
    let out = spell.map(|spell| NotRequired { reason: format!("out of service: {}", spell.reason) });
    PlannedTask {
        id: TaskId::derive(version.routine_id, subject.id, clinic_day, &slot),
        clinic_day,
        routine_id: version.routine_id,
        routine_version: version.version,
        subject_id: subject.id,
        subject_kind: subject.kind,
        slot,
        times,
        not_required: not_required.or(out),
        because,
        rough_minutes: version.routine.rough_minutes,
    }
}

/// The version that plans a nominal date: in force, in use and in season.
fn version_on(versions: &[RoutineVersion], date: NaiveDate) -> Option<&RoutineVersion> {
    in_force(versions, date).filter(|v| v.routine.in_use && v.routine.season.is_none_or(|season| season.holds(date)))
}

fn closed(reason: &str) -> NotRequired {
    NotRequired { reason: format!("closed: {reason}") }
}

#[cfg(test)]
mod anchor_tests;
#[cfg(test)]
mod tests;
