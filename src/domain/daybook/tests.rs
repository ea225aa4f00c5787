//! Opening time counted, and that a book says what the hours say.

use chrono::{Days, NaiveTime};
use proptest::prelude::*;

use super::*;
use crate::domain::fixtures::*;

#[test]
fn opening_time_passes_only_while_the_clinic_is_open() {
    let mut hours = hours("UTC", week("08:00-12:00 13:00-17:00", ""));
    hours.closures.push(closure("2026-12-02 00:00", "2026-12-03 00:00", "holiday"));
    let book = DayBook::new(&hours);
    let last = on("2026-12-03");
    for (from, minutes, expected) in [
        ("2026-11-30 09:00", 60, "2026-11-30 10:00"),
        ("2026-11-30 11:30", 30, "2026-11-30 12:00"),
        ("2026-11-30 11:30", 60, "2026-11-30 13:30"),
        ("2026-11-30 16:30", 60, "2026-12-01 08:30"),
        ("2026-11-30 06:00", 480, "2026-11-30 17:00"),
        ("2026-11-30 06:00", 481, "2026-12-01 08:01"),
        ("2026-12-01 16:00", 120, "2026-12-03 09:00"),
        ("2026-11-28 12:00", 1, "2026-11-30 08:01"),
        ("2026-11-28 12:00", 0, "2026-11-28 12:00"),
    ] {
        assert_eq!(book.after_opening_time(at(from), minutes, last), Some(at(expected)), "{minutes} min from {from}");
    }
    assert_eq!(book.after_opening_time(at("2026-12-01 16:00"), 120, on("2026-12-02")), None, "a day too few");
    let never_set = Hours { week: None, ..hours };
    assert_eq!(DayBook::new(&never_set).after_opening_time(at("2026-11-30 09:00"), 1, last), None);
}

#[test]
fn opening_time_that_two_sessions_share_passes_once() {
    // Friday's late special session runs into Saturday's first.
    let mut hours = hours("UTC", week("", "02:00-10:00"));
    hours.special_openings.insert(on("2026-12-04"), sessions("22:00-04:00"));
    let book = DayBook::new(&hours);
    for (minutes, expected) in [(360, "2026-12-05 04:00"), (361, "2026-12-05 04:01")] {
        let reached = book.after_opening_time(at("2026-12-04 22:00"), minutes, on("2026-12-05"));
        assert_eq!(reached, Some(at(expected)), "{minutes}");
    }
}

proptest! {
    #[test]
    fn a_book_says_what_the_hours_say_however_often_it_is_asked((hours, date) in (any_hours(on("2026-01-01"), 730), any_day())) {
        let book = DayBook::new(&hours);
        prop_assert_eq!(&*book.day(date), &hours.day(date));
        prop_assert_eq!(book.day(date), book.day(date));
    }

    #[test]
    fn more_opening_time_is_never_over_sooner(
        (hours, date) in (any_hours(on("2026-01-01"), 730), any_day()), minute in 0..1440_i64, a in 0..4_000_u32, b in 0..4_000_u32,
    ) {
        let from = date.and_time(NaiveTime::MIN).and_utc() + minutes(minute);
        let (less, more) = (a.min(b), a.max(b));
        let book = DayBook::new(&hours);
        let last = date + Days::new(120);
        match (book.after_opening_time(from, less, last), book.after_opening_time(from, more, last)) {
            (None, Some(_)) => prop_assert!(false, "{less} min never come, {more} do"),
            (Some(sooner), Some(later)) => {
                prop_assert!(from <= sooner && sooner <= later);
                prop_assert!(later - sooner >= minutes((more - less).into()));
            }
            (_, None) => {}
        }
    }
}
