//! When each rung is reached, and that lateness only climbs.

use proptest::prelude::*;

use super::*;
use crate::domain::fixtures::*;
use crate::domain::task::{Times, level_at};

fn rung(after_minutes: u32, counted_in: CountedIn, audience: Audience) -> Rung {
    Rung { after_minutes, counted_in, audience }
}

/// The default: the chair at once, the lead after one opening hour, the manager after eight (common practice, no
/// source).
#[test]
fn the_default_ladder_counts_opening_hours_over_the_weekend() {
    let hours = hours("UTC", week("08:00-12:00 13:00-17:00", ""));
    // 2026-12-04 is a Friday.
    for (overdue_at, expected) in [
        ("2026-12-01 08:00", ["2026-12-01 08:00", "2026-12-01 09:00", "2026-12-01 17:00"]),
        ("2026-12-01 11:30", ["2026-12-01 11:30", "2026-12-01 13:30", "2026-12-02 11:30"]),
        ("2026-12-04 16:30", ["2026-12-04 16:30", "2026-12-07 08:30", "2026-12-07 16:30"]),
        ("2026-12-05 10:00", ["2026-12-05 10:00", "2026-12-07 09:00", "2026-12-07 17:00"]),
    ] {
        let reached = Ladder::default().reached_at(&DayBook::new(&hours), at(overdue_at));
        let audiences = [Audience::Chairside, Audience::ClinicLead, Audience::GroupManager];
        assert_eq!(reached, expected.map(at).into_iter().zip(audiences).collect::<Vec<_>>(), "{overdue_at}");
    }
}

/// New York's clocks go from 02:00 to 03:00 on 2026-03-08 (Energy Policy Act of 2005, s. 110, from memory).
#[test]
fn elapsed_time_is_not_what_a_clock_on_the_wall_shows() {
    let hours = hours("America/New_York", week("08:00-17:00", ""));
    let ladder = Ladder { rungs: vec![rung(120, CountedIn::ElapsedTime, Audience::ClinicLead)] };
    // 01:00 EST; two hours later clocks show 04:00 EDT.
    let reached = ladder.reached_at(&DayBook::new(&hours), at("2026-03-08 06:00"));
    assert_eq!(reached, [(at("2026-03-08 08:00"), Audience::ClinicLead)]);
}

#[test]
fn a_rung_is_never_reached_before_the_one_below_it() {
    let hours = hours("UTC", week("08:00-17:00", ""));
    let ladder = Ladder {
        rungs: vec![
            rung(60, CountedIn::OpeningTime, Audience::Chairside),
            rung(90, CountedIn::ElapsedTime, Audience::ClinicLead),
        ],
    };
    // Friday evening: the opening hour ends on Monday, so the elapsed rung waits for it.
    let reached = ladder.reached_at(&DayBook::new(&hours), at("2026-12-04 17:00"));
    assert_eq!(reached.iter().map(|r| r.0).collect::<Vec<_>>(), [at("2026-12-07 09:00"); 2]);
}

#[test]
fn a_rung_out_of_sight_takes_those_above_with_it() {
    let mut hours = hours("UTC", week("08:00-17:00", ""));
    hours.closures.push(closure("2026-12-02 00:00", "2027-12-31 00:00", "rebuilding"));
    let ladder = Ladder {
        rungs: vec![
            rung(0, CountedIn::ElapsedTime, Audience::Chairside),
            rung(600, CountedIn::OpeningTime, Audience::ClinicLead),
            rung(1_000, CountedIn::ElapsedTime, Audience::GroupManager),
        ],
    };
    let reached = ladder.reached_at(&DayBook::new(&hours), at("2026-12-01 08:00"));
    assert_eq!(reached, [(at("2026-12-01 08:00"), Audience::Chairside)]);
}

#[test]
fn a_ladder_names_each_broken_rule_and_its_place() {
    let of = |count: usize, after_minutes| Ladder {
        rungs: vec![rung(after_minutes, CountedIn::ElapsedTime, Audience::Chairside); count],
    };
    for (ladder, expected) in [
        (Ladder::default(), vec![]),
        (of(0, 0), vec![]),
        (of(9, 100_000), vec![]),
        (of(10, 0), vec!["/rungs"]),
        (of(2, 100_001), vec!["/rungs/0/after_minutes", "/rungs/1/after_minutes"]),
    ] {
        let faults = ladder.faults();
        assert_eq!(faults.iter().map(|f| f.pointer.as_str()).collect::<Vec<_>>(), expected);
    }
}

#[test]
fn every_audience_is_found_by_its_stable_name() {
    for audience in [Audience::Chairside, Audience::ClinicLead, Audience::GroupManager] {
        assert_eq!(Audience::from_name(audience.as_str()), Some(audience));
        assert_eq!(serde_json::to_value(audience).unwrap(), audience.as_str());
    }
    assert_eq!(Audience::from_name("owner"), None);
}

proptest! {
    #[test]
    fn the_level_of_an_open_task_never_falls(
        ladder in any_ladder(), hours in any_hours(on("2026-10-20"), 20), start in 0..20_000_i64,
        a in -100..20_000_i64, b in -100..20_000_i64,
    ) {
        let overdue_at = at("2026-10-20 00:00") + minutes(start);
        let rungs = ladder.reached_at(&DayBook::new(&hours), overdue_at);
        prop_assert!(rungs.is_sorted_by_key(|(reached_at, _)| *reached_at));
        prop_assert!(rungs.iter().all(|(reached_at, _)| *reached_at >= overdue_at));
        let times = Times {
            anchor_at: overdue_at,
            due_from: overdue_at,
            due_by: overdue_at,
            overdue_at,
            missed_at: overdue_at + minutes(1),
            blocks_at: None,
            rungs,
        };
        let level = |minute| level_at(&times, None, overdue_at + minutes(minute));
        prop_assert!(level(a.min(b)).0 <= level(a.max(b)).0);
        // Whom a level tells is the audience of its rung, and level 0 tells nobody.
        let (reached, audience) = level(a);
        prop_assert_eq!(audience, reached.checked_sub(1).map(|i| ladder.rungs[i].audience));
    }
}
