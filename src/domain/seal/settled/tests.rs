//! Turns that were tampered with, and such as the service takes.

use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

use super::{Recorded, Turn, odd_turns};
use crate::domain::evidence::{Entry, Verdict};
use crate::domain::task::Outcome;

fn at(minute: i64) -> DateTime<Utc> {
    DateTime::UNIX_EPOCH + TimeDelta::minutes(minute)
}

fn recorded(number: u128, (performed, came): (i64, i64), verdict: Verdict, outcome: Option<Outcome>) -> Recorded {
    let entry = Entry {
        completion_id: Uuid::from_u128(number),
        corrects: None,
        performed_at: at(performed),
        outcome,
        failed: verdict == Verdict::Failed,
        first_came: false,
    };
    Recorded { entry, recorded_at: at(came), verdict: verdict.as_str().to_owned(), told_duplicate: None }
}

fn turn(number: u128, minute: i64, outcome: Option<Outcome>, failed: bool) -> Turn {
    let outcome = outcome.map(|outcome| outcome.as_str().to_owned());
    Turn { completion_id: Uuid::from_u128(number), settled_at: at(minute), outcome, failed }
}

const DONE: Option<Outcome> = Some(Outcome::Done);

fn odd(recorded: &[Recorded], turns: &[Turn]) -> Vec<u128> {
    odd_turns(recorded, turns).into_iter().map(|id| id.as_u128()).collect()
}

#[test]
fn a_turn_of_a_record_that_came_late_and_was_first_is_what_the_service_takes() {
    // The one of 10:20 came first; two hours after, the one of 10:02.
    let both = [recorded(1, (20, 25), Verdict::Passed, DONE), recorded(2, (2, 145), Verdict::Passed, DONE)];
    let taken = [turn(1, 25, DONE, false), turn(2, 145, DONE, false)];
    assert_eq!(odd(&both, &taken), []);
    assert_eq!(odd(&both, &taken[..1]), [2], "the second turn was removed");
    assert_eq!(odd(&both, &taken[1..]), [1], "the first turn was removed");
    assert_eq!(odd(&both, &[taken[0].clone(), turn(2, 145, None, false)]), [2], "the task is made open");
    let unknown = Turn { outcome: Some("donex".to_owned()), ..taken[1].clone() };
    assert_eq!(odd(&both, &[taken[0].clone(), unknown]), [2], "what no service writes");
    assert_eq!(odd(&both, &[taken[0].clone(), taken[1].clone(), taken[1].clone()]), [2], "a turn twice");
    assert_eq!(odd(&both, &[taken[0].clone(), turn(2, 100, DONE, false)]), [2], "at an instant nothing came");
}

#[test]
fn an_outcome_that_the_verdict_allows_and_the_window_did_not_is_odd() {
    let late = [recorded(1, (90, 95), Verdict::Passed, None)];
    assert_eq!(odd(&late, &[turn(1, 95, None, false)]), []);
    assert_eq!(odd(&late, &[turn(1, 95, DONE, false)]), [1]);
    assert_eq!(odd(&late, &[turn(1, 95, Some(Outcome::ResultPending), false)]), [1]);
}

#[test]
fn instances_whose_clocks_differ_are_no_tampering() {
    // The second was taken after the first, by an instance whose clock is four minutes behind.
    let both = [recorded(1, (2, 29), Verdict::Passed, DONE), recorded(2, (20, 25), Verdict::Passed, DONE)];
    assert_eq!(odd(&both, &[turn(1, 29, DONE, false)]), []);
}

#[test]
fn a_purged_record_leaves_its_task_alone() {
    let left = [recorded(2, (20, 25), Verdict::Passed, DONE)];
    assert_eq!(odd(&left, &[turn(1, 5, DONE, false)]), []);
}

#[test]
fn of_records_from_before_the_first_to_come_has_its_turn() {
    let told = |r: Recorded, duplicate| Recorded {
        entry: Entry { outcome: None, first_came: true, ..r.entry },
        told_duplicate: Some(duplicate),
        ..r
    };
    let both = [
        told(recorded(1, (20, 25), Verdict::Passed, None), false),
        told(recorded(2, (2, 145), Verdict::Passed, None), true),
    ];
    let first = turn(1, 25, DONE, false);
    assert_eq!(odd(&both, std::slice::from_ref(&first)), []);
    assert_eq!(odd(&both, &[]), [1]);
    assert_eq!(odd(&both, &[first, turn(2, 145, DONE, false)]), [2], "the other one is not to have one");
    assert_eq!(odd(&both, &[turn(1, 25, Some(Outcome::Void), false)]), [1], "its verdict is another");
    assert_eq!(odd(&both, &[turn(1, 25, DONE, true)]), [1]);
}
