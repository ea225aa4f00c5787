use super::super::defaults::shipped;
use super::super::work::WorkShown;
use super::super::{ChainKind, StepOwner};
use super::*;

fn at(text: &str) -> DateTime<Utc> {
    text.parse().expect("an instant")
}

fn record(key: &str, performed_at: &str, result: Option<StepEnd>) -> StepRecord {
    StepRecord {
        record_id: Uuid::from_u128(1),
        step_key: key.to_owned(),
        performed_at: at(performed_at),
        recorded_at: at(performed_at),
        performed_by: "KV".to_owned(),
        key_id: Uuid::from_u128(2),
        note: "seen".to_owned(),
        reference: String::new(),
        result,
        completion_id: None,
        rests_on_at: None,
        early: false,
        late: false,
        staff_id: None,
        signed: None,
        flags: None,
    }
}

fn test_result() -> ChainEvidence {
    ChainEvidence::TestResult { routine_id: None, same_program: false, chamber: None }
}

const OPENED: &str = "2026-11-02T09:00:00Z";

fn first_three() -> Vec<StepRecord> {
    ["take-out", "withdraw-implants", "review"].map(|key| record(key, "2026-11-02T10:00:00Z", None)).into()
}

fn keys(steps: &[&ChainStep]) -> Vec<String> {
    steps.iter().map(|s| s.key.clone()).collect()
}

/// CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation: a repeat without growth, with indicators and mechanical records
/// in order, puts the machine back into service.
#[test]
fn a_repeat_that_passes_asks_for_the_other_records_and_for_nothing_more() {
    let chain = shipped(ChainKind::PositiveSporeTest);
    let mut records = first_three();
    records.push(record("repeat-test", "2026-11-02T11:00:00Z", Some(StepEnd::Passed)));
    let progress = Progress::new(chain, at(OPENED), &records);
    assert_eq!(progress.next().map(|s| s.key.as_str()), Some("other-records"));
    assert!(!progress.missing_for_release().is_empty());
    records.push(record("other-records", "2026-11-02T11:30:00Z", Some(StepEnd::Passed)));
    let progress = Progress::new(chain, at(OPENED), &records);
    assert_eq!(progress.next(), None);
    assert_eq!(progress.missing_for_release(), [""; 0]);
}

#[test]
fn a_repeat_that_fails_or_other_records_that_do_keep_it_out_until_three_empty_chambers() {
    let chain = shipped(ChainKind::PositiveSporeTest);
    let failed_repeat = [("repeat-test", StepEnd::Failed)];
    let failed_records = [("repeat-test", StepEnd::Passed), ("other-records", StepEnd::Failed)];
    for results in [&failed_repeat[..], &failed_records] {
        let mut records = first_three();
        records.extend(results.iter().map(|(key, end)| record(key, "2026-11-02T11:00:00Z", Some(*end))));
        for key in ["withdraw-loads", "inspect", "three-empty"] {
            let progress = Progress::new(chain, at(OPENED), &records);
            assert_eq!(progress.next().map(|s| s.key.as_str()), Some(key), "{results:?}");
            assert!(progress.missing_for_release().contains(&format!("record missing: step {key}")), "{results:?}");
            records.push(record(key, "2026-11-04T11:00:00Z", (key == "three-empty").then_some(StepEnd::Passed)));
        }
        let progress = Progress::new(chain, at(OPENED), &records);
        assert_eq!((progress.next(), progress.missing_for_release()), (None, Vec::new()), "{results:?}");
    }
}

#[test]
fn what_comes_before_a_step_is_named_with_what_may_still_be_asked_for() {
    let chain = shipped(ChainKind::PositiveSporeTest);
    let records = [record("take-out", OPENED, None)];
    let progress = Progress::new(chain, at(OPENED), &records);
    assert_eq!(keys(&progress.missing_before("review")), ["withdraw-implants"]);
    let before_last = keys(&progress.missing_before("three-empty"));
    assert!(before_last.contains(&"inspect".to_owned()) && before_last.contains(&"repeat-test".to_owned()));
    let inspect = chain.steps.iter().find(|s| s.key == "inspect").expect("a step");
    assert_eq!(progress.asks_for(inspect), Asked::Open);
}

#[test]
fn windows_count_from_the_opening_or_from_the_step_before() {
    let chain = shipped(ChainKind::WaterOverLimit);
    let step = |key: &str| chain.steps.iter().find(|s| s.key == key).expect("a step");
    let records = [record("disinfect", "2026-11-03T12:00:00Z", None)];
    let progress = Progress::new(chain, at(OPENED), &records);
    // Five to ten days after the work: WAC 246-817-660, effective 2021-01-23, read.
    let times = progress.times_of(step("retest"));
    assert_eq!((times.may_start_at, times.due_by), (at("2026-11-08T12:00:00Z"), at("2026-11-13T12:00:00Z")));
    assert_eq!(progress.times_of(step("stop")).due_by, at(OPENED));
    // From the work itself, not from when somebody wrote down that it is done.
    let written_later = [StepRecord { rests_on_at: Some(at("2026-11-03T08:00:00Z")), ..records[0].clone() }];
    let progress = Progress::new(chain, at(OPENED), &written_later);
    assert_eq!(progress.times_of(step("retest")).may_start_at, at("2026-11-08T08:00:00Z"));
    assert_eq!(step("decide-use").owner, StepOwner::Clinician);
}

#[test]
fn a_claim_has_what_the_step_wants_and_nothing_that_is_not_a_persons_to_say() {
    let nothing = StepClaim { note: "", reference: "", result: None, completion_id: None };
    let id = Some(Uuid::from_u128(9));
    let what = "report".to_owned();
    let passed = Some(StepEnd::Passed);
    for (claim, evidence, pointers) in [
        (nothing, ChainEvidence::Confirmation {}, &[][..]),
        (nothing, ChainEvidence::Note {}, &["/note"]),
        (StepClaim { note: "seen", ..nothing }, ChainEvidence::Note {}, &[]),
        (nothing, ChainEvidence::Reference { what: what.clone() }, &["/reference"]),
        (nothing, ChainEvidence::Result { tests_of: None }, &["/result"]),
        (StepClaim { result: passed, ..nothing }, ChainEvidence::Result { tests_of: None }, &[]),
        (StepClaim { result: passed, ..nothing }, ChainEvidence::Confirmation {}, &["/result"]),
        (nothing, test_result(), &["/completion_id"]),
        (StepClaim { result: passed, completion_id: id, ..nothing }, test_result(), &["/result"]),
        (
            StepClaim { completion_id: id, ..nothing },
            ChainEvidence::TestsPassed {
                count: 3,
                routine_id: None,
                chamber: None,
                consecutive_cycles: false,
                at_least_minutes_apart: None,
            },
            &["/completion_id"],
        ),
        // The work may be named, and is looked for otherwise.
        (nothing, ChainEvidence::Work { shows: WorkShown::LineDisinfection {} }, &[]),
        (
            StepClaim { completion_id: id, ..nothing },
            ChainEvidence::Work { shows: WorkShown::LineDisinfection {} },
            &[],
        ),
    ] {
        let found: Vec<String> = claim.faults(&evidence).into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(found, pointers, "{evidence:?}");
    }
}

#[test]
fn the_next_of_tests_that_lie_apart_is_due_from_when_it_counts_and_within_as_much_time_again() {
    let window = StepTimes {
        may_start_at: at("2026-11-02T09:00:00Z"),
        due_by: at("2026-11-30T09:00:00Z"),
        overdue_at: at("2026-12-07T09:00:00Z"),
    };
    let six_days = TimeDelta::days(6);
    assert_eq!(window.of_next_test(None, TimeDelta::zero()), window, "nothing is said of their distance");
    let first = window.of_next_test(None, six_days);
    assert_eq!((first.may_start_at, first.due_by), (window.may_start_at, at("2026-11-08T09:00:00Z")));
    assert_eq!(first.overdue_at, at("2026-11-15T09:00:00Z"), "the grace of seven days stays");
    let next = window.of_next_test(Some(at("2026-11-09T10:00:00Z")), six_days);
    assert_eq!((next.may_start_at, next.due_by), (at("2026-11-09T10:00:00Z"), at("2026-11-15T10:00:00Z")));
    // Not later than all of them are due, nor before it counts.
    assert_eq!(window.of_next_test(Some(at("2026-11-27T10:00:00Z")), six_days).due_by, window.due_by);
    let late = at("2026-12-03T10:00:00Z");
    assert_eq!(window.of_next_test(Some(late), six_days).due_by, late);
}
