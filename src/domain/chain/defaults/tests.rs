use super::super::{ChainEvidence, ChainStep, StepStart};
use super::*;
use crate::domain::cycle_load::Chamber;
use crate::domain::limit::Seen;

const DAY: u32 = 1440;

fn step(kind: ChainKind, key: &str) -> &'static ChainStep {
    shipped(kind).steps.iter().find(|s| s.key == key).expect("a step of the shipped chain")
}

#[test]
fn every_kind_is_shipped_without_a_fault_and_with_sources_and_cautions() {
    for kind in ChainKind::ALL {
        let chain = shipped(kind);
        assert_eq!(chain.faults(), [], "{kind:?}");
        assert!(!chain.cautions.is_empty(), "{kind:?}");
        assert!(!chain.sources.is_empty(), "{kind:?}");
        // What is only remembered is no default.
        assert!(chain.sources.iter().all(|source| source.seen != Seen::FromMemory), "{kind:?}");
    }
}

/// CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation: out of service at once; review; repeat at once in the same
/// cycle; when the repeat is positive, inspection and three consecutive empty-chamber cycles.
#[test]
fn a_positive_spore_test_takes_the_machine_out_and_asks_for_three_empty_chambers_after_a_positive_repeat() {
    let kind = ChainKind::PositiveSporeTest;
    assert!(shipped(kind).quarantines);
    let keys: Vec<&str> = shipped(kind).steps.iter().map(|s| s.key.as_str()).collect();
    let order = [
        "take-out",
        "withdraw-implants",
        "review",
        "repeat-test",
        "other-records",
        "withdraw-loads",
        "inspect",
        "three-empty",
    ];
    assert_eq!(keys, order);
    assert!(shipped(kind).steps.iter().all(|s| s.gates_release));
    let three = ChainEvidence::TestsPassed {
        count: 3,
        routine_id: None,
        chamber: Some(Chamber::Empty),
        consecutive_cycles: true,
        at_least_minutes_apart: None,
    };
    assert_eq!(step(kind, "three-empty").evidence, three);
    let same = ChainEvidence::TestResult { routine_id: None, same_program: true, chamber: Some(Chamber::Loaded) };
    assert_eq!(step(kind, "repeat-test").evidence, same);
    // Before the first load after installation, a move or a major repair: the same three (CDC; read).
    assert_eq!(step(ChainKind::SteriliserSetUp, "three-empty").evidence, three);
    assert!(shipped(ChainKind::SteriliserSetUp).quarantines);
}

/// Loads since the last test that passed are held after growth and after a failed control test, and after nothing else
/// (CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation; HTM 01-05 2013, sections 13 to 15, read).
#[test]
fn the_loads_since_the_last_pass_are_held_after_growth_and_after_a_failed_control_test() {
    let holding: Vec<ChainKind> = ChainKind::ALL.into_iter().filter(|kind| shipped(*kind).holds_loads).collect();
    assert_eq!(holding, [ChainKind::PositiveSporeTest, ChainKind::FailedControlTest]);
}

/// A spore test in every load with an implantable device, which is held until the result (CDC, MMWR 52(RR-17) 2003, rec. VI.G,
/// p. 24, read in a quotation). Its result takes 24 to 48 hours at the site and up to 7 days by post (ISO 11138-3 and CDC; read,
/// partly from memory).
#[test]
fn loads_with_implants_wait_for_their_spore_test() {
    let holding: Vec<ChainKind> =
        ChainKind::ALL.into_iter().filter(|kind| shipped(*kind).implant_test.is_some()).collect();
    assert_eq!(holding, [ChainKind::PositiveSporeTest]);
    let window = shipped(ChainKind::PositiveSporeTest).implant_test.expect("it waits");
    assert_eq!((window.due_by_minutes, window.overdue_minutes), (2 * DAY, 7 * DAY));
}

/// WAC 246-817-660, effective 2021-01-23, read: a test 5 to 10 days after the work, and again 21 to 28 days later.
#[test]
fn water_is_tested_five_to_ten_days_after_and_again_three_to_four_weeks_later() {
    let kind = ChainKind::WaterOverLimit;
    for (key, first_day, last_day) in [("retest", 5, 10), ("pass-after-repair", 5, 10), ("follow-up-test", 21, 28)] {
        let window = step(kind, key).window;
        let found = (window.counted_from, window.may_start_minutes, window.due_by_minutes);
        assert_eq!(found, (StepStart::StepBefore, first_day * DAY, last_day * DAY), "{key}");
    }
    // The unit can be released before the follow-up, which would keep it out for a month.
    assert!(!step(kind, "follow-up-test").gates_release);
}

/// Weekly until four are in range: common practice, no source. Four readings of one afternoon are no four weeks.
#[test]
fn weekly_readings_lie_six_days_apart_or_more_and_fit_into_their_step() {
    let weekly = step(ChainKind::TemperatureOutOfRange, "four-in-range");
    let ChainEvidence::TestsPassed { count, at_least_minutes_apart: Some(apart), .. } = weekly.evidence else {
        panic!("{:?}", weekly.evidence)
    };
    assert_eq!((count, apart), (4, 6 * DAY));
    assert!((count - 1) * apart < weekly.window.due_by_minutes);
    let sources = &shipped(ChainKind::TemperatureOutOfRange).sources;
    let said = sources.iter().find(|source| source.locator.contains("six days or more")).expect("it is said");
    assert_eq!(said.seen, Seen::CommonPractice);
}
