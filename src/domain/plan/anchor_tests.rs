//! What each anchor makes of days and facts: the trade's moments, one by one.
//!
//! Expected days are counted by hand on the calendar of November and December 2026 (30 November is a Monday).

use serde_json::{Value, json};

use super::*;
use crate::domain::facts::{Completed, Cycle, Finished, SeatingEdge, SiteEvent};
use crate::domain::fixtures::*;
use crate::domain::hours::Week;
use crate::domain::routine::{Routine, Window};
use crate::domain::site_event::SiteEventKind;

fn office() -> Hours {
    hours("UTC", week("08:00-12:00 13:00-17:00", ""))
}

fn anchored(anchor: Value) -> Routine {
    routine(serde_json::from_value(anchor).expect("an anchor"))
}

fn one(anchor: Value) -> Clinic {
    clinic(office(), vec![vec![version(100, anchored(anchor))]])
}

/// Tasks of routine 100 in order, as `day slot anchor`, with the plan's reason where it does not require them.
fn shown(clinic: &Clinic, from: &str, to: &str, today: &str) -> Vec<String> {
    shown_of(100, clinic, from, to, today)
}

fn shown_of(routine_number: u128, clinic: &Clinic, from: &str, to: &str, today: &str) -> Vec<String> {
    let mut tasks = plan(clinic, on(from), on(to), on(today));
    tasks.retain(|t| t.routine_id == id(routine_number));
    tasks.sort_by_key(|t| (t.clinic_day, t.times.anchor_at, t.slot.clone()));
    tasks
        .iter()
        .map(|t| {
            let reason = t.not_required.as_ref().map(|n| format!(" [{}]", n.reason)).unwrap_or_default();
            let anchor_at = t.times.anchor_at.format("%m-%d %H:%M");
            format!("{} {} {anchor_at}{reason}", t.clinic_day.format("%m-%d"), t.slot)
        })
        .collect()
}

fn seated(mark: u128, chair: u128, day: &str, time: &str) -> Seating {
    let marked_at = at(&format!("{day} {time}"));
    let (mark_id, clinic_id, operatory_id) = (id(mark), id(1), id(chair));
    Seating { mark_id, clinic_id, operatory_id, edge: SeatingEdge::Seated, clinic_day: on(day), marked_at }
}

fn left(mark: u128, day: &str, time: &str) -> Seating {
    Seating { edge: SeatingEdge::Left, ..seated(mark, 10, day, time) }
}

fn completed(number: u128, routine_number: u128, performed_at: &str, finished: Finished) -> Completed {
    Completed {
        completion_id: id(number),
        routine_id: id(routine_number),
        subject_id: id(10),
        performed_at: at(performed_at),
        finished,
        of_sample: false,
    }
}

#[test]
fn the_first_patient_is_the_opening_until_one_is_seated() {
    let mut clinic = one(json!({ "kind": "first_patient" }));
    let monday = |clinic: &Clinic| shown(clinic, "2026-11-30", "2026-11-30", "2026-11-30");
    assert_eq!(monday(&clinic), ["11-30 first_patient 11-30 08:00"]);
    clinic.facts.seatings = vec![seated(2, 10, "2026-11-30", "10:10"), seated(1, 10, "2026-11-30", "09:20")];
    assert_eq!(monday(&clinic), ["11-30 first_patient 11-30 09:20"]);
    // A patient in another chair is not this chair's first.
    clinic.facts.seatings = vec![seated(1, 11, "2026-11-30", "07:40")];
    assert_eq!(monday(&clinic), ["11-30 first_patient 11-30 08:00"]);
    // Nor is one who sat in it where it stood before this clinic's: the chair's, and not the clinic's.
    let elsewhere = Seating { clinic_id: id(2), ..seated(1, 10, "2026-11-30", "09:40") };
    clinic.facts.seatings = vec![elsewhere];
    assert_eq!(monday(&clinic), ["11-30 first_patient 11-30 09:40"]);
    let mut of_clinic = clinic.clone();
    of_clinic.routines[0][0].routine.subject_kind = SubjectKind::Clinic;
    of_clinic.subjects = vec![subject(1, SubjectKind::Clinic)];
    assert_eq!(monday(&of_clinic), ["11-30 first_patient 11-30 08:00"]);
    // A patient on a closed day, without a day start.
    clinic.facts.seatings = vec![seated(1, 10, "2026-11-29", "10:00")];
    assert_eq!(shown(&clinic, "2026-11-29", "2026-11-29", "2026-11-29"), ["11-29 first_patient 11-29 10:00"]);
}

#[test]
fn each_session_ends_and_the_last_one_as_the_desk_says() {
    let mut clinic = one(json!({ "kind": "session_end" }));
    let monday = |clinic: &Clinic| shown(clinic, "2026-11-30", "2026-11-30", "2026-11-30");
    assert_eq!(monday(&clinic), ["11-30 session:08:00 11-30 12:00", "11-30 session:13:00 11-30 17:00"]);
    let ended = |time: &str| PostedDay { started_at: None, ended_at: Some(at(&format!("2026-11-30 {time}"))) };
    clinic.facts.posted.insert(on("2026-11-30"), ended("17:40"));
    assert_eq!(monday(&clinic), ["11-30 session:08:00 11-30 12:00", "11-30 session:13:00 11-30 17:40"]);
    clinic.facts.posted.insert(on("2026-11-30"), ended("12:30"));
    assert_eq!(monday(&clinic), ["11-30 session:08:00 11-30 12:30"]);
    clinic.facts.posted.clear();
    // A morning that is closed leaves the afternoon its own slot.
    clinic.hours.closures.push(closure("2026-11-30 07:00", "2026-11-30 12:30", "power"));
    assert_eq!(monday(&clinic), ["11-30 session:08:00 11-30 12:00 [closed: power]", "11-30 session:13:00 11-30 17:00"]);
}

#[test]
fn an_interval_drifts_with_the_work_and_begins_at_commissioning() {
    let anchor = json!({ "kind": "interval", "every": { "days": 5 }, "place": { "kind": "opening" },
                         "closed_day": "next_open_day" });
    let mut clinic = one(anchor);
    clinic.subjects[0].commissioned_on = on("2026-11-24");
    let shown = |clinic: &Clinic| shown(clinic, "2026-11-20", "2026-12-10", "2026-11-24");
    // Never done: at commissioning, and every five days after it; the 29th is a Sunday.
    assert_eq!(
        shown(&clinic),
        [
            "11-24 interval:2026-11-24 11-24 08:00",
            "11-30 interval:2026-11-29 11-30 08:00",
            "12-04 interval:2026-12-04 12-04 08:00",
            "12-09 interval:2026-12-09 12-09 08:00",
        ]
    );
    // Done two days late, on the 26th; an attempt that fell short does not count.
    clinic.facts.completions = vec![
        completed(1, 100, "2026-11-26 09:00", Finished::Passed),
        completed(2, 100, "2026-11-27 09:00", Finished::Failed),
    ];
    assert_eq!(shown(&clinic), ["12-01 interval:2026-12-01 12-01 08:00", "12-07 interval:2026-12-06 12-07 08:00",]);
}

#[test]
fn an_interval_of_opening_hours_passes_only_while_the_clinic_is_open() {
    let mut clinic = one(json!({ "kind": "interval", "every": { "opening_hours": 12 } }));
    clinic.facts.completions = vec![completed(1, 100, "2026-11-27 15:00", Finished::Passed)];
    // Two hours are left of Friday, eight on Monday, two on Tuesday; and twelve later again.
    assert_eq!(
        shown(&clinic, "2026-11-27", "2026-12-02", "2026-11-27"),
        ["12-01 hours:2026-12-01T10:00 12-01 10:00", "12-02 hours:2026-12-02T15:00 12-02 15:00"]
    );
}

/// A clinic of two mornings a week needs half a year for 200 hours of opening: eight hours a week, 25 weeks.
#[test]
fn an_interval_of_opening_hours_is_counted_however_long_it_takes() {
    let two_mornings = Week { monday: sessions("08:00-12:00"), tuesday: sessions("08:00-12:00"), ..Week::default() };
    let anchor = json!({ "kind": "interval", "every": { "opening_hours": 200 } });
    let mut clinic = clinic(hours("UTC", two_mornings), vec![vec![version(100, anchored(anchor))]]);
    clinic.facts.completions = vec![completed(1, 100, "2026-01-04 12:00", Finished::Passed)];
    let shown_around = |clinic: &Clinic, from: &str, to: &str| shown(clinic, from, to, from);
    assert_eq!(shown_around(&clinic, "2026-06-20", "2026-07-05"), ["06-23 hours:2026-06-23T12:00 06-23 12:00"]);
    // Never done, and no opening for more than half a year: from the first one on.
    clinic.facts.completions.clear();
    clinic.subjects[0].commissioned_on = on("2026-01-05");
    clinic.hours.closures.push(closure("2026-01-01 00:00", "2026-08-01 00:00", "rebuilding"));
    assert_eq!(shown_around(&clinic, "2026-07-25", "2026-08-08"), ["08-03 hours:2026-08-03T08:00 08-03 08:00"]);
}

/// Idle tiers: practice defaults (common practice, no source).
#[test]
fn the_longest_idle_tier_takes_the_place_of_the_ordinary_routine() {
    let tier =
        |days: u32| anchored(json!({ "kind": "idle", "unused_days": days, "on": "open_days", "strengthens": id(100) }));
    let mut clinic = clinic(
        office(),
        vec![
            vec![version(100, anchored(json!({ "kind": "opening" })))],
            vec![version(101, tier(2))],
            vec![version(102, tier(5))],
        ],
    );
    clinic.subjects[0].commissioned_on = on("2026-01-01");
    clinic.facts.seatings = vec![left(1, "2026-11-26", "16:00")];
    let day = |clinic: &Clinic, day: &str, today: &str| -> Vec<String> {
        (100..=102)
            .flat_map(|n| shown_of(n, clinic, day, day, today).into_iter().map(move |t| format!("{n} {t}")))
            .collect()
    };
    // Used on Thursday: on Friday morning nothing but the ordinary flush.
    assert_eq!(day(&clinic, "2026-11-27", "2026-11-27"), ["100 11-27 opening 11-27 08:00"]);
    // Not used on Friday either: three whole days before Monday.
    assert_eq!(day(&clinic, "2026-11-30", "2026-11-30"), ["101 11-30 idle 11-30 08:00"]);
    // Four whole days are too few for the second tier, and five are enough.
    assert_eq!(day(&clinic, "2026-12-01", "2026-12-01"), ["101 12-01 idle 12-01 08:00"], "four days");
    assert_eq!(day(&clinic, "2026-12-02", "2026-12-02"), ["102 12-02 idle 12-02 08:00"], "five days");
    // And still not on Monday, Tuesday, Wednesday.
    assert_eq!(day(&clinic, "2026-12-03", "2026-12-03"), ["102 12-03 idle 12-03 08:00"]);
    // Asked on Friday, Friday is expected to be used: the weekend alone stands before Monday; then come ordinary days.
    assert_eq!(day(&clinic, "2026-11-30", "2026-11-27"), ["101 11-30 idle 11-30 08:00"]);
    assert_eq!(day(&clinic, "2026-12-01", "2026-11-27"), ["100 12-01 opening 12-01 08:00"]);
    // A chair out of service is not expected to be used.
    clinic.subjects[0] = taken_out_of_service("no suction", at("2026-11-27 09:00"), clinic.subjects[0].clone());
    clinic.subjects[0].spells[0].until = Some(at("2026-12-02 12:00"));
    assert_eq!(day(&clinic, "2026-12-03", "2026-11-27"), ["100 12-03 opening 12-03 08:00"]);
    clinic.subjects[0].spells[0].until = Some(at("2026-12-03 06:00"));
    assert_eq!(day(&clinic, "2026-12-03", "2026-11-27"), ["102 12-03 idle 12-03 08:00"]);
}

/// HSG 274 part 2: little-used outlets are flushed weekly (read in a quotation).
#[test]
fn what_is_little_used_is_kept_moving_through_a_closure() {
    let anchor = json!({ "kind": "idle", "unused_days": 6, "on": "every_day",
                         "place": { "kind": "local_time", "at": "09:00" } });
    let flush = Routine { counts_as_use: true, subject_kind: SubjectKind::PremisesOutlet, ..anchored(anchor) };
    let mut clinic = clinic(office(), vec![vec![version(100, flush)]]);
    clinic.subjects = vec![Subject { commissioned_on: on("2026-11-01"), ..subject(10, SubjectKind::PremisesOutlet) }];
    clinic.hours.closures.push(closure("2026-11-20 00:00", "2026-12-20 00:00", "refurbishment"));
    clinic.facts.completions = vec![completed(1, 100, "2026-11-16 10:00", Finished::Passed)];
    assert_eq!(
        shown(&clinic, "2026-11-17", "2026-12-08", "2026-11-17"),
        ["11-23 idle:2026-11-23 11-23 09:00", "11-30 idle:2026-11-30 11-30 09:00", "12-07 idle:2026-12-07 12-07 09:00",]
    );
}

#[test]
fn every_third_turnover_and_every_second_cycle_is_counted() {
    let mut clinic = one(json!({ "kind": "count", "of": "turnovers", "every": 3 }));
    clinic.facts.seatings = (0..7).map(|n: u128| left(7 - n, "2026-11-30", &format!("{:02}:00", 9 + n))).collect();
    let monday = |clinic: &Clinic| shown(clinic, "2026-11-30", "2026-11-30", "2026-11-30");
    assert_eq!(monday(&clinic), ["11-30 count:3 11-30 11:00", "11-30 count:6 11-30 14:00"]);
    clinic.facts.counted_before.insert((id(100), id(10)), 2);
    assert_eq!(
        monday(&clinic),
        ["11-30 count:3 11-30 09:00", "11-30 count:6 11-30 12:00", "11-30 count:9 11-30 15:00"]
    );

    let cycles = Routine {
        subject_kind: SubjectKind::Steriliser,
        ..anchored(json!({ "kind": "count", "of": "cycles", "every": 2 }))
    };
    let mut clinic = self::clinic(office(), vec![vec![version(100, cycles)]]);
    clinic.subjects = vec![subject(20, SubjectKind::Steriliser)];
    clinic.facts.cycles = (1..=3)
        .map(|n| Cycle {
            mark_id: id(n),
            subject_id: id(20),
            clinic_day: on("2026-11-30"),
            ended_at: at("2026-11-30 10:00") + minutes(i64::try_from(n).expect("small") * 30),
        })
        .collect();
    assert_eq!(monday(&clinic), ["11-30 count:2 11-30 11:00"]);
}

/// WAC 246-817-660 (effective 2021-01-23, read): test 5 to 10 days after a repair or a plumbing change, and again 21 to
/// 28 days after.
#[test]
fn a_repair_is_followed_by_two_tests_in_their_windows() {
    let days = |n: i32| n * 1440;
    let test = |from: i32, until: i32| Routine {
        window: Window {
            may_start_minutes: days(from),
            due_by_minutes: days(until),
            overdue_minutes: days(until),
            missed_minutes: days(until) + days(7),
        },
        ..anchored(json!({ "kind": "event", "of": ["repair", "plumbing_change"] }))
    };
    let mut clinic = clinic(office(), vec![vec![version(100, test(5, 10))], vec![version(101, test(21, 28))]]);
    clinic.subjects.push(operatory(11));
    let event = |number, kind, subject_id| SiteEvent {
        event_id: id(number),
        kind,
        subject_id,
        happened_at: at("2026-11-30 15:00"),
    };
    clinic.facts.events =
        vec![event(1, SiteEventKind::Repair, Some(id(10))), event(2, SiteEventKind::WaterAdvisoryLifted, None)];
    let tasks = plan(&clinic, on("2026-11-30"), on("2026-11-30"), on("2026-11-30"));
    let mut windows: Vec<_> = tasks.iter().map(|t| (t.subject_id, t.times.due_from, t.times.due_by)).collect();
    windows.sort_unstable();
    let expected = [("2026-12-05 15:00", "2026-12-10 15:00"), ("2026-12-21 15:00", "2026-12-28 15:00")];
    assert_eq!(windows, expected.map(|(from, by)| (id(10), at(from), at(by))));
    // Plumbing of the whole clinic concerns every chair.
    clinic.facts.events = vec![event(3, SiteEventKind::PlumbingChange, None)];
    assert_eq!(plan(&clinic, on("2026-11-30"), on("2026-11-30"), on("2026-11-30")).len(), 4);
}

#[test]
fn the_second_phase_of_a_test_exists_only_when_the_first_is_recorded() {
    let reading = |when: &str| json!({ "kind": "follows", "routine_id": id(200), "when": when });
    let sample = completed(1, 200, "2026-11-30 10:00", Finished::ResultPending);
    let over = completed(2, 200, "2026-11-30 11:00", Finished::DoneAndFailed);
    let passed = completed(3, 200, "2026-11-30 12:00", Finished::Passed);
    let short = completed(4, 200, "2026-11-30 13:00", Finished::Failed);
    let result = Completed { of_sample: true, ..completed(5, 200, "2026-11-30 14:00", Finished::Passed) };
    // Passed, and outside its window: its task is still to be done, and nothing comes of it.
    let outside = completed(6, 200, "2026-11-30 15:00", Finished::OutsideWindow);
    let other_chair = Completed { subject_id: id(11), ..passed };
    for (when, expected) in [
        ("recorded", vec!["10:00", "11:00", "12:00"]),
        ("passed", vec!["12:00", "14:00"]),
        ("failed", vec!["11:00", "13:00"]),
    ] {
        let mut clinic = one(reading(when));
        assert!(shown(&clinic, "2026-11-30", "2026-11-30", "2026-11-30").is_empty());
        clinic.facts.completions = vec![sample, over, passed, short, result, outside, other_chair];
        let times: Vec<_> = shown(&clinic, "2026-11-30", "2026-11-30", "2026-11-30")
            .iter()
            .map(|t| t.split(' ').next_back().unwrap_or_default().to_owned())
            .collect();
        assert_eq!(times, expected, "{when}");
    }
}

#[test]
fn a_period_is_due_by_its_last_open_day_and_may_be_done_on_any() {
    let monthly =
        |each: &str| Routine { window: Window::default(), ..anchored(json!({ "kind": "period", "each": each })) };
    let clinic = clinic(office(), vec![vec![version(100, monthly("month"))]]);
    let tasks = plan(&clinic, on("2026-11-25"), on("2026-11-25"), on("2026-11-25"));
    let [task] = tasks.as_slice() else { panic!("one task, not {tasks:?}") };
    assert_eq!((task.slot.to_string().as_str(), task.clinic_day), ("period:2026-11", on("2026-11-30")));
    let times = &task.times;
    assert_eq!(
        [times.due_from, times.due_by, times.overdue_at, times.missed_at],
        ["2026-11-01 00:00", "2026-11-30 17:00", "2026-11-30 17:00", "2026-12-01 00:00"].map(at)
    );
    // The year's end is closed: by the last open day before it, and the task is still the year's.
    let mut shut = self::clinic(office(), vec![vec![version(100, monthly("year"))]]);
    shut.hours.closures.push(closure("2026-12-24 12:00", "2027-01-04 00:00", "holidays"));
    let tasks = plan(&shut, on("2026-11-25"), on("2026-11-25"), on("2026-11-25"));
    assert_eq!(tasks[0].times.due_by, at("2026-12-24 12:00"));
    assert_eq!((tasks[0].slot.to_string().as_str(), tasks[0].times.missed_at), ("period:2026", at("2027-01-01 00:00")));
    // A week that is closed altogether is not required.
    let mut week = self::clinic(office(), vec![vec![version(100, monthly("week"))]]);
    week.hours.closures.push(closure("2026-11-23 00:00", "2026-11-30 00:00", "course"));
    assert_eq!(
        shown(&week, "2026-11-25", "2026-11-25", "2026-11-25"),
        ["11-29 period:2026-W48 11-29 12:00 [closed: all of 2026-W48]"]
    );
}

/// A clinic that is not open yet but on one day: it has had hours, and its week's work is due on that day.
#[test]
fn a_special_opening_alone_is_hours() {
    let weekly = anchored(json!({ "kind": "period", "each": "week" }));
    let bare = Hours { week: None, ..hours("UTC", Week::default()) };
    let mut clinic = clinic(bare, vec![vec![version(100, Routine { window: Window::default(), ..weekly })]]);
    assert!(shown(&clinic, "2026-11-25", "2026-11-25", "2026-11-25").is_empty());
    clinic.hours.special_openings.insert(on("2026-11-27"), sessions("10:00-13:00"));
    assert_eq!(shown(&clinic, "2026-11-25", "2026-11-25", "2026-11-25"), ["11-29 period:2026-W48 11-27 13:00"]);
}

#[test]
fn a_routine_with_a_season_plans_only_in_it() {
    let mut summer = anchored(json!({ "kind": "opening" }));
    summer.season = Some(serde_json::from_value(json!({ "from": "11-26", "until": "11-30" })).expect("a season"));
    let clinic = clinic(office(), vec![vec![version(100, summer)]]);
    assert_eq!(
        shown(&clinic, "2026-11-23", "2026-12-04", "2026-11-23"),
        ["11-26 opening 11-26 08:00", "11-27 opening 11-27 08:00", "11-30 opening 11-30 08:00"]
    );
}

#[test]
fn a_dated_week_is_in_force_from_its_day_until_the_next_one() {
    let mut clinic = one(json!({ "kind": "opening" }));
    clinic.hours.dated_weeks.insert(on("2026-11-26"), week("10:00-14:00", ""));
    clinic.hours.dated_weeks.insert(on("2026-11-30"), week("07:00-12:00", ""));
    assert_eq!(
        shown(&clinic, "2026-11-25", "2026-11-30", "2026-11-25"),
        [
            "11-25 opening 11-25 08:00",
            "11-26 opening 11-26 10:00",
            "11-27 opening 11-27 10:00",
            "11-30 opening 11-30 07:00"
        ]
    );
}

#[test]
fn a_date_of_an_older_version_that_is_moved_past_a_change_is_kept() {
    let rule = json!({ "kind": "calendar", "dates": { "rule": "FREQ=WEEKLY;BYDAY=SA", "starts_on": "2026-01-03" },
                       "place": { "kind": "opening" }, "closed_day": "next_open_day" });
    let newer = RoutineVersion {
        version: 2,
        effective_on: on("2026-11-29"),
        ..version(100, anchored(json!({ "kind": "closing" })))
    };
    let clinic = clinic(office(), vec![vec![version(100, anchored(rule)), newer]]);
    assert_eq!(
        shown(&clinic, "2026-11-28", "2026-11-30", "2026-11-28"),
        ["11-30 rule:2026-11-28 11-30 08:00", "11-30 closing 11-30 17:00"]
    );
}
