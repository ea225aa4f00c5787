//! What a record lacked at instants gone by.

use chrono::TimeDelta;

use super::*;
use crate::domain::fixtures::{at, id, on, operatory};
use crate::domain::subject::Spell;
use crate::domain::task::Slot;

/// A blocking task of the 30th: from 07:00, due by 08:00, missed at 12:00.
fn task(turns: &[(&str, Option<Outcome>, bool)]) -> PastTask {
    let hour = |hour: i64| at("2026-11-30 00:00") + TimeDelta::hours(hour);
    PastTask {
        id: TaskId::derive(id(1), id(10), on("2026-11-30"), &Slot::Opening),
        routine_id: id(1),
        routine_name: "opening flush".to_owned(),
        times: Times {
            anchor_at: hour(8),
            due_from: hour(7),
            due_by: hour(8),
            overdue_at: hour(9),
            missed_at: hour(12),
            blocks_at: Some(hour(7)),
            rungs: Vec::new(),
        },
        rests_from: None,
        turns: turns
            .iter()
            .map(|(when, outcome, failed)| Turn { at: at(when), outcome: *outcome, failed: *failed })
            .collect(),
    }
}

fn past(tasks: Vec<PastTask>) -> Past {
    let version = AskingVersion { version: 1, effective_on: on("2026-01-01"), asks: true };
    Past {
        subject: operatory(10),
        places: Vec::new(),
        tasks,
        versions: BTreeMap::from([(id(1), vec![version])]),
        quarantines: Vec::new(),
        advisories: Vec::new(),
    }
}

/// (from, the lack) of each interval of the 30th.
fn told(past: &Past) -> Vec<(String, Option<Lack>)> {
    let intervals = past.intervals(at("2026-11-30 00:00"), at("2026-12-01 00:00"));
    let ends: Vec<_> = intervals.iter().skip(1).map(|i| i.from).collect();
    assert_eq!(intervals.iter().take(ends.len()).map(|i| i.until).collect::<Vec<_>>(), ends, "no gap between them");
    intervals
        .iter()
        .map(|i| (i.from.format("%H:%M").to_string(), i.readiness.missing.first().map(|m| m.lack)))
        .collect()
}

fn expect(past: &Past, expected: &[(&str, Option<Lack>)]) {
    let expected: Vec<_> = expected.iter().map(|(from, lack)| ((*from).to_owned(), *lack)).collect();
    assert_eq!(told(past), expected);
}

#[test]
fn a_good_record_that_was_taken_back_was_good_until_then() {
    let turns = [
        ("2026-11-30 07:30", None, true),
        ("2026-11-30 08:10", Some(Outcome::Done), false),
        ("2026-11-30 10:40", None, true),
    ];
    expect(
        &past(vec![task(&turns)]),
        &[
            ("00:00", None),
            ("07:00", Some(Lack::RecordMissing)),
            ("07:30", Some(Lack::Failed)),
            ("08:10", None),
            ("10:40", Some(Lack::Failed)),
            ("12:00", Some(Lack::Missed)),
        ],
    );
}

#[test]
fn what_the_plan_took_back_lacks_nothing_from_then_on() {
    let mut closed = task(&[]);
    closed.rests_from = Some(at("2026-11-30 07:20"));
    expect(&past(vec![closed]), &[("00:00", None), ("07:00", Some(Lack::RecordMissing)), ("07:20", None)]);
}

#[test]
fn a_version_that_does_not_ask_lacks_nothing_while_it_is_in_force() {
    let mut past = past(vec![task(&[])]);
    let of = |version, effective_on, asks| AskingVersion { version, effective_on: on(effective_on), asks };
    past.versions.insert(id(1), vec![of(1, "2026-01-01", true), of(2, "2026-11-30", false), of(3, "2026-12-05", true)]);
    expect(&past, &[("00:00", None)]);
    assert!(!past.at(at("2026-12-05 00:00")).is_ready());
}

#[test]
fn the_subject_is_taken_where_it_stood_and_as_it_was_then() {
    let mut past = past(Vec::new());
    past.subject.spells = vec![Spell {
        from: at("2026-11-30 09:00"),
        until: Some(at("2026-11-30 11:00")),
        reason: "no suction".to_owned(),
    }];
    past.places = vec![
        Place { from: at("2026-11-01 00:00"), clinic_id: id(7), water_source: Some(WaterSource::MainsAirGap) },
        Place { from: at("2026-11-30 14:00"), clinic_id: id(7), water_source: Some(WaterSource::OwnReservoir) },
        Place { from: at("2026-11-30 15:00"), clinic_id: id(8), water_source: Some(WaterSource::MainsAirGap) },
    ];
    past.advisories = vec![WaterAdvisory {
        advisory_id: id(3),
        clinic_id: id(7),
        authority: "Saltmarrow Water".to_owned(),
        notice_number: String::new(),
        area: String::new(),
        note: String::new(),
        started_at: at("2026-11-30 06:00"),
        recorded_at: at("2026-11-30 13:00"),
        opened_by: "MO".to_owned(),
        staff_id: None,
        key_id: id(4),
        lifting: None,
    }];
    let ready: Vec<_> = past
        .intervals(at("2026-11-30 00:00"), at("2026-12-01 00:00"))
        .iter()
        .map(|i| (i.from.format("%H").to_string(), i.readiness.is_ready()))
        .collect();
    let expected = [("00", true), ("09", false), ("11", true), ("13", false), ("14", true)];
    assert_eq!(ready, expected.map(|(hour, is_ready)| (hour.to_owned(), is_ready)));
}

#[test]
fn a_record_is_asked_for_during_four_hundred_days() {
    let past = past(vec![task(&[])]);
    // 2026-11-30 and 400 days are 2028-01-04 (Gregorian calendar).
    assert!(!past.at(at("2028-01-04 23:59")).is_ready());
    assert!(past.at(at("2028-01-05 00:00")).is_ready());
}
