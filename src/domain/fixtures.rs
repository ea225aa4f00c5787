//! Small builders and strategies for the domain's tests.
//!
//! The rule of this file: whatever a test does not name is the plainest thing there is (in use, in service, UTC), so
//! that the lines of a test are what the test is about.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Days, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Utc};
use proptest::prelude::*;
use uuid::Uuid;

use super::anchor::{Anchor, ClosedDayRule, Counted, Every, IdleOn, Place};
use super::facts::{Facts, PostedDay, Seating, SeatingEdge};
use super::hours::{Closure, Hours, Session, Week};
use super::ladder::{Audience, CountedIn, Ladder, Rung};
use super::limit::{Limit, Operator, Seen, SetBy, Source};
use super::plan::Clinic;
use super::recurrence::Recurrence;
use super::routine::{BlocksFrom, Routine, RoutineVersion, Selection, Window};
use super::step::{OnFailure, Part, Step, StepEvidence};
use super::subject::{ServiceState, Spell, Subject, SubjectKind, WaterSource};
use super::zone::Zone;

pub(super) fn on(text: &str) -> NaiveDate {
    text.parse().expect("YYYY-MM-DD")
}

/// An instant, written `2026-11-30 08:00` in UTC.
pub(super) fn at(text: &str) -> DateTime<Utc> {
    local_time(text).and_utc()
}

pub(super) fn local_time(text: &str) -> NaiveDateTime {
    NaiveDateTime::parse_from_str(text, "%Y-%m-%d %H:%M").expect("YYYY-MM-DD HH:MM")
}

pub(super) fn minutes(count: i64) -> TimeDelta {
    TimeDelta::minutes(count)
}

pub(super) fn zone(name: &str) -> Zone {
    name.parse().expect("a zone")
}

pub(super) fn id(number: u128) -> Uuid {
    Uuid::from_u128(number)
}

/// Sessions written `08:00-12:00 13:00-17:00`.
pub(super) fn sessions(text: &str) -> Vec<Session> {
    let time = |text: &str| NaiveTime::parse_from_str(text, "%H:%M").expect("HH:MM");
    let session = |text: &str| {
        let (opens, closes) = text.split_once('-').expect("HH:MM-HH:MM");
        Session { opens: time(opens), closes: time(closes) }
    };
    text.split_whitespace().map(session).collect()
}

/// The same sessions from Monday to Friday, and other ones at the weekend.
pub(super) fn week(working_days: &str, weekend: &str) -> Week {
    Week {
        monday: sessions(working_days),
        tuesday: sessions(working_days),
        wednesday: sessions(working_days),
        thursday: sessions(working_days),
        friday: sessions(working_days),
        saturday: sessions(weekend),
        sunday: sessions(weekend),
    }
}

pub(super) fn hours(zone_name: &str, week: Week) -> Hours {
    Hours {
        zone: zone(zone_name),
        week: Some(week),
        dated_weeks: BTreeMap::new(),
        closures: Vec::new(),
        special_openings: BTreeMap::new(),
    }
}

pub(super) fn closure(from: &str, until: &str, reason: &str) -> Closure {
    Closure { from: local_time(from), until: local_time(until), reason: reason.to_owned() }
}

pub(super) fn subject(number: u128, kind: SubjectKind) -> Subject {
    Subject {
        id: id(number),
        clinic_id: id(1),
        kind,
        name: format!("subject {number}"),
        water_source: None,
        circuits: Vec::new(),
        suction_lines: Vec::new(),
        service: ServiceState::InService,
        commissioned_on: on("2020-01-01"),
        spells: Vec::new(),
    }
}

pub(super) fn operatory(number: u128) -> Subject {
    Subject {
        water_source: Some(WaterSource::OwnReservoir),
        circuits: vec!["handpiece-1".to_owned(), "syringe".to_owned()],
        suction_lines: vec!["suction-high".to_owned()],
        ..subject(number, SubjectKind::Operatory)
    }
}

pub(super) fn taken_out_of_service(reason: &str, since: DateTime<Utc>, subject: Subject) -> Subject {
    Subject {
        service: ServiceState::OutOfService { reason: reason.to_owned(), since },
        spells: vec![Spell { from: since, until: None, reason: reason.to_owned() }],
        ..subject
    }
}

pub(super) fn common_practice() -> Source {
    Source {
        title: "common practice".to_owned(),
        edition: "none".to_owned(),
        locator: String::new(),
        seen: Seen::CommonPractice,
    }
}

pub(super) fn limit(operator: Operator, value: i64, unit: &str) -> Limit {
    Limit {
        operator,
        value: value.into(),
        unit: unit.to_owned(),
        source: common_practice(),
        effective_from: None,
        effective_until: None,
        set_by: SetBy::Default,
        jurisdiction: String::new(),
        legal: false,
    }
}

pub(super) fn confirmation(key: &str) -> Step {
    Step {
        key: key.to_owned(),
        instruction: format!("Do the step {key}"),
        for_each: None,
        required: true,
        cycle: None,
        evidence: StepEvidence::Confirmation {},
    }
}

pub(super) fn hold(key: &str, minimum_seconds: u32) -> Step {
    Step {
        evidence: StepEvidence::Hold {
            minimum_seconds,
            maximum_seconds: None,
            source: common_practice(),
            minimum_from: None,
        },
        ..confirmation(key)
    }
}

/// A reading in CFU/mL whose result may follow.
pub(super) fn sample(key: &str, limits: Vec<Limit>, on_failure: OnFailure) -> Step {
    let unit = "[CFU]/mL".to_owned();
    Step {
        evidence: StepEvidence::Reading { unit, limits, on_failure, result_may_follow: true, needs_instrument: false },
        ..confirmation(key)
    }
}

pub(super) fn for_each(part: Part, step: Step) -> Step {
    Step { for_each: Some(part), ..step }
}

/// From an hour before the anchor, due at it, ten minutes of grace, four hours until it is missed.
pub(super) const WINDOW: Window =
    Window { may_start_minutes: -60, due_by_minutes: 0, overdue_minutes: 10, missed_minutes: 240 };

/// A routine of one step on every operatory.
pub(super) fn routine(anchor: Anchor) -> Routine {
    Routine {
        name: "Flush the waterlines".to_owned(),
        subject_kind: SubjectKind::Operatory,
        selection: Selection::default(),
        anchor,
        window: WINDOW,
        blocks_from: Some(BlocksFrom::DueBy),
        steps: vec![confirmation("flush")],
        sources: vec![common_practice()],
        cautions: Vec::new(),
        rough_minutes: 5,
        family: None,
        ladder: None,
        season: None,
        on_fail: None,
        on_miss: None,
        counts_as_use: false,
        runs_mains_water: false,
        in_use: true,
    }
}

/// Version 1 of a routine, in force from ever.
pub(super) fn version(routine_number: u128, routine: Routine) -> RoutineVersion {
    RoutineVersion { routine_id: id(routine_number), version: 1, effective_on: on("2020-01-01"), routine }
}

pub(super) fn calendar(rule: &str, starts_on: &str, place: Place, closed_day: ClosedDayRule) -> Anchor {
    Anchor::Calendar { dates: Recurrence::new(rule, on(starts_on)), place, closed_day }
}

pub(super) fn noon() -> Place {
    Place::LocalTime { at: NaiveTime::from_hms_opt(12, 0, 0).expect("noon") }
}

/// One operatory, number 10, and the practice's own ladder.
pub(super) fn clinic(hours: Hours, routines: Vec<Vec<RoutineVersion>>) -> Clinic {
    Clinic {
        hours,
        full_days: BTreeSet::new(),
        ladder: Ladder::default(),
        routines,
        first_days: BTreeMap::new(),
        subjects: vec![operatory(10)],
        facts: Facts::default(),
    }
}

/// Zones whose clocks change in every way there is: an hour at night (New York, London), half an hour (Lord Howe), at
/// midnight (Santiago, Cairo), at midnight backwards over the date (Nuuk), never (Kathmandu).
const ZONES: [&str; 8] = [
    "America/New_York",
    "Europe/London",
    "Australia/Lord_Howe",
    "America/Santiago",
    "Africa/Cairo",
    "America/Nuuk",
    "Asia/Kathmandu",
    "UTC",
];

pub(super) fn any_zone() -> impl Strategy<Value = Zone> {
    prop::sample::select(&ZONES[..]).prop_map(zone)
}

/// A day of two years in which every zone above that changes its clocks does so four times.
pub(super) fn any_day() -> impl Strategy<Value = NaiveDate> {
    (0..730_u64).prop_map(|days| on("2026-01-01") + Days::new(days))
}

/// Up to three sessions between 05:00 and 05:00 of the next day; none is a closed day.
pub(super) fn any_sessions() -> impl Strategy<Value = Vec<Session>> {
    let time = |minute: i64| NaiveTime::MIN.overflowing_add_signed(TimeDelta::minutes(minute)).0;
    prop::collection::btree_set(60..=348_i64, 0..=6).prop_map(move |fives| {
        let ends: Vec<i64> = fives.into_iter().map(|n| n * 5).collect();
        ends.chunks_exact(2)
            .filter(|pair| pair[0] < 1440)
            .map(|pair| Session { opens: time(pair[0]), closes: time(pair[1]) })
            .collect()
    })
}

pub(super) fn any_week() -> impl Strategy<Value = Week> {
    let drawn = prop::collection::vec(any_sessions(), 7).prop_map(|mut days| Week {
        monday: days.remove(0),
        tuesday: days.remove(0),
        wednesday: days.remove(0),
        thursday: days.remove(0),
        friday: days.remove(0),
        saturday: days.remove(0),
        sunday: days.remove(0),
    });
    prop_oneof![8 => drawn, 1 => Just(week("00:00-00:00", "00:00-00:00")), 1 => Just(week("08:00-17:00", ""))]
}

/// A closure of hours or days that begins within `days` days of `first`.
pub(super) fn any_closure(first: NaiveDate, days: i64) -> impl Strategy<Value = Closure> {
    let whole = (0..days, 1..6_i64, "(holiday|flood|course)").prop_map(move |(from, length, reason)| {
        let from = first.and_time(NaiveTime::MIN) + TimeDelta::days(from);
        Closure { from, until: from + TimeDelta::days(length), reason }
    });
    let part = (0..days * 24, 1..20_i64, "(power|staff meeting)").prop_map(move |(from, length, reason)| {
        let from = first.and_time(NaiveTime::MIN) + TimeDelta::hours(from);
        Closure { from, until: from + TimeDelta::hours(length), reason }
    });
    prop_oneof![whole, part]
}

/// Hours with exceptions within `days` days of `first`.
pub(super) fn any_hours(first: NaiveDate, days: i64) -> impl Strategy<Value = Hours> {
    let closures = prop::collection::vec(any_closure(first, days), 0..4);
    let special =
        (0..days.unsigned_abs(), any_sessions()).prop_map(move |(n, sessions)| (first + Days::new(n), sessions));
    let specials = prop::collection::vec(special, 0..3);
    (any_zone(), any_week(), closures, specials).prop_map(|(zone, week, closures, specials)| Hours {
        zone,
        week: Some(week),
        dated_weeks: BTreeMap::new(),
        closures,
        special_openings: specials.into_iter().collect(),
    })
}

pub(super) fn any_ladder() -> impl Strategy<Value = Ladder> {
    let rung = (
        0..3_000_u32,
        prop::sample::select(vec![CountedIn::ElapsedTime, CountedIn::OpeningTime]),
        prop::sample::select(vec![Audience::Chairside, Audience::ClinicLead, Audience::GroupManager]),
    )
        .prop_map(|(after_minutes, counted_in, audience)| Rung { after_minutes, counted_in, audience });
    prop::collection::vec(rung, 0..5).prop_map(|rungs| Ladder { rungs })
}

pub(super) fn any_window() -> impl Strategy<Value = Window> {
    (-1_500..1_500_i32, 0..300_i32, 0..300_i32, 1..3_000_i32).prop_map(|(start, due, grace, rest)| Window {
        may_start_minutes: start,
        due_by_minutes: start + due,
        overdue_minutes: start + due + grace,
        missed_minutes: start + due + grace + rest,
    })
}

const RULES: [&str; 4] =
    ["FREQ=DAILY", "FREQ=WEEKLY;BYDAY=MO,SU", "FREQ=DAILY;INTERVAL=3", "FREQ=MONTHLY;BYMONTHDAY=1,-1"];

pub(super) fn any_anchor() -> impl Strategy<Value = Anchor> {
    let place = prop::sample::select(vec![noon(), Place::Opening {}, Place::Closing {}]);
    let closed_day = prop::sample::select(vec![
        ClosedDayRule::PreviousOpenDay,
        ClosedDayRule::NextOpenDay,
        ClosedDayRule::NotRequired,
    ]);
    let days = (2..9_u32, place.clone(), closed_day.clone()).prop_map(|(days, place, closed_day)| Anchor::Interval {
        every: Every::Days(days),
        place: Some(place),
        closed_day: Some(closed_day),
    });
    let idle = (1..5_u32, prop::bool::ANY).prop_map(|(unused_days, strengthens)| Anchor::Idle {
        unused_days,
        on: IdleOn::OpenDays,
        strengthens: strengthens.then_some(id(100)),
        place: None,
    });
    let kept_moving = (1..5_u32, place.clone()).prop_map(|(unused_days, place)| Anchor::Idle {
        unused_days,
        on: IdleOn::EveryDay,
        strengthens: None,
        place: Some(place),
    });
    prop_oneof![
        1 => Just(Anchor::FirstPatient {}),
        1 => Just(Anchor::SessionEnd {}),
        1 => (10..40_u32).prop_map(|hours| Anchor::Interval {
            every: Every::OpeningHours(hours),
            place: None,
            closed_day: None,
        }),
        1 => (1..4_u32).prop_map(|every| Anchor::Count { of: Counted::Turnovers, every }),
        1 => days,
        1 => idle,
        1 => kept_moving,
        2 => Just(Anchor::Opening {}),
        2 => Just(Anchor::Closing {}),
        1 => Just(Anchor::Turnover {}),
        4 => (prop::sample::select(&RULES[..]), place, closed_day)
            .prop_map(|(rule, place, closed_day)| calendar(rule, "2026-01-05", place, closed_day)),
    ]
}

/// One to three versions of a routine, the later ones in force from within `days` days of `first`.
fn any_versions(number: u128, first: NaiveDate, days: u64) -> impl Strategy<Value = Vec<RoutineVersion>> {
    let content = (any_anchor(), any_window(), prop::option::of(any_ladder()), prop::bool::weighted(0.9))
        .prop_map(|(anchor, window, ladder, in_use)| Routine { window, ladder, in_use, ..routine(anchor) });
    prop::collection::vec((content, 0..days), 1..=3).prop_map(move |drafts| {
        let versions = drafts.into_iter().zip(1..).map(|((routine, from), number_of_version)| RoutineVersion {
            version: number_of_version,
            effective_on: if number_of_version == 1 { on("2020-01-01") } else { first + Days::new(from) },
            ..version(number, routine)
        });
        versions.collect()
    })
}

/// A clinic with everything that can change a plan, busy within `days` days of `first`.
pub(super) fn any_clinic(first: NaiveDate, days: u32) -> impl Strategy<Value = Clinic> {
    let span = u64::from(days);
    let instant =
        move |(day, minute): (u64, i64)| (first + Days::new(day)).and_time(NaiveTime::MIN).and_utc() + minutes(minute);
    let moment = (0..span, 0..1440_i64);
    let chair = move |number| {
        prop::option::weighted(0.3, moment.clone()).prop_map(move |since| match since {
            Some(moment) => taken_out_of_service("no compressed air", instant(moment), operatory(number)),
            None => operatory(number),
        })
    };
    let posted =
        (0..span, prop::option::of(0..900_i64), prop::option::of(900..1500_i64)).prop_map(move |(day, start, end)| {
            let posted =
                PostedDay { started_at: start.map(|m| instant((day, m))), ended_at: end.map(|m| instant((day, m))) };
            (first + Days::new(day), posted)
        });
    let turnover =
        (0..span, 0..1440_i64, 10..13_u128, any::<u128>()).prop_map(move |(day, minute, chair, mark)| Seating {
            mark_id: id(mark),
            clinic_id: id(1),
            operatory_id: id(chair),
            edge: SeatingEdge::Left,
            clinic_day: first + Days::new(day),
            marked_at: instant((day, minute)),
        });
    (
        any_hours(first, days.into()),
        any_ladder(),
        (any_versions(100, first, span), any_versions(101, first, span), any_versions(102, first, span)),
        (chair(10), chair(11), chair(12)),
        prop::collection::vec(posted, 0..4),
        prop::collection::vec(turnover, 0..5),
    )
        .prop_map(|(hours, ladder, routines, chairs, posted, turnovers)| Clinic {
            ladder,
            subjects: vec![chairs.0, chairs.1, chairs.2],
            facts: Facts { posted: posted.into_iter().collect(), seatings: turnovers, ..Facts::default() },
            ..clinic(hours, vec![routines.0, routines.1, routines.2])
        })
}
