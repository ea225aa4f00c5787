//! What a new plan may and may not do to tasks that exist.

use chrono::{Days, NaiveDate};
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use proptest::test_runner::TestRunner;

use super::*;
use crate::domain::anchor::Anchor;
use crate::domain::fixtures::*;
use crate::domain::plan::{Clinic, NotRequired, plan};

/// The task as the store keeps it after the plan has been carried out.
fn kept(plan: &PlannedTask) -> ExistingTask {
    ExistingTask {
        id: plan.id,
        slot: plan.slot.clone(),
        times: plan.times.clone(),
        routine_version: plan.routine_version,
        started_at: None,
        outcome: plan.not_required.as_ref().map(|_| Outcome::NotRequired),
        outcome_reason: plan.not_required.as_ref().map(|n| n.reason.clone()).unwrap_or_default(),
        outcome_by_plan: plan.not_required.is_some(),
        elsewhere: false,
        because: Some(plan.because.clone()),
    }
}

pub(super) fn all_kept(plan: &[PlannedTask]) -> Vec<ExistingTask> {
    plan.iter().map(kept).collect()
}

/// Carries changes out as the store does; tasks ordered by id.
pub(super) fn applied(existing: &[ExistingTask], changes: &[Change]) -> Vec<ExistingTask> {
    let mut tasks: BTreeMap<TaskId, ExistingTask> = existing.iter().map(|t| (t.id, t.clone())).collect();
    for change in changes {
        match change {
            Change::Add(plan) => assert!(tasks.insert(plan.id, kept(plan)).is_none(), "added one that exists"),
            Change::Set(plan) => assert!(tasks.insert(plan.id, kept(plan)).is_some(), "set one that does not exist"),
            Change::Remove(id) => assert!(tasks.remove(id).is_some(), "removed one that does not exist"),
            Change::Withdraw(id) => {
                let task = tasks.get_mut(id).expect("withdrew one that does not exist");
                task.outcome = Some(Outcome::NotRequired);
                WITHDRAWN.clone_into(&mut task.outcome_reason);
                task.outcome_by_plan = true;
            }
        }
    }
    tasks.into_values().collect()
}

/// 2026-11-30, due from 07:00, missed at 12:00.
fn monday() -> (Clinic, PlannedTask) {
    let office = hours("UTC", week("08:00-17:00", ""));
    let clinic = clinic(office, vec![vec![version(100, routine(Anchor::Opening {}))]]);
    let task = plan(&clinic, on("2026-11-30"), on("2026-11-30"), on("2026-11-30")).remove(0);
    (clinic, task)
}

#[test]
fn a_new_task_is_added_while_somebody_could_still_do_it() {
    let (_, task) = monday();
    for (now, added) in [("2026-11-29 00:00", true), ("2026-11-30 11:59", true), ("2026-11-30 12:00", false)] {
        let changes = reconcile(&[], vec![task.clone()], at(now));
        assert_eq!(changes, if added { vec![Change::Add(task.clone())] } else { vec![] }, "{now}");
    }
}

#[test]
fn a_task_the_plan_drops_is_removed_before_a_tablet_can_have_it_and_withdrawn_after() {
    let (_, task) = monday();
    for (now, expected) in [
        ("2026-11-28 06:59", vec![Change::Remove(task.id)]),
        ("2026-11-28 07:00", vec![Change::Withdraw(task.id)]),
        ("2026-11-30 07:00", vec![Change::Withdraw(task.id)]),
        ("2026-11-30 11:59", vec![Change::Withdraw(task.id)]),
        ("2026-11-30 12:00", vec![]),
    ] {
        assert_eq!(reconcile(&[kept(&task)], vec![], at(now)), expected, "{now}");
    }
}

#[test]
fn a_task_is_set_when_its_times_version_or_requirement_change() {
    let (_, task) = monday();
    let mut later = task.clone();
    later.times.anchor_at += minutes(10);
    let mut other_rung = task.clone();
    other_rung.times.rungs.pop();
    let newer = PlannedTask { routine_version: 2, ..task.clone() };
    let not_required =
        |reason: &str| PlannedTask { not_required: Some(NotRequired { reason: reason.to_owned() }), ..task.clone() };
    for (before, after) in [
        (task.clone(), later),
        (task.clone(), other_rung),
        (task.clone(), newer),
        (task.clone(), not_required("closed: flood")),
        (not_required("closed: flood"), not_required("closed: holiday")),
        (not_required("closed: flood"), task.clone()),
    ] {
        let changes = reconcile(&[kept(&before)], vec![after.clone()], at("2026-11-30 07:30"));
        assert_eq!(changes, [Change::Set(after)]);
    }
}

#[test]
fn what_was_started_recorded_repeated_or_missed_is_left_alone() {
    let (_, task) = monday();
    let now = at("2026-11-30 09:00");
    let plain = kept(&task);
    let recorded = |outcome| ExistingTask { outcome: Some(outcome), outcome_by_plan: false, ..plain.clone() };
    let mut missed = plain.clone();
    missed.times.missed_at = now;
    for fixed in [
        ExistingTask { started_at: Some(at("2026-11-30 07:05")), ..plain.clone() },
        recorded(Outcome::Done),
        recorded(Outcome::NotRequired),
        recorded(Outcome::Void),
        recorded(Outcome::ResultPending),
        ExistingTask { slot: Slot::Repeat(id(5)), ..plain.clone() },
        missed,
    ] {
        let moved = PlannedTask { routine_version: 2, ..task.clone() };
        assert_eq!(reconcile(std::slice::from_ref(&fixed), vec![moved], now), [], "{fixed:?}");
        assert_eq!(reconcile(std::slice::from_ref(&fixed), vec![], now), [], "{fixed:?}");
    }
    // The same task without any of that does change: the table above is not empty talk.
    assert_eq!(reconcile(&[plain], vec![], now), [Change::Withdraw(task.id)]);
}

#[test]
fn a_withdrawn_task_comes_back_when_the_plan_holds_it_again() {
    let (_, task) = monday();
    let now = at("2026-11-30 08:00");
    let withdrawn = applied(&[kept(&task)], &reconcile(&[kept(&task)], vec![], now));
    assert_eq!(withdrawn[0].outcome_reason, WITHDRAWN);
    assert_eq!(reconcile(&withdrawn, vec![], now), [], "withdrawn once is enough");
    assert_eq!(reconcile(&withdrawn, vec![task.clone()], now), [Change::Set(task)]);
}

fn first() -> NaiveDate {
    on("2026-10-26")
}

const DAYS: u32 = 10;

fn last() -> NaiveDate {
    first() + Days::new(u64::from(DAYS) - 1)
}

fn planned(clinic: &Clinic) -> Vec<PlannedTask> {
    plan(clinic, first(), last(), first())
}

fn any_now() -> impl Strategy<Value = DateTime<Utc>> {
    (-2_880..20_000_i64).prop_map(|minute| at("2026-10-26 00:00") + minutes(minute))
}

/// Two plans of one group's routines: before and after its hours, chairs and the desk's posts have all changed.
fn before_and_after() -> impl Strategy<Value = (Clinic, Clinic)> {
    (any_clinic(first(), DAYS), any_clinic(first(), DAYS), prop::bool::ANY).prop_map(|(before, after, new_routines)| {
        let routines = if new_routines { after.routines.clone() } else { before.routines.clone() };
        (before, Clinic { routines, ..after })
    })
}

proptest! {
    #[test]
    fn the_same_plan_changes_nothing(clinic in any_clinic(first(), DAYS), now in any_now()) {
        let planned = planned(&clinic);
        prop_assert_eq!(reconcile(&all_kept(&planned), planned, now), []);
    }

    #[test]
    fn changes_carried_out_leave_nothing_to_change((before, after) in before_and_after(), now in any_now()) {
        let existing = all_kept(&planned(&before));
        let changes = reconcile(&existing, planned(&after), now);
        prop_assert_eq!(reconcile(&applied(&existing, &changes), planned(&after), now), []);
    }

    #[test]
    fn no_change_touches_what_was_started_recorded_or_missed(
        (before, after) in before_and_after(), now in any_now(), marks in prop::collection::vec(0..4_u8, 1..20),
    ) {
        let mut existing = all_kept(&planned(&before));
        for (task, mark) in existing.iter_mut().zip(marks.iter().cycle()) {
            match mark {
                0 => task.started_at = Some(task.times.due_from),
                1 => (task.outcome, task.outcome_by_plan) = (Some(Outcome::Done), false),
                _ => {}
            }
        }
        let changes = reconcile(&existing, planned(&after), now);
        let left = applied(&existing, &changes);
        for task in &existing {
            let started_or_recorded = task.started_at.is_some() || task.outcome == Some(Outcome::Done);
            if started_or_recorded || task.times.missed_at <= now {
                prop_assert!(left.contains(task), "{:?}", task);
            }
        }
    }

    #[test]
    fn a_task_that_somebody_may_have_seen_never_vanishes((before, after) in before_and_after(), now in any_now()) {
        let existing = all_kept(&planned(&before));
        let left = applied(&existing, &reconcile(&existing, planned(&after), now));
        for task in existing.iter().filter(|t| t.times.due_from <= now + LONGEST_LOOK_AHEAD) {
            prop_assert!(left.iter().any(|l| l.id == task.id));
        }
    }
}

/// The laws above speak of tasks that are there, were missed, or may have been seen; plans that are drawn hold them all.
#[test]
fn the_plans_that_are_drawn_hold_what_the_laws_speak_of() {
    let mut runner = TestRunner::deterministic();
    let (mut missed, mut still_open, mut seen) = (0, 0, 0);
    for _ in 0..100 {
        let drawn = (before_and_after(), any_now()).new_tree(&mut runner).expect("drawn");
        let ((before, _), now) = drawn.current();
        for task in all_kept(&planned(&before)) {
            *if task.times.missed_at <= now { &mut missed } else { &mut still_open } += 1;
            seen += i32::from(task.times.due_from <= now + LONGEST_LOOK_AHEAD);
        }
    }
    assert!(missed >= 100 && still_open >= 100 && seen >= 100, "{missed} missed, {still_open} open, {seen} seen");
}

/// A subject that moved: its new clinic takes an open task over, and drops none that only the old one may drop.
#[test]
fn a_task_that_stands_elsewhere_is_taken_over_and_never_dropped() {
    let now = at("2026-11-29 12:00");
    let (_, planned) = monday();
    let there = ExistingTask { elsewhere: true, ..kept(&planned) };
    assert_eq!(reconcile(std::slice::from_ref(&there), vec![planned.clone()], now), [Change::Set(planned)]);
    assert_eq!(reconcile(&[there], Vec::new(), now), []);
}
