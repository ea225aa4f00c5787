//! Sessions of clinic days: exceptions, midnight, clock changes, and the laws of opening time.

use proptest::sample::Index;

use super::*;
use crate::domain::fixtures::*;
use proptest::prelude::*;

/// Sessions as text, in UTC: `08:00-12:00 13:00-17:00`, with the day where it is not the clinic day.
fn shown(day: &ClinicDay) -> String {
    let end = |at: DateTime<Utc>| {
        let days = (at.date_naive() - day.date).num_days();
        let shift = if days == 0 { String::new() } else { format!("{days:+}d") };
        format!("{}{shift}", at.format("%H:%M"))
    };
    day.sessions.iter().map(|(a, b)| format!("{}-{}", end(*a), end(*b))).collect::<Vec<_>>().join(" ")
}

fn length_minutes(day: &ClinicDay) -> i64 {
    day.sessions.iter().map(|(opens, closes)| (*closes - *opens).num_minutes()).sum()
}

#[test]
fn a_day_has_the_sessions_of_its_weekday() {
    // 2026-11-30 is a Monday.
    for (working_days, weekend, date, expected) in [
        ("08:00-17:00", "", "2026-11-30", "08:00-17:00"),
        ("08:00-12:00 13:00-17:00", "", "2026-11-30", "08:00-12:00 13:00-17:00"),
        ("08:00-17:00", "", "2026-11-29", ""),
        ("08:00-17:00", "10:00-12:00", "2026-11-29", "10:00-12:00"),
        ("18:00-02:00", "", "2026-11-30", "18:00-02:00+1d"),
        ("00:00-00:00", "", "2026-11-30", "00:00-00:00+1d"),
        ("07:00-07:00", "", "2026-11-30", "07:00-07:00+1d"),
    ] {
        let day = hours("UTC", week(working_days, weekend)).day(on(date));
        assert_eq!(shown(&day), expected, "{working_days} / {weekend} on {date}");
        assert_eq!(day.is_open(), !expected.is_empty());
        assert_eq!(day.closed_by, None, "nothing but a closure closes by a reason");
    }
}

#[test]
fn a_clinic_without_a_week_is_open_on_special_days_only() {
    let mut hours = Hours { week: None, ..hours("UTC", Week::default()) };
    hours.special_openings.insert(on("2026-12-01"), sessions("09:00-11:00"));
    assert_eq!(shown(&hours.day(on("2026-11-30"))), "");
    assert_eq!(shown(&hours.day(on("2026-12-01"))), "09:00-11:00");
}

#[test]
fn a_closure_takes_its_part_of_the_day_and_names_itself_when_nothing_is_left() {
    for (from, until, expected, closed_by) in [
        ("2026-11-30 00:00", "2026-12-01 00:00", "", Some("flood")),
        ("2026-11-30 08:00", "2026-11-30 17:00", "", Some("flood")),
        ("2026-11-30 10:00", "2026-11-30 11:00", "08:00-10:00 11:00-12:00 13:00-17:00", None),
        ("2026-11-30 11:00", "2026-11-30 15:00", "08:00-11:00 15:00-17:00", None),
        ("2026-11-30 12:00", "2026-11-30 13:00", "08:00-12:00 13:00-17:00", None),
        ("2026-11-30 13:00", "2026-12-02 00:00", "08:00-12:00", None),
        ("2026-11-20 00:00", "2026-11-30 13:00", "13:00-17:00", None),
        ("2026-11-20 00:00", "2026-11-30 00:00", "08:00-12:00 13:00-17:00", None),
        ("2026-12-01 00:00", "2026-12-09 00:00", "08:00-12:00 13:00-17:00", None),
    ] {
        let mut hours = hours("UTC", week("08:00-12:00 13:00-17:00", ""));
        hours.closures.push(closure(from, until, "flood"));
        let day = hours.day(on("2026-11-30"));
        assert_eq!(shown(&day), expected, "{from} to {until}");
        assert_eq!(day.closed_by.as_deref(), closed_by, "{from} to {until}");
    }
}

#[test]
fn a_closure_of_the_next_date_ends_a_late_session_at_midnight() {
    let mut hours = hours("UTC", week("18:00-02:00", ""));
    hours.closures.push(closure("2026-12-01 00:00", "2026-12-02 00:00", "holiday"));
    assert_eq!(shown(&hours.day(on("2026-11-30"))), "18:00-00:00+1d");
}

#[test]
fn an_ordinary_closed_day_is_not_closed_by_the_closure_that_spans_it() {
    let mut hours = hours("UTC", week("08:00-17:00", ""));
    hours.closures.push(closure("2026-11-27 00:00", "2026-12-01 00:00", "holiday"));
    assert_eq!(hours.day(on("2026-11-29")).closed_by, None);
    assert_eq!(hours.day(on("2026-11-30")).closed_by.as_deref(), Some("holiday"));
}

/// The rule stands at [`Hours::special_openings`].
#[test]
fn a_special_opening_beats_the_week_and_whole_closures_and_yields_to_partial_ones() {
    for (closures, expected) in [
        (vec![], "10:00-14:00"),
        (vec![closure("2026-11-30 00:00", "2026-12-01 00:00", "holiday")], "10:00-14:00"),
        (vec![closure("2026-11-01 00:00", "2026-12-31 00:00", "works")], "10:00-14:00"),
        (vec![closure("2026-11-30 12:00", "2026-11-30 13:00", "power")], "10:00-12:00 13:00-14:00"),
        (vec![closure("2026-11-30 12:00", "2026-12-05 00:00", "power")], "10:00-12:00"),
    ] {
        let mut hours = hours("UTC", week("08:00-17:00", ""));
        hours.special_openings.insert(on("2026-11-30"), sessions("10:00-14:00"));
        hours.closures = closures;
        assert_eq!(shown(&hours.day(on("2026-11-30"))), expected, "{:?}", hours.closures);
    }
}

#[test]
fn the_reason_of_a_day_that_two_closures_shut_does_not_hang_on_their_order() {
    let morning = closure("2026-11-30 00:00", "2026-11-30 12:00", "power");
    let rest = closure("2026-11-30 12:00", "2026-12-01 00:00", "flood");
    let reason = |closures| Hours { closures, ..hours("UTC", week("08:00-17:00", "")) }.day(on("2026-11-30")).closed_by;
    assert_eq!(reason(vec![morning.clone(), rest.clone()]).as_deref(), Some("flood"));
    assert_eq!(reason(vec![rest, morning]).as_deref(), Some("flood"));
}

/// Days of clock changes. Published: United States, Energy Policy Act of 2005, s. 110 (second Sunday of March, first
/// of November, 02:00 local); United Kingdom, Summer Time Order 2002 (last Sundays of March and October, 01:00 UTC);
/// Lord Howe Island, IANA tz database, file `australasia` (first Sundays of April and October, 02:00, half an hour).
/// All three from memory; the lengths were also read from the system's zone files with Python's `zoneinfo`.
#[test]
fn a_whole_day_is_as_long_as_its_clocks_make_it() {
    for (zone_name, date, expected) in [
        ("America/New_York", "2026-03-08", 23 * 60),
        ("America/New_York", "2026-11-01", 25 * 60),
        ("America/New_York", "2026-11-02", 24 * 60),
        ("Europe/London", "2026-03-29", 23 * 60),
        ("Europe/London", "2026-10-25", 25 * 60),
        ("Australia/Lord_Howe", "2026-04-05", 24 * 60 + 30),
        ("Australia/Lord_Howe", "2026-10-04", 23 * 60 + 30),
    ] {
        let hours = hours(zone_name, week("00:00-00:00", "00:00-00:00"));
        assert_eq!(length_minutes(&hours.day(on(date))), expected, "{zone_name} on {date}");
        let next = hours.day(on(date) + Days::new(1));
        assert_eq!(hours.day(on(date)).closes_at(), next.opens_at(), "whole days leave no time between them");
    }
}

/// RFC 5545 section 3.3.5 (read): a local time in a gap takes the offset before the gap; of two equal ones the first
/// is meant. New York's clocks skip 02:00-03:00 EST on 2026-03-08 and show 01:00-02:00 twice on 2026-11-01.
#[test]
fn sessions_at_a_clock_change_follow_the_gap_and_fold_rule() {
    for (weekend, date, expected, why) in [
        ("02:00-06:00", "2026-03-08", "07:00-10:00", "02:00 does not exist; it lands on 03:00 EDT"),
        ("02:30-06:00", "2026-03-08", "07:30-10:00", "02:30 lands on 03:30 EDT"),
        ("02:00-03:00", "2026-03-08", "", "a session the gap swallows whole"),
        ("02:30-03:15", "2026-03-08", "", "its opening lands after its closing"),
        ("01:00-02:45 03:00-05:00", "2026-03-08", "06:00-07:45 07:45-09:00", "the closing lands in the next session"),
        ("01:30-03:00", "2026-11-01", "05:30-08:00", "opens at the first 01:30, EDT"),
        ("00:00-01:30", "2026-11-01", "04:00-05:30", "closes at the first 01:30, EDT"),
        ("08:00-17:00", "2026-03-08", "12:00-21:00", "EDT since the night"),
        ("08:00-17:00", "2026-11-01", "13:00-22:00", "EST since the night"),
    ] {
        let day = hours("America/New_York", week("", weekend)).day(on(date));
        assert_eq!(shown(&day), expected, "{weekend} on {date}: {why}");
    }
}

#[test]
fn an_instant_belongs_to_the_day_whose_session_it_is_in_or_overruns() {
    // Monday to Friday 18:00-02:00, closed at the weekend.
    let late = hours("UTC", week("18:00-02:00", ""));
    let office = hours("UTC", week("08:00-17:00", ""));
    let evening = hours("UTC", week("08:00-21:00", ""));
    let night_and_day = hours("UTC", week("00:00-00:00", "00:00-00:00"));
    let shift = hours("UTC", week("22:00-06:00", ""));
    for (hours, instant, expected, why) in [
        (&late, "2026-12-01 01:59", "2026-11-30", "Monday's session is running"),
        (&late, "2026-12-01 05:59", "2026-11-30", "overrun: four hours after closing"),
        (&late, "2026-12-01 06:00", "2026-12-01", "the overrun is over"),
        (&late, "2026-12-01 18:00", "2026-12-01", "Tuesday has opened"),
        (&late, "2026-11-30 01:00", "2026-11-30", "Sunday had no session that could run on"),
        (&office, "2026-12-01 00:30", "2026-12-01", "Monday closed too early to reach midnight"),
        (&evening, "2026-12-01 00:59", "2026-11-30", "Monday closed at 21:00; four hours reach past midnight"),
        (&evening, "2026-12-01 01:00", "2026-12-01", "and end there"),
        (&night_and_day, "2026-11-30 23:59", "2026-11-30", "a whole day"),
        (&night_and_day, "2026-12-01 00:00", "2026-12-01", "and the next begins where it ends"),
        (&shift, "2026-12-01 05:59", "2026-11-30", "the night shift"),
    ] {
        assert_eq!(hours.clinic_day_of(at(instant)), on(expected), "{instant}: {why}");
    }
}

#[test]
fn a_clinic_day_is_over_at_midnight_or_when_its_night_is() {
    let mut long = hours("UTC", week("08:00-17:00", ""));
    long.special_openings.insert(on("2026-11-28"), sessions("23:00-22:00"));
    for (hours, date, expected, why) in [
        (hours("UTC", week("08:00-17:00", "")), "2026-11-30", "2026-12-01 00:00", "closed long before midnight"),
        (hours("UTC", week("08:00-21:00", "")), "2026-11-30", "2026-12-01 01:00", "four hours of overrun"),
        (hours("UTC", week("18:00-02:00", "")), "2026-11-30", "2026-12-01 06:00", "and after a night"),
        (hours("UTC", week("22:00-06:00", "")), "2026-11-30", "2026-12-01 10:00", "the next opens at 22:00"),
        (hours("UTC", week("00:00-00:00", "00:00-00:00")), "2026-11-30", "2026-12-01 00:00", "the next opens at once"),
        (
            long.clone(),
            "2026-11-28",
            "2026-11-30 00:00",
            "it covers the next day, which is closed, but not the one after",
        ),
        (long, "2026-11-29", "2026-11-30 00:00", "the day that was covered"),
    ] {
        assert_eq!(hours.clinic_day_ends_at(on(date)), at(expected), "{why}");
    }
}

#[test]
fn a_week_names_each_broken_rule_and_its_place() {
    let with_tuesday = |tuesday: &str| Week { tuesday: sessions(tuesday), ..week("08:00-17:00", "") };
    for (week, expected) in [
        (week("08:00-12:00 13:00-17:00", ""), vec![]),
        (week("00:00-00:00", "00:00-00:00"), vec![]),
        (week("22:00-06:00", "22:00-06:00"), vec![]),
        (with_tuesday("08:00-12:00 11:00-17:00"), vec!["/tuesday/1"]),
        (with_tuesday("13:00-17:00 08:00-12:00"), vec!["/tuesday/1"]),
        (with_tuesday("22:00-08:00"), vec![]),
        (with_tuesday("22:00-08:01"), vec!["/wednesday/0"]),
        (with_tuesday("01:00-02:00 03:00-04:00 05:00-06:00 07:00-08:00 09:00-10:00 11:00-12:00"), vec![]),
        (
            with_tuesday("01:00-02:00 03:00-04:00 05:00-06:00 07:00-08:00 09:00-10:00 11:00-12:00 13:00-14:00"),
            vec!["/tuesday"],
        ),
        (Week { sunday: sessions("22:00-09:00"), ..week("08:00-17:00", "") }, vec!["/monday/0"]),
    ] {
        let faults = week.faults();
        assert_eq!(faults.iter().map(|f| f.pointer.as_str()).collect::<Vec<_>>(), expected, "{week:?}");
    }
}

#[test]
fn a_session_is_written_with_hours_and_minutes_only() {
    let read = |text: &str| serde_json::from_str::<Session>(text);
    let session = read(r#"{"opens":"08:30","closes":"00:00"}"#).unwrap();
    assert_eq!(serde_json::to_string(&session).unwrap(), r#"{"opens":"08:30","closes":"00:00"}"#);
    for text in ["8:30", "08:30:00", "24:00", "08:60", "+8:30", ""] {
        assert!(read(&format!(r#"{{"opens":"{text}","closes":"17:00"}}"#)).is_err(), "{text}");
    }
}

fn first() -> NaiveDate {
    on("2026-01-01")
}

proptest! {
    #[test]
    fn sessions_of_a_day_are_in_order_and_apart((hours, date) in (any_hours(first(), 730), any_day())) {
        let day = hours.day(date);
        prop_assert!(day.sessions.iter().all(|(opens, closes)| opens < closes));
        prop_assert!(day.sessions.windows(2).all(|pair| pair[0].1 <= pair[1].0));
        prop_assert!(day.closed_by.is_none() || !day.is_open());
    }

    #[test]
    fn every_instant_of_a_session_belongs_to_its_clinic_day(
        (hours, date) in (any_hours(first(), 730), any_day()), which in any::<Index>(), share in 0.0..1.0_f64,
    ) {
        let day = hours.day(date);
        prop_assume!(day.is_open());
        let (opens, closes) = day.sessions[which.index(day.sessions.len())];
        #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "any instant inside will do")]
        let inside = opens + TimeDelta::seconds(((closes - opens).num_seconds() as f64 * share) as i64);
        // The next day's opening ends this day's claim, where a gap pushes a closing into it.
        prop_assume!(hours.day(date + Days::new(1)).opens_at().is_none_or(|next| inside < next));
        prop_assert_eq!(hours.clinic_day_of(inside), date);
    }

    /// What seals hang on: spans from end to end hold each instant once, under the day it belongs to.
    #[test]
    fn a_clinic_day_is_over_when_instants_belong_to_a_later_one(
        (hours, date) in (any_hours(first(), 730), any_day()),
    ) {
        let end = hours.clinic_day_ends_at(date);
        let last = end - TimeDelta::microseconds(1);
        prop_assert!(hours.clinic_day_of(end) > date);
        // A night that covers the whole of the next day leaves that one nothing.
        let covered = hours.clinic_day_ends_at(date - Days::new(1)) >= end;
        prop_assert_eq!(hours.clinic_day_of(last), if covered { date - Days::new(1) } else { date });
    }

    #[test]
    fn a_closure_only_ever_takes_opening_time_away(
        (hours, date) in (any_hours(first(), 730), any_day()), closure in any_closure(first(), 730),
    ) {
        let before = length_minutes(&hours.day(date));
        let mut with = hours.clone();
        with.closures.push(closure);
        prop_assert!(length_minutes(&with.day(date)) <= before);
        with.closures.pop();
        prop_assert_eq!(with.day(date), hours.day(date));
    }
}
