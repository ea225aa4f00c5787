use chrono::TimeDelta;

use super::*;
use crate::domain::chain::ChainKind;
use crate::domain::chain::defaults::shipped;

fn hour(n: i64) -> DateTime<Utc> {
    "2026-11-02T09:00:00Z".parse::<DateTime<Utc>>().expect("an instant") + TimeDelta::hours(n)
}

fn test_id(n: usize) -> Uuid {
    Uuid::from_u128(100 + n as u128)
}

fn cycle_id(n: usize) -> Uuid {
    Uuid::from_u128(200 + n as u128)
}

/// Cycles an hour apart: `e` empty with a test that passed, `l` loaded with one, `f` empty with growth, `u` with one that
/// does not say what was in the chamber; without a test `E` recorded as empty, `L` of which nothing is recorded, `X` empty
/// and broken off.
fn story(cycles: &str) -> StepTests {
    let mut told = StepTests::default();
    for (n, kind) in cycles.chars().enumerate() {
        let at = hour(i64::try_from(n).expect("few"));
        told.cycles.push(RanCycle {
            cycle_id: cycle_id(n),
            ended_at: at,
            program: "wrapped 134".into(),
            chamber: matches!(kind, 'E' | 'X').then_some(Chamber::Empty),
            failed: kind == 'X',
        });
        if kind.is_lowercase() {
            let passed = kind != 'f';
            let test = TestRun {
                completion_id: test_id(n),
                made_at: at,
                recorded_at: hour(200),
                passed,
                duplicate: false,
                left_out: Vec::new(),
                counts_from: None,
            };
            told.tests.push(test);
            let chamber = match kind {
                'l' => Some(Chamber::Loaded),
                'u' => None,
                _ => Some(Chamber::Empty),
            };
            told.tested_in.insert(test_id(n), TestedIn { cycle_id: Some(cycle_id(n)), chamber, program: None });
        }
    }
    told
}

fn evidence(step: &str) -> ChainEvidence {
    let steps = &shipped(ChainKind::PositiveSporeTest).steps;
    steps.iter().find(|s| s.key == step).expect("a step of the shipped chain").evidence.clone()
}

fn tests_passed(
    chamber: Option<Chamber>,
    consecutive_cycles: bool,
    at_least_minutes_apart: Option<u32>,
) -> ChainEvidence {
    ChainEvidence::TestsPassed { count: 3, routine_id: None, chamber, consecutive_cycles, at_least_minutes_apart }
}

fn row(told: &StepTests) -> TestsInARow {
    told.in_a_row(&evidence("three-empty"), hour(-1))
}

/// Three consecutive empty-chamber cycles: CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation.
#[test]
fn only_empty_cycles_with_none_between_them_make_a_row() {
    for (cycles, passed) in [
        ("", 0),
        ("ee", 2),
        ("eee", 3),
        // Growth starts again, and so does a cycle that may have held a load, with a test or without one.
        ("eefe", 1),
        ("eele", 1),
        ("eeLe", 1),
        ("eeue", 1),
        ("Leee", 3),
        // An empty cycle without a test is none of the three, and breaks nothing unless it was broken off.
        ("eEee", 3),
        ("eXee", 2),
        ("lll", 0),
        ("uuu", 0),
    ] {
        assert_eq!(row(&story(cycles)).passed, passed, "{cycles}");
    }
    assert_eq!(row(&story("eee")).last, Some(test_id(2)));
    assert!(
        row(&story("eeLe")).left_out[0].contains("2026-11-02 11:00:00 UTC came between"),
        "{:?}",
        row(&story("eeLe"))
    );
}

#[test]
fn one_cycle_counts_once_and_a_cycle_that_is_not_recorded_counts_not_at_all() {
    let mut twice = story("eee");
    twice.tested_in.insert(test_id(2), twice.tested_in[&test_id(1)].clone());
    let counted = row(&twice);
    assert_eq!(counted.passed, 2);
    assert!(counted.left_out[0].contains("counted with an earlier test"), "{counted:?}");
    for (change, says) in [
        (TestedIn { cycle_id: Some(cycle_id(9)), chamber: Some(Chamber::Empty), program: None }, "is recorded"),
        (TestedIn { cycle_id: None, chamber: Some(Chamber::Empty), program: None }, "is not named"),
        (TestedIn { cycle_id: Some(cycle_id(2)), chamber: None, program: None }, "loaded or empty is not recorded"),
    ] {
        let mut told = story("eee");
        told.tested_in.insert(test_id(2), change);
        let counted = row(&told);
        assert_eq!(counted.passed, 2, "{says}");
        assert!(counted.left_out[0].contains(says), "{counted:?}");
    }
    // A test of another kind, that has no strips, says nothing of a cycle.
    let mut bare = story("eee");
    bare.tested_in.clear();
    assert_eq!(row(&bare).passed, 0);
}

#[test]
fn what_the_cycles_record_says_of_chamber_and_end_comes_before_the_tests_word() {
    let mut loaded = story("eee");
    loaded.cycles[1].chamber = Some(Chamber::Loaded);
    assert_eq!(row(&loaded).passed, 1);
    let mut broken_off = story("eee");
    broken_off.cycles[2].failed = true;
    let counted = row(&broken_off);
    assert_eq!(counted.passed, 2);
    assert!(counted.left_out[0].contains("falls short"), "{counted:?}");
}

/// The figures are the test's own; cycles of the story lie an hour apart.
#[test]
fn cycles_that_must_lie_apart_count_once_within_that_time() {
    let apart = |minutes: u32| {
        let row = story("eee").in_a_row(&tests_passed(Some(Chamber::Empty), true, Some(minutes)), hour(-1));
        (row.passed, row.left_out.len())
    };
    assert_eq!((apart(60), apart(61), apart(121)), ((3, 0), (2, 1), (1, 2)));
}

/// The same cycle that failed: CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation.
#[test]
fn a_repeat_in_another_program_does_not_count_and_is_named() {
    let repeat = evidence("repeat-test");
    let mut told = story("ll");
    told.failed_in = FailedIn::Program(" Wrapped 134 ".into());
    assert_eq!(told.first_that_counts(&repeat).0.map(|t| t.completion_id), Some(test_id(0)));
    told.cycles[0].program = "bare 134".into();
    let (first, left_out) = told.first_that_counts(&repeat);
    assert_eq!(first.map(|t| t.completion_id), Some(test_id(1)));
    assert!(left_out[0].contains("\u{201c}bare 134\u{201d}"), "{left_out:?}");
    // A machine that posts no program: the test names it.
    told.cycles[0].program = String::new();
    assert_eq!(told.first_that_counts(&repeat).0.map(|t| t.completion_id), Some(test_id(1)));
    told.tested_in.get_mut(&test_id(0)).expect("a test").program = Some("wrapped 134".into());
    assert_eq!(told.first_that_counts(&repeat).0.map(|t| t.completion_id), Some(test_id(0)));
    told.failed_in = FailedIn::NotRecorded;
    let (first, left_out) = told.first_that_counts(&repeat);
    assert_eq!(first, None);
    assert!(left_out[0].contains("correct that test"), "{left_out:?}");
    // An action that a person opened knows of no failed test.
    told.failed_in = FailedIn::NoTest;
    assert!(told.first_that_counts(&repeat).0.is_some());
    // The repeat is made with the chamber loaded as it should be.
    assert_eq!(story("e").first_that_counts(&repeat).0, None);
}

#[test]
fn growth_decides_a_repeat_in_whatever_cycle_it_was_found() {
    let mut told = story("fl");
    told.failed_in = FailedIn::Program("bare 134".into());
    let (first, _) = told.first_that_counts(&evidence("repeat-test"));
    assert_eq!(first.map(|t| (t.completion_id, t.passed)), Some((test_id(0), false)));
}

#[test]
fn a_step_that_asks_nothing_of_cycles_counts_tests_as_they_are() {
    let plain = tests_passed(None, false, None);
    let mut told = story("ll");
    told.tested_in.clear();
    assert_eq!(told.in_a_row(&plain, hour(-1)).passed, 2);
}
