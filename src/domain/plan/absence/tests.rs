//! Each reason once, and the law that every day without a task has one.
//!
//! Expected days are counted by hand on the calendar of November and December 2026 (30 November is a Monday).

use std::collections::BTreeSet;

use proptest::prelude::*;
use serde_json::{Value, json};

use super::*;
use crate::domain::anchor::{Counted, FollowsWhen};
use crate::domain::facts::{Completed, Finished, PostedDay, Seating, SeatingEdge};
use crate::domain::fixtures::*;
use crate::domain::plan::because::RoutineNames;
use crate::domain::plan::plan;
use crate::domain::routine::{Routine, Selection};
use crate::domain::site_event::SiteEventKind;
use crate::domain::subject::{SubjectKind, WaterSource};

const SUNDAY: &str = "2026-11-29";
const MONDAY: &str = "2026-11-30";

fn anchored(anchor: Value) -> Routine {
    routine(serde_json::from_value(anchor).expect("an anchor"))
}

fn of(routines: Vec<Vec<RoutineVersion>>) -> Clinic {
    clinic(hours("UTC", week("08:00-12:00 13:00-17:00", "")), routines)
}

fn one(anchor: Value) -> Clinic {
    of(vec![vec![version(100, anchored(anchor))]])
}

fn asked(clinic: &Clinic, on_day: &str) -> Absence {
    why_nothing(clinic, id(100), &clinic.subjects[0], on(on_day), on(MONDAY))
}

#[track_caller]
fn reasons(clinic: &Clinic, on_day: &str) -> Vec<NoTask> {
    match asked(clinic, on_day) {
        Absence::Nothing(reasons) => reasons,
        Absence::Due(tasks) => panic!("due on {on_day}: {tasks:?}"),
    }
}

#[track_caller]
fn reason(clinic: &Clinic, on_day: &str) -> NoTask {
    let mut reasons = reasons(clinic, on_day);
    assert_eq!(reasons.len(), 1, "{reasons:?}");
    reasons.remove(0)
}

fn done(routine_number: u128, performed_at: &str, finished: Finished) -> Completed {
    Completed {
        completion_id: id(9),
        routine_id: id(routine_number),
        subject_id: id(10),
        performed_at: at(performed_at),
        finished,
        of_sample: false,
    }
}

fn left(mark: u128, day: &str, time: &str) -> Seating {
    let marked_at = at(&format!("{day} {time}"));
    let (mark_id, clinic_id, operatory_id) = (id(mark), id(1), id(10));
    Seating { mark_id, clinic_id, operatory_id, edge: SeatingEdge::Left, clinic_day: on(day), marked_at }
}

#[test]
fn what_is_due_is_not_explained_away() {
    let clinic = one(json!({ "kind": "opening" }));
    let Absence::Due(tasks) = asked(&clinic, MONDAY) else { panic!("the clinic opens on Monday") };
    assert_eq!(tasks, plan(&clinic, on(MONDAY), on(MONDAY), on(MONDAY)));
}

#[test]
fn the_routine_itself_may_exclude_the_day_or_the_subject() {
    let opening = || anchored(json!({ "kind": "opening" }));
    let with = |change: fn(&mut Routine)| {
        let mut routine = opening();
        change(&mut routine);
        of(vec![vec![version(100, routine)]])
    };
    let later = RoutineVersion { effective_on: on("2026-12-01"), ..version(100, opening()) };
    assert_eq!(reason(&of(vec![vec![later]]), MONDAY), NoTask::NotYet { first_on: Some(on("2026-12-01")) });
    assert_eq!(reason(&of(vec![]), MONDAY), NoTask::NotYet { first_on: None });
    assert_eq!(reason(&with(|r| r.in_use = false), MONDAY), NoTask::NotInUse { version: 1 });
    let season = serde_json::from_value(json!({ "from": "05-01", "until": "09-30" })).expect("a season");
    let mut summer = opening();
    summer.season = Some(season);
    assert_eq!(reason(&of(vec![vec![version(100, summer)]]), MONDAY), NoTask::OutOfSeason { season });
    assert_eq!(
        reason(&with(|r| r.subject_kind = SubjectKind::Steriliser), MONDAY),
        NoTask::OtherKind { wanted: SubjectKind::Steriliser, is: SubjectKind::Operatory }
    );
    let not_selected = with(|r| {
        r.selection = Selection {
            clinic_ids: Some([id(1)].into()),
            subject_ids: Some([id(11)].into()),
            water_sources: Some(vec![WaterSource::MainsAirGap]),
        };
    });
    let by = vec![SelectedBy::SubjectIds, SelectedBy::WaterSources];
    assert_eq!(reason(&not_selected, MONDAY), NoTask::NotSelected { by });
    let mut new = with(|_| {});
    new.subjects[0].commissioned_on = on("2026-12-02");
    assert_eq!(reason(&new, MONDAY), NoTask::NotCommissioned { commissioned_on: on("2026-12-02") });
    // Several at once, in order.
    let mut several = with(|r| {
        r.in_use = false;
        r.subject_kind = SubjectKind::Eyewash;
    });
    several.subjects[0].commissioned_on = on("2026-12-02");
    let kinds: Vec<_> = reasons(&several, MONDAY).iter().map(|r| json!(r)["kind"].clone()).collect();
    assert_eq!(kinds, ["not_in_use", "other_kind", "not_commissioned"]);
}

#[test]
fn a_closed_day_says_whether_a_closure_shut_it() {
    let mut clinic = one(json!({ "kind": "opening" }));
    assert_eq!(reason(&clinic, SUNDAY), NoTask::ClosedDay { closure: None });
    clinic.hours.closures.push(closure("2026-11-30 00:00", "2026-12-01 00:00", "inventory"));
    // An opening that a closure took away keeps its task, not required; an idle routine has none there.
    assert!(matches!(reason(&clinic, MONDAY), NoTask::NotRequired { reason, .. } if reason == "closed: inventory"));
    let idle = json!({ "kind": "idle", "unused_days": 2, "on": "open_days" });
    let idle = Clinic { hours: clinic.hours.clone(), ..one(idle) };
    assert_eq!(reason(&idle, MONDAY), NoTask::ClosedDay { closure: Some("inventory".to_owned()) });
    clinic.hours.week = None;
    clinic.hours.closures.clear();
    for kind in ["opening", "closing", "first_patient", "session_end"] {
        let unset = Clinic { hours: clinic.hours.clone(), ..one(json!({ "kind": kind })) };
        assert_eq!(reason(&unset, MONDAY), NoTask::HoursNeverSet {}, "{kind}");
    }
}

#[test]
fn a_task_out_of_service_is_there_and_not_required() {
    let mut clinic = one(json!({ "kind": "opening" }));
    clinic.subjects[0] = taken_out_of_service("no suction", at("2026-11-20 09:00"), operatory(10));
    assert!(
        matches!(reason(&clinic, MONDAY), NoTask::NotRequired { reason, .. } if reason == "out of service: no suction")
    );
}

#[test]
fn what_waits_for_the_desk_names_the_post() {
    let posted = |started: Option<&str>, ended: Option<&str>| PostedDay {
        started_at: started.map(|t| at(&format!("{SUNDAY} {t}"))),
        ended_at: ended.map(|t| at(&format!("{SUNDAY} {t}"))),
    };
    for kind in ["closing", "session_end"] {
        let mut clinic = one(json!({ "kind": kind }));
        assert_eq!(reason(&clinic, SUNDAY), NoTask::ClosedDay { closure: None }, "{kind}");
        clinic.facts.posted.insert(on(SUNDAY), posted(Some("09:00"), None));
        assert_eq!(reason(&clinic, SUNDAY), NoTask::NotPosted { post: Post::DayEnd }, "{kind}");
        clinic.facts.posted.insert(on(SUNDAY), posted(Some("09:00"), Some("12:00")));
        assert!(matches!(asked(&clinic, SUNDAY), Absence::Due(_)), "{kind}");
    }
    let mut cut = one(json!({ "kind": "session_end" }));
    let ended_at = at("2026-11-30 07:30");
    cut.facts.posted.insert(on(MONDAY), PostedDay { started_at: None, ended_at: Some(ended_at) });
    assert_eq!(reason(&cut, MONDAY), NoTask::EndedBeforeAnySession { ended_at });
    assert_eq!(reason(&one(json!({ "kind": "turnover" })), MONDAY), NoTask::NotPosted { post: Post::Left });
}

#[test]
fn a_rule_without_that_date_names_the_nearest_ones() {
    let weekly = |rule: &str, closed_day: &str, except: Value| {
        one(json!({ "kind": "calendar", "place": { "kind": "opening" }, "closed_day": closed_day,
                    "dates": { "rule": rule, "starts_on": "2026-01-05", "except_on": except } }))
    };
    let tuesdays = weekly("FREQ=WEEKLY;BYDAY=TU", "next_open_day", json!(["2026-12-01"]));
    let no_date = |excepted, before: &str, after: &str| NoTask::NoDate {
        rule: "FREQ=WEEKLY;BYDAY=TU".to_owned(),
        excepted,
        before_on: Some(on(before)),
        after_on: Some(on(after)),
    };
    assert_eq!(reason(&tuesdays, MONDAY), no_date(false, "2026-11-24", "2026-12-08"));
    assert_eq!(reason(&tuesdays, "2026-12-01"), no_date(true, "2026-11-24", "2026-12-08"));
    // The first 29 February from 2026 on is in 2028.
    let leap = weekly("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29", "next_open_day", json!([]));
    let NoTask::NoDate { before_on, after_on, .. } = reason(&leap, MONDAY) else { panic!("no date") };
    assert_eq!((before_on, after_on), (None, Some(on("2028-02-29"))));

    let sundays = weekly("FREQ=WEEKLY;BYDAY=SU", "next_open_day", json!([]));
    assert_eq!(reason(&sundays, SUNDAY), NoTask::Moved { to_on: on(MONDAY), by: ClosedDayRule::NextOpenDay });
    let Absence::Due(tasks) = asked(&sundays, MONDAY) else { panic!("it moved here") };
    assert_eq!(tasks[0].because.moved.expect("a move").from_on, on(SUNDAY));
    let before = weekly("FREQ=WEEKLY;BYDAY=SU", "previous_open_day", json!([]));
    assert_eq!(reason(&before, SUNDAY), NoTask::Moved { to_on: on("2026-11-27"), by: ClosedDayRule::PreviousOpenDay });
    let dropped = weekly("FREQ=WEEKLY;BYDAY=SU", "not_required", json!([]));
    assert!(matches!(reason(&dropped, SUNDAY), NoTask::NotRequired { .. }));
    let mut unset = weekly("FREQ=WEEKLY;BYDAY=SU", "next_open_day", json!([]));
    unset.hours.week = None;
    assert_eq!(reason(&unset, SUNDAY), NoTask::HoursNeverSet {});
    // It would have moved to the Friday before the chair was there.
    let mut new = before;
    new.subjects[0].commissioned_on = on("2026-11-28");
    assert_eq!(reasons(&new, SUNDAY).len(), 2);
}

#[test]
fn a_period_is_planned_for_another_day() {
    let monthly = json!({ "kind": "period", "each": "month" });
    let mut clinic = one(monthly.clone());
    let planned_for =
        |on_day: &str| NoTask::OtherDayOfPeriod { period: "2026-11".to_owned(), chosen_on: on(on_day), spread: false };
    assert_eq!(reason(&clinic, "2026-11-12"), planned_for("2026-11-30"));
    assert!(matches!(asked(&clinic, MONDAY), Absence::Due(_)));
    clinic.hours.closures.push(closure("2026-11-01 00:00", "2026-12-01 00:00", "flood"));
    assert!(
        matches!(reason(&clinic, "2026-11-12"), NoTask::NotRequired { reason, .. } if reason == "closed: all of 2026-11")
    );
    clinic.hours = Hours { week: None, closures: Vec::new(), ..clinic.hours };
    assert_eq!(reason(&clinic, "2026-11-12"), NoTask::HoursNeverSet {});
    // The version of the month's last date plans the month.
    let next = RoutineVersion {
        version: 2,
        effective_on: on("2026-11-20"),
        ..version(100, anchored(json!({ "kind": "turnover" })))
    };
    let changed = of(vec![vec![version(100, anchored(monthly)), next]]);
    assert_eq!(reason(&changed, "2026-11-12"), NoTask::LaterVersion { version: 2, effective_on: on("2026-11-20") });
}

#[test]
fn an_interval_says_what_it_counts_from_and_when_it_is_over() {
    let mut clinic = one(json!({ "kind": "interval", "every": { "days": 5 }, "place": { "kind": "opening" },
                                 "closed_day": "next_open_day" }));
    clinic.subjects[0].commissioned_on = on("2026-11-24");
    let not_over = |last: Option<&str>, from: &str, next: &str| NoTask::IntervalNotOver {
        last_done_on: last.map(on),
        counted_from: on(from),
        every: Every::Days(5),
        next_on: Some(on(next)),
    };
    // Never done: the 24th, and every five days after it; the 29th is a Sunday.
    assert_eq!(reason(&clinic, "2026-11-25"), not_over(None, "2026-11-24", MONDAY));
    assert_eq!(reason(&clinic, SUNDAY), NoTask::Moved { to_on: on(MONDAY), by: ClosedDayRule::NextOpenDay });
    clinic.facts.completions = vec![done(100, "2026-11-26 09:00", Finished::Passed)];
    assert_eq!(reason(&clinic, "2026-11-26"), not_over(Some("2026-11-26"), "2026-11-26", "2026-12-01"));
    assert_eq!(reason(&clinic, "2026-11-25"), not_over(Some("2026-11-26"), "2026-11-26", "2026-12-01"));
    assert_eq!(reason(&clinic, "2026-12-02"), not_over(Some("2026-11-26"), "2026-11-26", "2026-12-07"));

    let mut hourly = one(json!({ "kind": "interval", "every": { "opening_hours": 12 } }));
    hourly.facts.completions = vec![done(100, "2026-11-27 15:00", Finished::Passed)];
    // Two hours are left of Friday, eight on Monday, two on Tuesday.
    let expected = NoTask::IntervalNotOver {
        last_done_on: Some(on("2026-11-27")),
        counted_from: on("2026-11-27"),
        every: Every::OpeningHours(12),
        next_on: Some(on("2026-12-01")),
    };
    assert_eq!(reason(&hourly, MONDAY), expected);
    hourly.facts.completions.clear();
    hourly.hours.week = None;
    assert_eq!(reason(&hourly, MONDAY), NoTask::HoursNeverSet {});
}

/// Idle tiers: practice defaults (common practice, no source).
#[test]
fn idle_routines_say_how_long_the_chair_stood_and_which_of_them_stands_in() {
    let tier = |days: u32| json!({ "kind": "idle", "unused_days": days, "on": "open_days", "strengthens": id(100) });
    let mut clinic = of(vec![
        vec![version(100, anchored(json!({ "kind": "opening" })))],
        vec![version(101, anchored(tier(2)))],
        vec![version(102, anchored(tier(5)))],
    ]);
    clinic.facts.seatings = vec![left(1, "2026-11-26", "16:00")];
    let (last_used_on, friday) = (on("2026-11-26"), "2026-11-27");
    assert_eq!(reason(&clinic, MONDAY), NoTask::IdleInstead { routine_id: id(101), last_used_on, unused_days: 3 });
    let of_tier =
        |number, on_day: &str| match why_nothing(&clinic, id(number), &clinic.subjects[0], on(on_day), on(on_day)) {
            Absence::Nothing(reasons) => reasons,
            Absence::Due(tasks) => panic!("{tasks:?}"),
        };
    let too_short = |unused_days, wanted_days| {
        vec![NoTask::NotUnusedForLong { last_used_on, recorded: true, unused_days, wanted_days, repeats: false }]
    };
    assert_eq!(of_tier(101, friday), too_short(0, 2));
    // The other tier won on Monday, but this one had not even come up.
    assert_eq!(of_tier(102, MONDAY), [NoTask::IdleInstead { routine_id: id(101), last_used_on, unused_days: 3 }]);

    let moving = json!({ "kind": "idle", "unused_days": 6, "on": "every_day", "place": { "kind": "opening" } });
    let mut outlet =
        of(vec![vec![version(100, Routine { subject_kind: SubjectKind::PremisesOutlet, ..anchored(moving) })]]);
    outlet.subjects = vec![Subject { commissioned_on: on("2026-11-16"), ..subject(10, SubjectKind::PremisesOutlet) }];
    let stood = |unused_days| NoTask::NotUnusedForLong {
        last_used_on: on("2026-11-16"),
        recorded: true,
        unused_days,
        wanted_days: 6,
        repeats: true,
    };
    assert_eq!(reason(&outlet, "2026-11-16"), stood(0));
    assert_eq!(reason(&outlet, "2026-11-20"), stood(3));
    assert!(matches!(asked(&outlet, "2026-11-23"), Absence::Due(_)));
    assert_eq!(reason(&outlet, "2026-11-24"), stood(7));
}

#[test]
fn what_happens_has_not_happened() {
    let mut counted = one(json!({ "kind": "count", "of": "turnovers", "every": 3 }));
    counted.facts.seatings =
        vec![left(1, "2026-11-27", "10:00"), left(2, MONDAY, "10:00"), left(3, "2026-12-01", "9:00")];
    let so_far =
        |counted, due_at_number| NoTask::CountedOnly { of: Counted::Turnovers, counted, every: 3, due_at_number };
    assert_eq!(reason(&counted, "2026-11-27"), so_far(1, 3));
    assert_eq!(reason(&counted, MONDAY), so_far(2, 3));
    assert!(matches!(asked(&counted, "2026-12-01"), Absence::Due(_)));
    counted.facts.counted_before.insert((id(100), id(10)), 40);
    assert_eq!(reason(&counted, "2026-11-26"), so_far(40, 42));

    let of = BTreeSet::from([SiteEventKind::Repair, SiteEventKind::ProductRecall]);
    let event = one(json!({ "kind": "event", "of": of }));
    assert_eq!(reason(&event, MONDAY), NoTask::NoSuchEvent { of });

    let mut follows = one(json!({ "kind": "follows", "routine_id": id(200), "when": "failed" }));
    follows.facts.completions = vec![done(200, "2026-11-30 10:00", Finished::Passed)];
    let nothing = NoTask::NothingToFollow { routine_id: id(200), when: FollowsWhen::Failed };
    assert_eq!(reason(&follows, MONDAY), nothing);
}

#[test]
fn a_reason_reads_as_a_sentence() {
    let names = RoutineNames([(id(101), "Long flush".to_owned())].into());
    let zone = zone("Europe/London");
    let read = |reason: NoTask| reason.sentence(&zone, &names);
    let instead = NoTask::IdleInstead { routine_id: id(101), last_used_on: on("2026-11-26"), unused_days: 3 };
    assert_eq!(
        read(instead),
        "It was last used on 2026-11-26; after 3 whole days without use \u{201c}Long flush\u{201d} takes its place."
    );
    let ended_at = at("2026-07-01 07:30");
    assert_eq!(
        read(NoTask::EndedBeforeAnySession { ended_at }),
        "The desk posted the end of the day at 08:30 on 2026-07-01, before any session opened."
    );
    let nothing = NoTask::NothingToFollow { routine_id: id(1), when: FollowsWhen::Passed };
    assert_eq!(read(nothing), "It follows another routine, and none that passed was performed that day.");
    let not_selected = NoTask::NotSelected { by: vec![SelectedBy::ClinicIds, SelectedBy::WaterSources] };
    assert_eq!(
        read(not_selected),
        "The routine does not select it, by the clinic it stands in and by the water source."
    );
}

proptest! {
    /// The law: a day has either the plan's tasks or a reason, never both and never neither.
    #[test]
    fn every_day_without_a_task_has_a_reason(clinic in any_clinic(on("2026-10-20"), 14), day in 0..20_u64) {
        let (first, today) = (on("2026-10-20"), on("2026-10-24"));
        let on = first + Days::new(day);
        let planned = plan(&clinic, on, on, today);
        for versions in &clinic.routines {
            for subject in &clinic.subjects {
                let routine_id = versions[0].routine_id;
                let wanted: Vec<_> = planned
                    .iter()
                    .filter(|t| (t.routine_id, t.subject_id) == (routine_id, subject.id) && t.not_required.is_none())
                    .filter(|t| day_of(t) == on)
                    .map(|t| t.id)
                    .collect();
                match why_nothing(&clinic, routine_id, subject, on, today) {
                    Absence::Due(tasks) => {
                        let mut ids: Vec<_> = tasks.iter().map(|t| t.id).collect();
                        ids.sort_unstable();
                        prop_assert_eq!(ids, wanted);
                    }
                    Absence::Nothing(reasons) => {
                        prop_assert!(wanted.is_empty(), "{:?} although {:?}", reasons, wanted);
                        prop_assert!(!reasons.is_empty());
                        for reason in reasons {
                            prop_assert!(!reason.sentence(&clinic.hours.zone, &RoutineNames::default()).is_empty());
                            // Where a reason names a day instead, the plan has the task there.
                            if let NoTask::Moved { to_on, .. } | NoTask::OtherDayOfPeriod { chosen_on: to_on, .. } = reason {
                                let there = plan(&clinic, to_on, to_on, today);
                                prop_assert!(there.iter().any(|t| (t.routine_id, t.subject_id) == (routine_id, subject.id)));
                            }
                        }
                    }
                }
            }
        }
    }
}
