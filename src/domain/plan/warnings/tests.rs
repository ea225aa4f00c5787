//! What is warned about, and the law that a warning is what the plan does.
//!
//! Expected days and numbers are counted with Python's `datetime`: 2026-11-30 is a Monday, the 400th day from it is
//! Monday 2028-01-03, and between lie 58 Mondays and 57 of each other day of the week.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use proptest::prelude::*;
use serde_json::{Value, json};

use super::*;
use crate::domain::facts::{Completed, Finished};
use crate::domain::fixtures::*;
use crate::domain::hours::Week;
use crate::domain::plan::because::RoutineNames;
use crate::domain::plan::plan;
use crate::domain::routine::Routine;
use crate::domain::subject::SubjectKind;
use crate::domain::task::Slot;

const TODAY: &str = "2026-11-30";

fn anchored(anchor: Value) -> Routine {
    routine(serde_json::from_value(anchor).expect("an anchor"))
}

/// Open from Monday to Friday, eight hours a day.
fn office() -> Hours {
    hours("UTC", week("08:00-12:00 13:00-17:00", ""))
}

fn one(routine: Routine) -> Clinic {
    clinic(office(), vec![vec![version(100, routine)]])
}

fn by_rule(rule: &str, closed_day: &str) -> Routine {
    anchored(json!({ "kind": "calendar", "dates": { "rule": rule, "starts_on": "2026-01-05" },
                     "place": { "kind": "opening" }, "closed_day": closed_day }))
}

fn every(days: u32, closed_day: &str) -> Routine {
    anchored(json!({ "kind": "interval", "every": { "days": days }, "place": { "kind": "opening" },
                     "closed_day": closed_day }))
}

fn weekly_period() -> Routine {
    anchored(json!({ "kind": "period", "each": "week" }))
}

/// Findings at the clinic with id 1, in which the chair stands.
fn found(clinic: &Clinic) -> Vec<PlanFinding> {
    of_clinic(clinic, id(1), on(TODAY)).warnings.into_iter().map(|warning| warning.finding).collect()
}

fn days(texts: &[&str]) -> Vec<NaiveDate> {
    texts.iter().map(|text| on(text)).collect()
}

#[test]
fn a_clinic_without_hours_or_without_an_open_day_says_so_once() {
    let mut clinic = clinic(
        office(),
        vec![
            vec![version(100, by_rule("FREQ=WEEKLY;BYDAY=SU", "not_required"))],
            vec![version(101, weekly_period())],
            vec![version(102, anchored(json!({ "kind": "interval", "every": { "opening_hours": 900 } })))],
        ],
    );
    clinic.hours.week = None;
    assert_eq!(found(&clinic), [PlanFinding::NoHours {}]);
    clinic.hours.week = Some(Week::default());
    assert_eq!(found(&clinic), [PlanFinding::NeverOpen {}]);
    clinic.hours.special_openings.insert(on("2028-01-03"), sessions("08:00-12:00"));
    assert!(!found(&clinic).contains(&PlanFinding::NeverOpen {}), "the 400th day counts");
}

#[test]
fn a_rule_whose_dates_are_all_closed_days_says_what_becomes_of_them() {
    let first_dates = days(&["2026-12-06", "2026-12-13", "2026-12-20"]);
    for (closed_day, moved) in [("not_required", 0), ("next_open_day", 57), ("previous_open_day", 57)] {
        let sundays = one(by_rule("FREQ=WEEKLY;BYDAY=SU", closed_day));
        let finding = PlanFinding::EveryDateClosed { dates: 57, moved, first_dates: first_dates.clone() };
        let told = of_clinic(&sundays, id(1), on(TODAY)).warnings;
        assert_eq!(told, [PlanWarning { routine_id: Some(id(100)), subject_id: None, finding }], "{closed_day}");
    }
    for open in ["FREQ=WEEKLY;BYDAY=MO", "FREQ=MONTHLY;BYMONTHDAY=1"] {
        assert_eq!(found(&one(by_rule(open, "not_required"))), [], "{open}");
    }
    let mut not_used = by_rule("FREQ=WEEKLY;BYDAY=SU", "not_required");
    not_used.in_use = false;
    assert_eq!(found(&one(not_used)), []);
}

#[test]
fn closures_alone_are_no_warning_while_a_date_is_left() {
    let mut clinic = one(by_rule("FREQ=WEEKLY;BYDAY=MO", "not_required"));
    clinic.hours.closures.push(closure("2026-11-30 00:00", "2028-01-03 00:00", "rebuilding"));
    assert_eq!(found(&clinic), []);
    clinic.hours.closures.push(closure("2028-01-03 00:00", "2028-01-04 00:00", "moving in"));
    clinic.hours.special_openings.insert(on("2027-06-01"), sessions("08:00-12:00"));
    assert!(matches!(found(&clinic)[..], [PlanFinding::EveryDateClosed { dates: 58, moved: 0, .. }]));
}

#[test]
fn dates_that_closed_days_bring_together_are_counted_on_the_first_day() {
    let met = |days, first_on: &str, dates_on_first| {
        [PlanFinding::DatesMeet { days, first_on: on(first_on), dates_on_first }]
    };
    // Saturday and Sunday join Friday, or Monday: today is one, and the weekend before it moves to it.
    assert_eq!(found(&one(by_rule("FREQ=DAILY", "previous_open_day"))), met(57, "2026-12-04", 3));
    assert_eq!(found(&one(by_rule("FREQ=DAILY", "next_open_day"))), met(58, TODAY, 3));
    assert_eq!(found(&one(by_rule("FREQ=DAILY", "not_required"))), []);
    // Two Mondays in a closure join the third.
    let mut clinic = one(by_rule("FREQ=WEEKLY;BYDAY=MO", "next_open_day"));
    clinic.hours.closures.push(closure("2026-12-07 00:00", "2026-12-19 00:00", "holidays"));
    assert_eq!(found(&clinic), met(1, "2026-12-21", 3));
}

#[test]
fn an_interval_is_looked_at_on_each_subject_from_what_was_done_last() {
    // Never done: from 2020-01-05, a Sunday, every seven days.
    let mut clinic = one(every(7, "not_required"));
    clinic.subjects[0].commissioned_on = on("2020-01-05");
    let mut other = operatory(11);
    other.commissioned_on = on("2020-01-06");
    clinic.subjects.push(other);
    let first_dates = days(&["2026-12-06", "2026-12-13", "2026-12-20"]);
    let finding = PlanFinding::EveryDateClosed { dates: 57, moved: 0, first_dates };
    let told = of_clinic(&clinic, id(1), on(TODAY)).warnings;
    assert_eq!(told, [PlanWarning { routine_id: Some(id(100)), subject_id: Some(id(10)), finding }]);
    // Done on a Friday: due on Fridays.
    clinic.facts.completions.push(Completed {
        completion_id: id(9),
        routine_id: id(100),
        subject_id: id(10),
        performed_at: at("2026-11-27 10:00"),
        finished: Finished::Passed,
        of_sample: false,
    });
    assert_eq!(found(&clinic), []);
    let daily = one(every(1, "next_open_day"));
    assert_eq!(found(&daily), [PlanFinding::DatesMeet { days: 58, first_on: on(TODAY), dates_on_first: 3 }]);
}

#[test]
fn a_routine_that_selects_nothing_where_it_is_meant_to_is_told_of() {
    let eyewash = |change: fn(&mut Routine)| {
        let mut routine = anchored(json!({ "kind": "opening" }));
        routine.subject_kind = SubjectKind::Eyewash;
        change(&mut routine);
        one(routine)
    };
    let here = [PlanFinding::SelectsNothingHere {}];
    assert_eq!(found(&eyewash(|_| {})), here);
    assert_eq!(found(&eyewash(|r| r.selection.clinic_ids = Some([id(1), id(2)].into()))), here);
    assert_eq!(found(&eyewash(|r| r.selection.clinic_ids = Some([id(2)].into()))), []);
    assert_eq!(found(&eyewash(|r| r.selection.subject_ids = Some([id(77)].into()))), []);
    assert_eq!(found(&eyewash(|r| r.in_use = false)), []);
    let clinic = eyewash(|r| r.selection.subject_ids = Some([id(77)].into()));
    let group = |subjects: &[Subject]| of_group(&clinic.routines, subjects, on(TODAY)).warnings;
    let nothing = PlanWarning { routine_id: Some(id(100)), subject_id: None, finding: PlanFinding::SelectsNothing {} };
    assert_eq!(group(&clinic.subjects), [nothing]);
    assert_eq!(group(&[subject(77, SubjectKind::Eyewash)]), []);
}

#[test]
fn periods_without_an_open_day_are_counted() {
    let mut clinic = one(weekly_period());
    assert_eq!(found(&clinic), []);
    // Week 52 of 2026 is 21 to 27 December by ISO 8601; 57 weeks end in the 400 days.
    clinic.hours.closures.push(closure("2026-12-19 00:00", "2026-12-28 00:00", "holidays"));
    assert_eq!(found(&clinic), [PlanFinding::PeriodsClosed { closed: 1, periods: 57, first: "2026-W52".to_owned() }]);
    clinic.routines = vec![vec![version(100, anchored(json!({ "kind": "period", "each": "month" })))]];
    assert_eq!(found(&clinic), []);
}

#[test]
fn an_interval_of_more_opening_hours_than_there_are_in_400_days_is_told_of() {
    let hours =
        |opening_hours: u32| one(anchored(json!({ "kind": "interval", "every": { "opening_hours": opening_hours } })));
    // 57 weeks of 40 hours and a day more: at least 57 × 40 hours, at most 57 × 40 + 8.
    assert_eq!(found(&hours(2280)), []);
    let told = [PlanFinding::HoursNotReached { opening_hours: 2289, within_days: 400 }];
    assert_eq!(found(&hours(2289)), told);
    // A closure for half a year is no warning.
    let mut clinic = hours(600);
    clinic.hours.closures.push(closure("2026-12-01 00:00", "2027-03-01 00:00", "rebuilding"));
    assert_eq!(found(&clinic), []);
}

#[test]
fn a_routine_that_follows_nothing_done_here_is_told_of() {
    let follow = || anchored(json!({ "kind": "follows", "routine_id": id(101), "when": "recorded" }));
    let opening = || anchored(json!({ "kind": "opening" }));
    let clinic = |followed: Routine| clinic(office(), vec![vec![version(100, follow())], vec![version(101, followed)]]);
    let told = [PlanFinding::NothingToFollow { routine_id: id(101) }];
    assert_eq!(found(&clinic(opening())), []);
    assert_eq!(found(&clinic(Routine { in_use: false, ..opening() })), told);
    let mut elsewhere = opening();
    elsewhere.selection.subject_ids = Some([id(11)].into());
    assert_eq!(found(&clinic(elsewhere)), told);
    assert_eq!(found(&one(follow())), told);
}

#[test]
fn work_is_bounded_and_what_was_left_out_is_counted() {
    let eyewash = || Routine { subject_kind: SubjectKind::Eyewash, ..anchored(json!({ "kind": "opening" })) };
    let many = clinic(office(), (0..203).map(|n| vec![version(100 + n, eyewash())]).collect());
    let told = of_clinic(&many, id(1), on(TODAY));
    assert_eq!((told.warnings.len(), told.warnings_left_out, told.routines_left_out), (200, 3, 0));
    let mut crowded = clinic(
        office(),
        vec![vec![version(100, every(1, "not_required"))], vec![version(101, by_rule("FREQ=DAILY", "not_required"))]],
    );
    // 462 dates on each chair, a month before and after the 400 days included: 217 chairs are too many.
    crowded.subjects = (10..226).map(operatory).collect();
    assert_eq!(of_clinic(&crowded, id(1), on(TODAY)).routines_left_out, 1, "no dates are left for the second");
    crowded.subjects.push(operatory(226));
    assert_eq!(of_clinic(&crowded, id(1), on(TODAY)).routines_left_out, 2);
}

#[test]
fn a_sentence_says_what_the_data_holds() {
    let names = RoutineNames(BTreeMap::from([(id(100), "Spore test".to_owned())]));
    let closed = |dates, moved| PlanFinding::EveryDateClosed { dates, moved, first_dates: days(&["2026-12-06"]) };
    for (finding, sentence) in [
        (
            PlanFinding::NoHours {},
            "No opening hours of the clinic were ever set, so nothing is planned from its hours.",
        ),
        (PlanFinding::NeverOpen {}, "The clinic has no open day in the coming 400 days."),
        (
            closed(14, 0),
            "All dates in the coming 400 days fall on closed days, 14 of 14, the first on 2026-12-06: none is required.",
        ),
        (
            closed(14, 14),
            "All dates in the coming 400 days fall on closed days, 14 of 14, the first on 2026-12-06: all are moved to \
             another day.",
        ),
        (
            closed(14, 4),
            "All dates in the coming 400 days fall on closed days, 14 of 14, the first on 2026-12-06: 4 moved to \
             another day, 10 not required.",
        ),
        (
            PlanFinding::DatesMeet { days: 1, first_on: on("2026-12-21"), dates_on_first: 3 },
            "The closed-day rule brings several dates together on 1 day of the coming 400, first 3 dates on 2026-12-21.",
        ),
        (
            PlanFinding::PeriodsClosed { closed: 1, periods: 57, first: "2026-W52".to_owned() },
            "Of 57 periods in the coming 400 days 1 without an open day, first 2026-W52: not required.",
        ),
        (
            PlanFinding::NothingToFollow { routine_id: id(100) },
            "It follows \u{201c}Spore test\u{201d}, which is not in use on anything it selects here.",
        ),
    ] {
        assert_eq!(finding.sentence(&names), sentence);
    }
}

/// Routine, subject where it depends on one.
type Key = (Uuid, Option<Uuid>);

/// What the plan itself does: whose dates are all closed days, and whose meet on a day.
fn planned(clinic: &Clinic, today: NaiveDate) -> (BTreeSet<Key>, BTreeSet<Key>) {
    let (from, to) = days_looked_at(today);
    let month = Days::new(31);
    let mut all_closed: BTreeMap<Key, bool> = BTreeMap::new();
    let mut landed: BTreeMap<(Key, Uuid, NaiveDate), u32> = BTreeMap::new();
    for task in plan(clinic, from - month, to + month, today) {
        let (key, date) = match task.slot {
            Slot::Rule(date) => ((task.routine_id, None), date),
            Slot::Interval(date) => ((task.routine_id, Some(task.subject_id)), date),
            _ => continue,
        };
        let is_closed = task.not_required.as_ref().is_some_and(|n| n.reason.starts_with("closed: "));
        if (from..=to).contains(&date) {
            *all_closed.entry(key).or_insert(true) &= is_closed || task.because.moved.is_some();
        }
        if !is_closed && (from..=to).contains(&task.clinic_day) {
            *landed.entry((key, task.subject_id, task.clinic_day)).or_default() += 1;
        }
    }
    all_closed.retain(|_, closed| *closed);
    landed.retain(|_, dates| *dates > 1);
    (all_closed.into_keys().collect(), landed.into_keys().map(|(key, ..)| key).collect())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    /// Nothing is worked out a second way: what is warned about is what the plan of those days holds.
    #[test]
    fn a_warning_about_dates_is_what_the_plan_does(clinic in any_clinic(on("2026-11-02"), 30)) {
        let today = on("2026-11-09");
        let told = of_clinic(&clinic, id(1), today);
        prop_assume!(told.warnings.iter().all(|warning| warning.finding != PlanFinding::NeverOpen {}));
        let keys = |is_wanted: fn(&PlanFinding) -> bool| -> BTreeSet<Key> {
            let wanted = told.warnings.iter().filter(|warning| is_wanted(&warning.finding));
            wanted.filter_map(|warning| Some((warning.routine_id?, warning.subject_id))).collect()
        };
        let (all_closed, meeting) = planned(&clinic, today);
        prop_assert_eq!(keys(|finding| matches!(finding, PlanFinding::EveryDateClosed { .. })), all_closed);
        prop_assert_eq!(keys(|finding| matches!(finding, PlanFinding::DatesMeet { .. })), meeting);
    }
}
