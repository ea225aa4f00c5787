//! Which tasks a clinic's days hold, and the laws of planning.

use std::collections::BTreeSet;

use chrono::NaiveTime;
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use proptest::test_runner::TestRunner;

use super::*;
use crate::domain::anchor::{ClosedDayRule, Place};
use crate::domain::facts::SeatingEdge;
use crate::domain::fixtures::*;
use crate::domain::hours::Week;
use crate::domain::routine::{Routine, Window};

fn office() -> Hours {
    hours("UTC", week("08:00-12:00 13:00-17:00", ""))
}

fn one(routine: Routine, hours: Hours) -> Clinic {
    clinic(hours, vec![vec![version(100, routine)]])
}

/// Tasks in order of their clinic day as `day slot anchor`, and the plan's reason where it does not require them.
fn shown(clinic: &Clinic, from: &str, to: &str) -> Vec<String> {
    let mut tasks = plan(clinic, on(from), on(to), on(from));
    tasks.sort_by_key(|t| (t.clinic_day, t.times.anchor_at, t.slot.clone()));
    tasks
        .iter()
        .map(|t| {
            let reason = t.not_required.as_ref().map(|n| format!(" [{}]", n.reason)).unwrap_or_default();
            format!("{} {} {}{reason}", t.clinic_day, t.slot, t.times.anchor_at.format("%m-%d %H:%M"))
        })
        .collect()
}

fn posted(started_at: Option<&str>, ended_at: Option<&str>) -> PostedDay {
    PostedDay { started_at: started_at.map(at), ended_at: ended_at.map(at) }
}

#[test]
fn a_day_with_a_break_has_one_opening_and_one_closing() {
    // 2026-11-28 and 29 are a weekend.
    let opening = one(routine(Anchor::Opening {}), office());
    assert_eq!(
        shown(&opening, "2026-11-27", "2026-11-30"),
        ["2026-11-27 opening 11-27 08:00", "2026-11-30 opening 11-30 08:00"]
    );
    let closing = one(routine(Anchor::Closing {}), office());
    assert_eq!(
        shown(&closing, "2026-11-27", "2026-11-30"),
        ["2026-11-27 closing 11-27 17:00", "2026-11-30 closing 11-30 17:00"]
    );
}

#[test]
fn the_closing_of_a_late_session_belongs_to_the_day_it_opened_on() {
    let clinic = one(routine(Anchor::Closing {}), hours("UTC", week("18:00-02:00", "")));
    assert_eq!(shown(&clinic, "2026-11-27", "2026-11-28"), ["2026-11-27 closing 11-28 02:00"]);
}

/// New York goes to EST on 2026-11-01 (Energy Policy Act of 2005, s. 110, from memory): 08:00 is 12:00 UTC before and
/// 13:00 UTC after.
#[test]
fn an_opening_keeps_its_local_time_over_a_clock_change() {
    let clinic = one(routine(Anchor::Opening {}), hours("America/New_York", week("08:00-17:00", "08:00-17:00")));
    assert_eq!(
        shown(&clinic, "2026-10-31", "2026-11-01"),
        ["2026-10-31 opening 10-31 12:00", "2026-11-01 opening 11-01 13:00"]
    );
}

#[test]
fn a_window_is_counted_in_elapsed_minutes_from_the_anchor() {
    let clinic = one(routine(Anchor::Opening {}), office());
    let task = &plan(&clinic, on("2026-11-30"), on("2026-11-30"), on("2026-11-30"))[0];
    let times = &task.times;
    assert_eq!(
        [times.due_from, times.due_by, times.overdue_at, times.missed_at],
        ["2026-11-30 07:00", "2026-11-30 08:00", "2026-11-30 08:10", "2026-11-30 12:00"].map(at)
    );
    // The practice's ladder counts an opening hour and eight of them (common practice, no source).
    assert_eq!(
        times.rungs.iter().map(|r| r.0).collect::<Vec<_>>(),
        ["2026-11-30 08:10", "2026-11-30 09:10", "2026-12-01 08:10"].map(at)
    );
    for (blocks_from, expected) in [
        (None, None),
        (Some(BlocksFrom::MayStart), Some(at("2026-11-30 07:00"))),
        (Some(BlocksFrom::DueBy), Some(at("2026-11-30 08:00"))),
    ] {
        let clinic = one(Routine { blocks_from, ..routine(Anchor::Opening {}) }, office());
        assert_eq!(plan(&clinic, on("2026-11-30"), on("2026-11-30"), on("2026-11-30"))[0].times.blocks_at, expected);
    }
}

#[test]
fn a_routine_may_bring_its_own_ladder() {
    let own = Routine { ladder: Some(Ladder { rungs: Vec::new() }), ..routine(Anchor::Opening {}) };
    assert!(plan(&one(own, office()), on("2026-11-30"), on("2026-11-30"), on("2026-11-30"))[0].times.rungs.is_empty());
}

#[test]
fn a_posted_start_or_end_moves_the_moment_it_is_about() {
    for (anchor, day, mark, expected, why) in [
        (Anchor::Opening {}, "2026-11-30", posted(Some("2026-11-30 07:20"), None), vec!["11-30 07:20"], "early"),
        (Anchor::Opening {}, "2026-11-30", posted(Some("2026-11-30 09:05"), None), vec!["11-30 09:05"], "late"),
        (Anchor::Opening {}, "2026-11-30", posted(None, Some("2026-11-30 16:00")), vec!["11-30 08:00"], "an end"),
        (Anchor::Closing {}, "2026-11-30", posted(None, Some("2026-11-30 16:00")), vec!["11-30 16:00"], "early end"),
        (Anchor::Closing {}, "2026-11-30", posted(None, Some("2026-11-30 18:30")), vec!["11-30 18:30"], "late end"),
        (Anchor::Closing {}, "2026-11-30", posted(Some("2026-11-30 07:20"), None), vec!["11-30 17:00"], "a start"),
        (Anchor::Opening {}, "2026-11-29", posted(Some("2026-11-29 10:00"), None), vec!["11-29 10:00"], "closed day"),
        (Anchor::Closing {}, "2026-11-29", posted(Some("2026-11-29 10:00"), None), vec![], "its end is not known"),
        (
            Anchor::Closing {},
            "2026-11-29",
            posted(Some("2026-11-29 10:00"), Some("2026-11-29 12:00")),
            vec!["11-29 12:00"],
            "until the desk says so",
        ),
    ] {
        let mut clinic = one(routine(anchor.clone()), office());
        clinic.facts.posted.insert(on(day), mark);
        let anchors: Vec<_> = plan(&clinic, on(day), on(day), on(day))
            .iter()
            .map(|t| t.times.anchor_at.format("%m-%d %H:%M").to_string())
            .collect();
        assert_eq!(anchors, expected, "{anchor:?} on {day}: {why}");
    }
}

#[test]
fn a_day_shut_by_a_closure_keeps_its_tasks_as_not_required_with_the_reason() {
    for (anchor, expected) in [
        (Anchor::Opening {}, "2026-11-30 opening 11-30 08:00 [closed: flood]"),
        (Anchor::Closing {}, "2026-11-30 closing 11-30 17:00 [closed: flood]"),
    ] {
        let mut clinic = one(routine(anchor), office());
        clinic.hours.closures.push(closure("2026-11-28 00:00", "2026-12-01 00:00", "flood"));
        assert_eq!(shown(&clinic, "2026-11-28", "2026-11-30"), [expected]);
    }
}

#[test]
fn a_day_the_desk_started_in_spite_of_a_closure_is_worked() {
    let closed = |anchor| {
        let mut clinic = one(routine(anchor), office());
        clinic.hours.closures.push(closure("2026-11-30 00:00", "2026-12-01 00:00", "flood"));
        clinic.facts.posted.insert(on("2026-11-30"), posted(Some("2026-11-30 10:00"), None));
        clinic
    };
    assert_eq!(shown(&closed(Anchor::Opening {}), "2026-11-30", "2026-11-30"), ["2026-11-30 opening 11-30 10:00"]);
    assert!(shown(&closed(Anchor::Closing {}), "2026-11-30", "2026-11-30").is_empty());
}

#[test]
fn a_closure_of_part_of_a_day_moves_its_edge() {
    let mut clinic = one(routine(Anchor::Opening {}), office());
    clinic.hours.closures.push(closure("2026-11-30 00:00", "2026-11-30 10:00", "power"));
    assert_eq!(shown(&clinic, "2026-11-30", "2026-11-30"), ["2026-11-30 opening 11-30 10:00"]);
}

#[test]
fn a_special_opening_is_planned_like_any_day() {
    let mut clinic = one(routine(Anchor::Opening {}), office());
    clinic.hours.closures.push(closure("2026-11-29 00:00", "2026-11-30 00:00", "holiday"));
    clinic.hours.special_openings.insert(on("2026-11-29"), sessions("10:00-12:00"));
    assert_eq!(shown(&clinic, "2026-11-29", "2026-11-29"), ["2026-11-29 opening 11-29 10:00"]);
}

#[test]
fn each_patient_leaving_makes_a_task_on_that_operatory_only() {
    let turnover = |mark: u128, chair: u128, left_at: &str| Seating {
        mark_id: id(mark),
        clinic_id: id(1),
        operatory_id: id(chair),
        edge: SeatingEdge::Left,
        clinic_day: on("2026-11-30"),
        marked_at: at(left_at),
    };
    let mut clinic = one(routine(Anchor::Turnover {}), office());
    clinic.subjects.push(operatory(11));
    clinic.facts.seatings = vec![
        turnover(1, 10, "2026-11-30 09:00"),
        turnover(2, 10, "2026-11-30 10:00"),
        turnover(3, 99, "2026-11-30 10:00"),
    ];
    let tasks = plan(&clinic, on("2026-11-30"), on("2026-11-30"), on("2026-11-30"));
    assert_eq!(tasks.iter().map(|t| t.subject_id).collect::<Vec<_>>(), [id(10), id(10)]);
    assert_eq!(tasks.iter().map(|t| t.slot.clone()).collect::<BTreeSet<_>>().len(), 2);
    assert!(plan(&clinic, on("2026-12-01"), on("2026-12-01"), on("2026-12-01")).is_empty());

    clinic.subjects[0] = taken_out_of_service("no suction", at("2026-11-30 07:00"), operatory(10));
    let tasks = plan(&clinic, on("2026-11-30"), on("2026-11-30"), on("2026-11-30"));
    assert!(tasks.iter().all(|t| t.not_required.is_none()), "a patient was in the chair all the same");
    assert_eq!(tasks.len(), 2);
}

#[test]
fn a_chair_out_of_service_is_not_required_with_the_reason_from_that_instant_on() {
    for (since, expected) in [
        ("2026-11-30 08:00", "2026-11-30 opening 11-30 08:00 [out of service: no suction]"),
        ("2026-11-30 08:01", "2026-11-30 opening 11-30 08:00"),
    ] {
        let mut clinic = one(routine(Anchor::Opening {}), office());
        clinic.subjects[0] = taken_out_of_service("no suction", at(since), operatory(10));
        assert_eq!(shown(&clinic, "2026-11-30", "2026-11-30"), [expected], "{since}");
    }
}

#[test]
fn only_the_subjects_of_its_kind_and_selection_get_a_routine() {
    let mut clinic = one(routine(Anchor::Opening {}), office());
    clinic.subjects.extend([operatory(11), subject(20, SubjectKind::Steriliser)]);
    let subjects = |clinic: &Clinic| {
        plan(clinic, on("2026-11-30"), on("2026-11-30"), on("2026-11-30"))
            .iter()
            .map(|t| t.subject_id)
            .collect::<BTreeSet<_>>()
    };
    assert_eq!(subjects(&clinic), [id(10), id(11)].into());
    clinic.routines[0][0].routine.selection.subject_ids = Some([id(11), id(20)].into());
    assert_eq!(subjects(&clinic), [id(11)].into());
    clinic.routines[0][0].routine.in_use = false;
    assert!(subjects(&clinic).is_empty());
}

#[test]
fn each_clinic_day_is_planned_by_the_version_in_force_on_it() {
    let second = RoutineVersion {
        version: 2,
        effective_on: on("2026-12-01"),
        ..version(100, Routine { window: Window { may_start_minutes: -30, ..WINDOW }, ..routine(Anchor::Opening {}) })
    };
    let clinic = clinic(office(), vec![vec![second, version(100, routine(Anchor::Opening {}))]]);
    let tasks = plan(&clinic, on("2026-11-30"), on("2026-12-01"), on("2026-11-30"));
    let seen: Vec<_> = tasks.iter().map(|t| (t.routine_version, t.times.anchor_at - t.times.due_from)).collect();
    assert_eq!(seen, [(1, minutes(60)), (2, minutes(30))]);
}

#[test]
fn a_date_on_a_closed_day_follows_its_rule() {
    // Every Sunday and Monday; 2026-11-29 is a Sunday, and Monday is shut.
    for (rule, expected) in [
        (
            ClosedDayRule::PreviousOpenDay,
            vec!["2026-11-27 rule:2026-11-29 11-27 12:00", "2026-11-27 rule:2026-11-30 11-27 12:00"],
        ),
        (
            ClosedDayRule::NextOpenDay,
            vec!["2026-12-01 rule:2026-11-29 12-01 12:00", "2026-12-01 rule:2026-11-30 12-01 12:00"],
        ),
        (
            ClosedDayRule::NotRequired,
            vec![
                "2026-11-29 rule:2026-11-29 11-29 12:00 [closed: no opening hours that day]",
                "2026-11-30 rule:2026-11-30 11-30 12:00 [closed: flood]",
            ],
        ),
    ] {
        let mut clinic = one(routine(calendar("FREQ=WEEKLY;BYDAY=SU,MO", "2026-11-29", noon(), rule)), office());
        clinic.hours.closures.push(closure("2026-11-30 00:00", "2026-12-01 00:00", "flood"));
        assert_eq!(shown(&clinic, "2026-11-25", "2026-12-03"), expected, "{rule:?}");
    }
}

#[test]
fn dates_moved_onto_one_day_stay_tasks_of_their_own() {
    let anchor = calendar("FREQ=DAILY", "2026-11-28", noon(), ClosedDayRule::NextOpenDay);
    let clinic = one(routine(anchor), office());
    assert_eq!(
        shown(&clinic, "2026-11-28", "2026-11-30"),
        [
            "2026-11-30 rule:2026-11-28 11-30 12:00",
            "2026-11-30 rule:2026-11-29 11-30 12:00",
            "2026-11-30 rule:2026-11-30 11-30 12:00",
        ]
    );
    let ids: BTreeSet<_> =
        plan(&clinic, on("2026-11-30"), on("2026-11-30"), on("2026-11-30")).iter().map(|t| t.id).collect();
    assert_eq!(ids.len(), 3);
}

#[test]
fn a_date_finds_no_open_day_within_a_month_and_is_not_required() {
    let anchor = calendar("FREQ=DAILY;COUNT=1", "2026-11-30", noon(), ClosedDayRule::NextOpenDay);
    let reopening_on = |until: &str| {
        let mut clinic = one(routine(anchor.clone()), office());
        clinic.hours.closures.push(closure("2026-11-30 00:00", until, "rebuilding"));
        shown(&clinic, "2026-11-30", "2027-01-15")
    };
    assert_eq!(reopening_on("2026-12-31 00:00"), ["2026-12-31 rule:2026-11-30 12-31 12:00"], "31 days later");
    assert_eq!(
        reopening_on("2027-01-01 00:00"),
        ["2026-11-30 rule:2026-11-30 11-30 12:00 [closed: rebuilding]"],
        "32 days later"
    );
}

#[test]
fn a_day_the_desk_started_counts_as_open_for_dates() {
    let anchor = calendar("FREQ=WEEKLY;BYDAY=SU", "2026-11-29", Place::Opening {}, ClosedDayRule::NextOpenDay);
    let mut clinic = one(routine(anchor), office());
    clinic.facts.posted.insert(on("2026-11-29"), posted(Some("2026-11-29 10:00"), None));
    assert_eq!(shown(&clinic, "2026-11-29", "2026-11-30"), ["2026-11-29 rule:2026-11-29 11-29 10:00"]);
}

#[test]
fn a_date_takes_its_place_in_the_day() {
    for (place, expected) in [
        (Place::Opening {}, "11-30 08:00"),
        (Place::Closing {}, "11-30 17:00"),
        (noon(), "11-30 12:00"),
        (Place::LocalTime { at: NaiveTime::from_hms_opt(22, 30, 0).expect("a time") }, "11-30 22:30"),
    ] {
        let clinic =
            one(routine(calendar("FREQ=DAILY;COUNT=1", "2026-11-30", place, ClosedDayRule::NotRequired)), office());
        let expected = format!("2026-11-30 rule:2026-11-30 {expected}");
        assert_eq!(shown(&clinic, "2026-11-30", "2026-11-30"), [expected], "{place:?}");
    }
}

/// RFC 5545 section 3.3.5 (read): 02:30 does not exist in New York on 2026-03-08 and is 03:30 EDT.
#[test]
fn a_local_time_inside_a_gap_lands_after_it() {
    let half_past_two = Place::LocalTime { at: NaiveTime::from_hms_opt(2, 30, 0).expect("a time") };
    let anchor = calendar("FREQ=DAILY", "2026-03-07", half_past_two, ClosedDayRule::NotRequired);
    let clinic = one(routine(anchor), hours("America/New_York", week("08:00-17:00", "08:00-17:00")));
    assert_eq!(
        shown(&clinic, "2026-03-07", "2026-03-09"),
        [
            "2026-03-07 rule:2026-03-07 03-07 07:30",
            "2026-03-08 rule:2026-03-08 03-08 07:30",
            "2026-03-09 rule:2026-03-09 03-09 06:30",
        ]
    );
}

#[test]
fn a_version_out_of_use_gives_no_dates_to_the_one_after_it() {
    // Sunday 2026-11-29 would move to Monday, on which the routine is in use again.
    let daily = || routine(calendar("FREQ=DAILY", "2026-11-01", noon(), ClosedDayRule::NextOpenDay));
    let resting = version(100, Routine { in_use: false, ..daily() });
    let back = RoutineVersion { version: 2, effective_on: on("2026-11-30"), ..version(100, daily()) };
    let clinic = clinic(office(), vec![vec![resting, back]]);
    assert_eq!(shown(&clinic, "2026-11-23", "2026-11-30"), ["2026-11-30 rule:2026-11-30 11-30 12:00"]);
}

#[test]
fn a_clinic_without_hours_plans_only_what_the_desk_and_the_calendar_give() {
    let bare = |anchor| one(routine(anchor), Hours { week: None, ..hours("UTC", Week::default()) });
    assert!(shown(&bare(Anchor::Opening {}), "2026-11-23", "2026-11-30").is_empty());
    let mut started = bare(Anchor::Opening {});
    started.facts.posted.insert(on("2026-11-30"), posted(Some("2026-11-30 08:15"), None));
    assert_eq!(shown(&started, "2026-11-23", "2026-11-30"), ["2026-11-30 opening 11-30 08:15"]);
}

fn first() -> NaiveDate {
    on("2026-10-26")
}

const DAYS: u32 = 14;

fn last() -> NaiveDate {
    first() + Days::new(u64::from(DAYS) - 1)
}

/// A clinic, and the same with every list in another order.
fn clinic_and_shuffled() -> impl Strategy<Value = (Clinic, Clinic)> {
    any_clinic(first(), DAYS).prop_flat_map(|clinic| {
        let versions: Vec<_> = clinic.routines.iter().map(|v| Just(v.clone()).prop_shuffle()).collect();
        let parts = (
            versions.prop_flat_map(|v| Just(v).prop_shuffle()),
            Just(clinic.subjects.clone()).prop_shuffle(),
            Just(clinic.hours.closures.clone()).prop_shuffle(),
            Just(clinic.facts.seatings.clone()).prop_shuffle(),
        );
        (Just(clinic), parts).prop_map(|(clinic, (routines, subjects, closures, seatings))| {
            let hours = Hours { closures, ..clinic.hours.clone() };
            let facts = Facts { seatings, ..clinic.facts.clone() };
            let shuffled = Clinic { hours, routines, subjects, facts, ..clinic.clone() };
            (clinic, shuffled)
        })
    })
}

proptest! {
    #[test]
    fn the_order_of_its_parts_changes_no_plan((clinic, shuffled) in clinic_and_shuffled()) {
        prop_assert_eq!(plan(&clinic, first(), last(), first()), plan(&shuffled, first(), last(), first()));
    }

    #[test]
    fn planning_days_together_or_apart_is_the_same(clinic in any_clinic(first(), DAYS), cut in 0..u64::from(DAYS) - 1) {
        let middle = first() + Days::new(cut);
        let mut apart = plan(&clinic, first(), middle, first());
        apart.extend(plan(&clinic, middle + Days::new(1), last(), first()));
        prop_assert_eq!(plan(&clinic, first(), last(), first()), apart);
    }

    #[test]
    fn tasks_are_distinct_and_their_windows_ordered(clinic in any_clinic(first(), DAYS)) {
        let tasks = plan(&clinic, first(), last(), first());
        prop_assert!(tasks.is_sorted_by(|a, b| a.id < b.id), "an id stands twice");
        for task in &tasks {
            let times = &task.times;
            prop_assert!(times.due_from <= times.due_by && times.due_by <= times.overdue_at);
            prop_assert!(times.overdue_at <= times.missed_at && times.due_from < times.missed_at);
            prop_assert!(times.blocks_at.is_none_or(|at| times.due_from <= at && at < times.missed_at));
            prop_assert!(times.rungs.is_sorted_by_key(|(at, _)| *at));
            prop_assert!(times.rungs.first().is_none_or(|(at, _)| *at >= times.overdue_at));
            prop_assert!((first()..=last()).contains(&task.clinic_day));
            prop_assert_eq!(task.id.clinic_day(), task.clinic_day);
        }
    }

    #[test]
    fn a_date_lands_on_a_closed_day_only_when_it_is_not_required(clinic in any_clinic(first(), DAYS)) {
        for task in plan(&clinic, first(), last(), first()) {
            let Slot::Rule(_) = task.slot else { continue };
            let started = clinic.facts.posted.get(&task.clinic_day).is_some_and(|p| p.started_at.is_some());
            prop_assert!(clinic.hours.day(task.clinic_day).is_open() || started || task.not_required.is_some());
        }
    }
}

/// The law above says nothing of a plan without dates; plans that are drawn hold them, on closed days too.
#[test]
fn the_plans_that_are_drawn_hold_dates_of_rules_on_open_and_on_closed_days() {
    let mut runner = TestRunner::deterministic();
    let (mut open, mut closed) = (0, 0);
    for _ in 0..200 {
        let clinic = any_clinic(first(), DAYS).new_tree(&mut runner).expect("drawn").current();
        for task in plan(&clinic, first(), last(), first()) {
            let Slot::Rule(_) = task.slot else { continue };
            *if clinic.hours.day(task.clinic_day).is_open() { &mut open } else { &mut closed } += 1;
        }
    }
    assert!(open >= 20 && closed >= 20, "{open} on open days, {closed} on closed ones");
}
