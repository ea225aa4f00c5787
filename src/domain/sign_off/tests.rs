//! When a day asks for a signature, over closures, midnights and clock changes; what a digest tells apart.

use super::*;
use crate::domain::fixtures::*;
use crate::domain::hours::{Hours, Week};

fn asked(hours: &Hours, posted: PostedDay, date: &str) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
    let book = DayBook::new(hours);
    day_to_sign(&book, &Ladder::default(), posted, on(date)).map(|day| (day.due_by, day.overdue_at))
}

#[test]
fn an_open_day_is_due_at_its_close_and_overdue_at_the_next_opening_however_long_the_closure_between() {
    let mut hours = hours("UTC", week("08:00-12:00 13:00-17:00", ""));
    hours.closures.push(closure("2026-12-24 12:00", "2026-12-29 00:00", "holidays"));
    let none = PostedDay::default();
    for (date, due_by, overdue_at) in [
        ("2026-11-30", "2026-11-30 17:00", "2026-12-01 08:00"),
        // A Friday; nobody opens at the weekend.
        ("2026-12-04", "2026-12-04 17:00", "2026-12-07 08:00"),
        // The afternoon is closed already, and so are the days that follow.
        ("2026-12-24", "2026-12-24 12:00", "2026-12-29 08:00"),
    ] {
        assert_eq!(asked(&hours, none, date), Some((at(due_by), at(overdue_at))), "{date}");
    }
    for closed in ["2026-12-05", "2026-12-25"] {
        assert_eq!(asked(&hours, none, closed), None, "{closed}");
    }
}

#[test]
fn a_late_session_belongs_to_the_day_it_opened_on_also_in_the_night_the_clocks_go_back() {
    // New York's clocks go back on 2026-11-01 at 02:00, to 01:00: 02:00 is then an hour later than on other nights.
    let hours = hours("America/New_York", week("18:00-02:00", "18:00-02:00"));
    let none = PostedDay::default();
    let usual = (at("2026-10-31 06:00"), at("2026-10-31 22:00"));
    assert_eq!(asked(&hours, none, "2026-10-30"), Some(usual));
    let longer = (at("2026-11-01 07:00"), at("2026-11-01 23:00"));
    assert_eq!(asked(&hours, none, "2026-10-31"), Some(longer));
}

#[test]
fn what_the_desk_posts_decides_when_a_day_is_over() {
    let hours = hours("UTC", week("08:00-17:00", ""));
    let ended = PostedDay { started_at: None, ended_at: Some(at("2026-11-30 16:10")) };
    assert_eq!(asked(&hours, ended, "2026-11-30"), Some((at("2026-11-30 16:10"), at("2026-12-01 08:00"))));
    // A Sunday that the desk opened: without an end it lasts until the next opening, or its midnight at the latest.
    let started = PostedDay { started_at: Some(at("2026-11-29 10:00")), ended_at: None };
    assert_eq!(asked(&hours, started, "2026-11-29"), Some((at("2026-11-30 00:00"), at("2026-11-30 08:00"))));
    // Ended after the next day had begun: never overdue before it is due.
    let late = PostedDay { started_at: None, ended_at: Some(at("2026-12-01 08:30")) };
    assert_eq!(asked(&hours, late, "2026-11-30"), Some((at("2026-12-01 08:30"), at("2026-12-01 08:30"))));
}

#[test]
fn a_day_without_an_opening_in_sight_is_overdue_a_day_after_its_close() {
    let mut hours = Hours { week: None, ..hours("UTC", Week::default()) };
    hours.special_openings.insert(on("2026-12-01"), sessions("09:00-11:00"));
    let due_by = at("2026-12-01 11:00");
    assert_eq!(asked(&hours, PostedDay::default(), "2026-12-01"), Some((due_by, due_by + TimeDelta::days(1))));
}

#[test]
fn a_day_that_asks_again_is_overdue_at_the_opening_after_that() {
    let hours = hours("UTC", week("08:00-17:00", ""));
    let (book, ladder) = (DayBook::new(&hours), Ladder::default());
    let friday = day_to_sign(&book, &ladder, PostedDay::default(), on("2026-12-04")).expect("open");
    for (reopened_at, overdue_at) in [
        ("2026-12-04 22:00", "2026-12-07 08:00"),
        ("2026-12-07 07:59", "2026-12-07 08:00"),
        ("2026-12-07 08:00", "2026-12-08 08:00"),
    ] {
        let again = friday.clone().asked_again(&book, &ladder, at(reopened_at));
        assert_eq!((again.due_by, again.overdue_at), (friday.due_by, at(overdue_at)), "{reopened_at}");
        assert_eq!(again.rungs, ladder.reached_at(&book, at(overdue_at)));
    }
}

#[test]
fn only_what_lacks_a_good_record_when_its_time_has_come_is_a_gap() {
    for (state, failed, gap) in [
        (State::Upcoming, false, None),
        (State::Due, false, None),
        (State::Due, true, Some(GapKind::Failed)),
        (State::Grace, false, Some(GapKind::RecordMissing)),
        (State::Overdue, false, Some(GapKind::RecordMissing)),
        (State::Overdue, true, Some(GapKind::Failed)),
        (State::Missed, true, Some(GapKind::Missed)),
        (State::Done, false, None),
        (State::Done, true, Some(GapKind::Failed)),
        (State::Void, false, Some(GapKind::Void)),
        (State::NotRequired, false, Some(GapKind::NotRequired)),
        (State::ResultPending, false, Some(GapKind::ResultAwaited)),
    ] {
        assert_eq!(GapKind::of(state, failed, false), gap, "{state:?}, failed: {failed}");
        // What was entered late is told of work that counts as done well, and of nothing else.
        let late = if gap.is_none() && state == State::Done { Some(GapKind::EnteredLate) } else { gap };
        assert_eq!(GapKind::of(state, failed, true), late, "{state:?}, failed: {failed}, entered late");
    }
}

#[test]
fn a_digest_hangs_on_every_fact_and_on_no_order() {
    let gaps = [gap_name(GapKind::Missed, id(1)), gap_name(GapKind::Failed, id(2))];
    let entries = [id(3), id(4)];
    let said = [Said { gap: &gaps[0], words: "short of one", given_by: "record", person: "KV" }];
    let actions = [(id(5), "retest"), (id(6), "")];
    let shown = Shown {
        clinic_id: id(9),
        clinic_day: on("2026-11-30"),
        signed_before: 0,
        gaps: &gaps,
        said: &said,
        entries: &entries,
        flags: &[(id(3), "burst")],
        steps: &entries[1..],
        actions: &actions,
        quarantines: &entries[..1],
        notices: &[],
    };
    let turned = ([gaps[1].clone(), gaps[0].clone()], [id(4), id(3)]);
    assert_eq!(digest(&shown), digest(&Shown { gaps: &turned.0, entries: &turned.1, ..shown }));
    let others = [
        Shown { clinic_id: id(8), ..shown },
        Shown { clinic_day: on("2026-12-01"), ..shown },
        Shown { signed_before: 1, ..shown },
        Shown { gaps: &gaps[..1], ..shown },
        Shown { entries: &entries[1..], ..shown },
        Shown { flags: &[], ..shown },
        Shown { flags: &[(id(4), "burst")], ..shown },
        Shown { said: &[], ..shown },
        Shown { said: &[Said { words: "another thought", ..said[0] }], ..shown },
        Shown { said: &[Said { person: "IB", ..said[0] }], ..shown },
        Shown { said: &[Said { given_by: "sign_off", ..said[0] }], ..shown },
        Shown { actions: &actions[..1], ..shown },
        Shown { actions: &[(id(5), "release"), (id(6), "")], ..shown },
        Shown { steps: &[], ..shown },
        Shown { quarantines: &[], ..shown },
        Shown { notices: &[DayNotice::PresenceNotRecorded], ..shown },
    ];
    for other in others {
        assert_ne!(digest(&shown), digest(&other), "{other:?}");
    }
}
