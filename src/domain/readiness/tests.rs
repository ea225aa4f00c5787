//! What an operatory's record lacks.

use chrono::NaiveDate;
use proptest::prelude::*;

use super::*;
use crate::domain::fixtures::*;
use crate::domain::standing::standing;
use crate::domain::task::Slot;

const OPEN: [State; 4] = [State::Upcoming, State::Due, State::Grace, State::Overdue];

fn day(number: u64) -> NaiveDate {
    on("2026-11-30") + chrono::Days::new(number)
}

/// The occurrence of a routine on the n-th day, which blocks from 08:00.
fn task(routine: u128, number: u64, state: State, failed: bool) -> BlockingTask {
    let blocks_at = at("2026-11-30 08:00") + chrono::Days::new(number);
    BlockingTask {
        id: TaskId::derive(id(routine), id(10), day(number), &Slot::Opening),
        routine_id: id(routine),
        routine_name: format!("routine {routine}"),
        blocks_at,
        due_by: blocks_at,
        state,
        failed,
    }
}

fn lacks(readiness: &Readiness) -> Vec<(Lack, usize)> {
    readiness.missing.iter().map(|m| (m.lack, m.occurrences)).collect()
}

#[test]
fn each_state_of_the_latest_occurrence_has_its_own_lack() {
    for (state, failed, expected) in [
        (State::Done, false, None),
        (State::Done, true, Some(Lack::Failed)),
        (State::NotRequired, false, None),
        (State::Void, false, None),
        (State::ResultPending, false, Some(Lack::ResultAwaited)),
        (State::Missed, false, Some(Lack::Missed)),
        (State::Missed, true, Some(Lack::Missed)),
        (State::Upcoming, false, Some(Lack::RecordMissing)),
        (State::Due, false, Some(Lack::RecordMissing)),
        (State::Grace, false, Some(Lack::RecordMissing)),
        (State::Overdue, false, Some(Lack::RecordMissing)),
        (State::Due, true, Some(Lack::Failed)),
        (State::Overdue, true, Some(Lack::Failed)),
    ] {
        let found = readiness(Vec::new(), vec![task(1, 0, state, failed)]);
        assert_eq!(found.missing.first().map(|m| m.lack), expected, "{state:?}, failed: {failed}");
        assert_eq!(found.is_ready(), expected.is_none());
    }
}

#[test]
fn what_was_missed_blocks_until_a_later_occurrence_is_recorded() {
    let (missed, done, due) = (State::Missed, State::Done, State::Due);
    for (states, expected, why) in [
        (vec![missed], vec![(Lack::Missed, 1)], "nothing since"),
        (vec![missed, done], vec![], "a later record stands for it"),
        (vec![done, missed], vec![(Lack::Missed, 1)], "an earlier record does not"),
        (vec![missed, missed, due], vec![(Lack::RecordMissing, 3)], "the latest tells, all count"),
        (vec![missed, done, due], vec![(Lack::RecordMissing, 1)], "counted from the record on"),
        (vec![missed, State::NotRequired], vec![(Lack::Missed, 1)], "not required records nothing"),
        (vec![missed, State::Void], vec![(Lack::Missed, 1)], "nor does a void test"),
        (vec![missed, State::ResultPending], vec![(Lack::ResultAwaited, 2)], "nor a sample without result"),
        (vec![], vec![], "nothing that blocks"),
    ] {
        let tasks = states.iter().zip(0..).map(|(state, n)| task(1, n, *state, false)).collect();
        assert_eq!(lacks(&readiness(Vec::new(), tasks)), expected, "{states:?}: {why}");
    }
}

#[test]
fn a_failed_record_does_not_stand_for_what_was_missed_before_it() {
    let tasks = vec![task(1, 0, State::Missed, false), task(1, 1, State::Done, true)];
    let found = readiness(Vec::new(), tasks);
    assert_eq!(lacks(&found), [(Lack::Failed, 2)]);
    assert_eq!(found.missing[0].since, at("2026-11-30 08:00"), "since the first without a record");
    assert_eq!(found.missing[0].task.id, task(1, 1, State::Done, true).id, "shown by the latest");
}

#[test]
fn one_routine_does_not_stand_for_another_and_the_longest_missing_comes_first() {
    let tasks = vec![task(1, 2, State::Due, false), task(2, 0, State::Missed, false), task(3, 1, State::Done, false)];
    let found = readiness(Vec::new(), tasks);
    assert_eq!(found.missing.iter().map(|m| m.task.routine_id).collect::<Vec<_>>(), [id(2), id(1)]);
}

#[test]
fn an_operatory_out_of_service_is_not_ready_whatever_its_records_say() {
    let mut chair = operatory(10);
    chair = taken_out_of_service("no suction", at("2026-11-29 10:00"), chair);
    let found = readiness(standing(&chair, &[], &[], at("2026-11-30 08:00")), vec![task(1, 0, State::Done, false)]);
    assert!(!found.is_ready());
    assert!(found.missing.is_empty());
    assert_eq!(found.out_of_service, Some(("no suction".to_owned(), at("2026-11-29 10:00"))));
}

fn any_tasks() -> impl Strategy<Value = Vec<BlockingTask>> {
    let one = (1..4_u128, 0..20_u64, prop::sample::select(State::ALL.to_vec()), prop::bool::weighted(0.2))
        .prop_map(|(routine, n, state, failed)| task(routine, n, state, failed));
    prop::collection::vec(one, 0..12).prop_map(|mut tasks| {
        tasks.sort_by_key(|t| t.id);
        tasks.dedup_by_key(|t| t.id);
        tasks
    })
}

proptest! {
    #[test]
    fn the_order_in_which_tasks_are_found_is_nothing(
        (tasks, shuffled) in any_tasks().prop_flat_map(|t| (Just(t.clone()), Just(t).prop_shuffle())),
    ) {
        prop_assert_eq!(readiness(Vec::new(), tasks), readiness(Vec::new(), shuffled));
    }

    #[test]
    fn a_last_record_for_every_routine_leaves_nothing_missing(mut tasks in any_tasks()) {
        tasks.extend((1..4).map(|routine| task(routine, 30, State::Done, false)));
        prop_assert!(readiness(Vec::new(), tasks).is_ready());
    }

    #[test]
    fn an_open_last_occurrence_is_always_missing(mut tasks in any_tasks(), state in prop::sample::select(&OPEN[..])) {
        tasks.push(task(1, 30, state, false));
        let found = readiness(Vec::new(), tasks);
        prop_assert!(found.missing.iter().any(|m| m.task.routine_id == id(1) && m.lack == Lack::RecordMissing));
    }
}
