//! Laws of edits: the way back leads to the first plan, and edits of different things come to the same in either order.
//!
//! The rule of this file: a task's row is compared whole, with its window, version, requirement and reason. What two
//! ways may leave different is said with the law.

use std::collections::BTreeSet;

use chrono::{Days, NaiveDate};
use proptest::prelude::*;

use super::tests::{all_kept, applied};
use super::*;
use crate::domain::anchor::{Anchor, Counted, FollowsWhen};
use crate::domain::facts::{Completed, Facts, Finished, SiteEvent};
use crate::domain::fixtures::*;
use crate::domain::hours::{Closure, Session, Week};
use crate::domain::ladder::Ladder;
use crate::domain::period::PeriodLength;
use crate::domain::plan::{Clinic, plan};
use crate::domain::routine::{Routine, RoutineVersion, Window};
use crate::domain::site_event::SiteEventKind;
use crate::domain::subject::{Spell, SubjectKind};
use crate::domain::zone::Zone;

const DAYS: u32 = 7;

fn first() -> NaiveDate {
    on("2026-10-26")
}

fn planned(clinic: &Clinic) -> Vec<PlannedTask> {
    plan(clinic, first(), first() + Days::new(u64::from(DAYS) - 1), first())
}

fn any_now() -> impl Strategy<Value = DateTime<Utc>> {
    (-2_880..13_000_i64).prop_map(|minute| at("2026-10-26 00:00") + minutes(minute))
}

/// Every anchor there is; those that hang on another routine hang on routine 100.
fn every_anchor() -> impl Strategy<Value = Anchor> {
    let lengths = vec![PeriodLength::Week, PeriodLength::Month, PeriodLength::Quarter, PeriodLength::Year];
    let period = (prop::sample::select(lengths), prop::bool::weighted(0.7))
        .prop_map(|(each, spread)| Anchor::Period { each, spread });
    let whens = vec![FollowsWhen::Recorded, FollowsWhen::Passed, FollowsWhen::Failed];
    let follows = prop::sample::select(whens).prop_map(|when| Anchor::Follows { routine_id: id(100), when });
    prop_oneof![
        12 => any_anchor(),
        4 => period,
        1 => follows,
        1 => Just(Anchor::Event { of: BTreeSet::from([SiteEventKind::Repair]) }),
        1 => Just(Anchor::Count { of: Counted::Cycles, every: 2 }),
    ]
}

/// A clinic of two chairs with an opening routine and one of any anchor, in one version each, and some of what happens.
fn small_clinic() -> impl Strategy<Value = Clinic> {
    let window = (any_window(), prop::bool::ANY);
    let moments = (0..i64::from(DAYS) * 1440, 0..i64::from(DAYS) * 1440, 0..3_u8);
    (any_clinic(first(), DAYS), every_anchor(), window, moments).prop_map(
        |(clinic, anchor, (window, is_use), moments)| {
            let window = if matches!(anchor, Anchor::Period { .. }) { Window::default() } else { window };
            let opening = Routine { counts_as_use: is_use, ..routine(Anchor::Opening {}) };
            let other = Routine { window, ..routine(anchor) };
            let instant = |minute| first().and_time(chrono::NaiveTime::MIN).and_utc() + minutes(minute);
            let done = Completed {
                completion_id: id(900),
                routine_id: id(100),
                subject_id: id(10),
                performed_at: instant(moments.0),
                finished: [Finished::Passed, Finished::Failed, Finished::ResultPending][usize::from(moments.2)],
                of_sample: false,
            };
            let event = SiteEvent {
                event_id: id(901),
                kind: SiteEventKind::Repair,
                subject_id: None,
                happened_at: instant(moments.1),
            };
            let facts = Facts { completions: vec![done], events: vec![event], ..clinic.facts };
            let mut subjects = clinic.subjects;
            subjects.truncate(2);
            // Commissioned of late, so that what is never done counts from near by.
            for subject in &mut subjects {
                subject.commissioned_on = on("2026-10-20");
            }
            subjects.push(crate::domain::subject::Subject {
                commissioned_on: on("2026-10-20"),
                ..subject(30, SubjectKind::PremisesOutlet)
            });
            let routines = vec![vec![version(100, opening)], vec![version(101, other)]];
            Clinic { routines, subjects, facts, ..clinic }
        },
    )
}

/// An edit that can be taken back.
#[derive(Clone, Debug)]
enum Edit {
    Hours(Week),
    Closure(Closure),
    DatedWeek(NaiveDate, Week),
    SpecialOpening(NaiveDate, Vec<Session>),
    /// A new version from that day on, with another window, length of work and use.
    RoutineVersion(NaiveDate, Window, u32),
    /// Out of service, and back in the same instant.
    OutOfService(DateTime<Utc>),
    FullDay(NaiveDate),
    Ladder(Ladder),
    Zone(Zone),
}

fn any_edit() -> impl Strategy<Value = Edit> {
    let day = || (0..u64::from(DAYS)).prop_map(|days| first() + Days::new(days));
    prop_oneof![
        any_week().prop_map(Edit::Hours),
        any_closure(first(), i64::from(DAYS)).prop_map(Edit::Closure),
        (day(), any_week()).prop_map(|(on, week)| Edit::DatedWeek(on, week)),
        (day(), any_sessions()).prop_map(|(on, sessions)| Edit::SpecialOpening(on, sessions)),
        (day(), any_window(), 1..60_u32).prop_map(|(on, window, rough_minutes)| Edit::RoutineVersion(
            on,
            window,
            rough_minutes
        )),
        any_now().prop_map(Edit::OutOfService),
        day().prop_map(Edit::FullDay),
        any_ladder().prop_map(Edit::Ladder),
        any_zone().prop_map(Edit::Zone),
    ]
}

/// A version more of the second routine, from a day on.
fn with_version(clinic: &Clinic, effective_on: NaiveDate, routine: Routine) -> Clinic {
    let mut edited = clinic.clone();
    let number = i32::try_from(edited.routines[1].len()).expect("few") + 1;
    edited.routines[1].push(RoutineVersion { version: number, effective_on, ..version(101, routine) });
    edited
}

fn with_spell(clinic: &Clinic, from: DateTime<Utc>, until: Option<DateTime<Utc>>) -> Clinic {
    let mut edited = clinic.clone();
    // Before what stands: of two spells that hold an instant the first gives the reason.
    edited.subjects[0].spells.insert(0, Spell { from, until, reason: "no suction".to_owned() });
    edited
}

impl Edit {
    fn made(&self, clinic: &Clinic) -> Clinic {
        let mut edited = clinic.clone();
        match self.clone() {
            Self::Hours(week) => edited.hours.week = Some(week),
            Self::Closure(closure) => edited.hours.closures.push(closure),
            Self::DatedWeek(on, week) => {
                edited.hours.dated_weeks.insert(on, week);
            }
            Self::SpecialOpening(on, sessions) => {
                edited.hours.special_openings.insert(on, sessions);
            }
            Self::RoutineVersion(on, window, rough_minutes) => {
                let before = &clinic.routines[1][0].routine;
                let is_period = matches!(before.anchor, Anchor::Period { .. });
                let window = if is_period { before.window } else { window };
                return with_version(clinic, on, Routine { window, rough_minutes, ..before.clone() });
            }
            Self::OutOfService(from) => return with_spell(clinic, from, None),
            Self::FullDay(on) => {
                edited.full_days.insert(on);
            }
            Self::Ladder(ladder) => edited.ladder = ladder,
            Self::Zone(zone) => edited.hours.zone = zone,
        }
        edited
    }

    /// The clinic once the edit was taken back. Two leave a trace: versions are only added, and a history of service is
    /// only appended to.
    fn taken_back(&self, clinic: &Clinic) -> Clinic {
        match self {
            Self::RoutineVersion(on, ..) => {
                with_version(&self.made(clinic), *on, clinic.routines[1][0].routine.clone())
            }
            Self::OutOfService(from) => with_spell(clinic, *from, Some(*from)),
            _ => clinic.clone(),
        }
    }
}

/// The stored tasks after another plan.
fn replanned(existing: &[ExistingTask], clinic: &Clinic, now: DateTime<Utc>) -> Vec<ExistingTask> {
    applied(existing, &reconcile(existing, planned(clinic), now))
}

/// What a task is, but for the number of the version that plans it.
fn whatever_the_version(task: &ExistingTask) -> ExistingTask {
    ExistingTask { routine_version: 0, ..task.clone() }
}

proptest! {
    /// Every task of the first plan is what it was, begun ones and missed ones included; only a version's number may
    /// have gone on. What the edit alone had planned is gone, or stays in sight as not required where a tablet may have
    /// fetched it.
    #[test]
    fn an_edit_and_its_reverse_give_back_the_plan(clinic in small_clinic(), edit in any_edit(), now in any_now()) {
        let original = all_kept(&planned(&clinic));
        let edited = replanned(&original, &edit.made(&clinic), now);
        let back = replanned(&edited, &edit.taken_back(&clinic), now);
        for task in &original {
            let found = back.iter().find(|t| t.id == task.id).map(whatever_the_version);
            prop_assert_eq!(found, Some(whatever_the_version(task)), "{:?}", edit);
        }
        for task in back.iter().filter(|t| original.iter().all(|o| o.id != t.id)) {
            prop_assert!(task.times.due_from <= now + LONGEST_LOOK_AHEAD, "{:?} {:?}", edit, task);
            prop_assert!(task.outcome == Some(Outcome::NotRequired) && task.outcome_by_plan, "{:?} {:?}", edit, task);
        }
    }

    /// Edits of different things, planned one after the other, come to the same in either order: whatever the last plan
    /// holds that can still be done is stored as that plan has it. Two ways may differ in what is no longer planned (one
    /// had it for a while, the other never) and in windows that the last plan says are over.
    #[test]
    fn edits_of_different_things_come_to_the_same_in_either_order(
        clinic in small_clinic(), a in any_edit(), b in any_edit(), now in any_now(),
    ) {
        prop_assume!(std::mem::discriminant(&a) != std::mem::discriminant(&b));
        let original = all_kept(&planned(&clinic));
        let both = b.made(&a.made(&clinic));
        let one_way = replanned(&replanned(&original, &a.made(&clinic), now), &both, now);
        let other_way = replanned(&replanned(&original, &b.made(&clinic), now), &a.made(&b.made(&clinic)), now);
        for task in planned(&both).iter().filter(|task| task.times.missed_at > now) {
            let stored = |tasks: &[ExistingTask]| tasks.iter().find(|t| t.id == task.id).cloned();
            prop_assert!(stored(&one_way).is_some(), "{:?} {:?} {:?}", a, b, task);
            prop_assert_eq!(stored(&one_way), stored(&other_way), "{:?} {:?}", a, b);
        }
    }
}
