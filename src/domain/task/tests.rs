//! Identity, state and level of a task.

use proptest::prelude::*;

use super::*;
use crate::domain::fixtures::*;

/// 07:00 may start, 08:00 due, 08:10 overdue, 12:00 missed.
fn times() -> Times {
    Times {
        anchor_at: at("2026-11-30 08:00"),
        due_from: at("2026-11-30 07:00"),
        due_by: at("2026-11-30 08:00"),
        overdue_at: at("2026-11-30 08:10"),
        missed_at: at("2026-11-30 12:00"),
        blocks_at: Some(at("2026-11-30 07:00")),
        rungs: vec![
            (at("2026-11-30 08:10"), Audience::Chairside),
            (at("2026-11-30 09:10"), Audience::ClinicLead),
            (at("2026-12-01 09:10"), Audience::GroupManager),
        ],
    }
}

/// Computed outside, with Python's `hashlib` and `uuid`: the first 12 bytes of SHA-256 over
/// `chairtide task v1`, routine, subject, days since 1970-01-01 (big-endian) and slot, behind the four bytes of the
/// day, with version 8 and the variant of RFC 9562, section 5.8.
#[test]
fn an_id_is_what_an_independent_computation_gives() {
    for (day, slot, expected) in [
        ("2026-11-30", Slot::Opening, "00005133-23f8-8eeb-84a3-2e7eabafb4c4"),
        ("2026-11-30", Slot::Closing, "00005133-b71a-87e6-ba85-88ede58439be"),
        ("2026-11-30", Slot::Turnover(id(3)), "00005133-130f-8371-9045-13da4f65dfe0"),
        ("2026-12-01", Slot::Rule(on("2026-11-29")), "00005134-b42a-85ba-8ea7-de7b0f453848"),
        ("2026-12-01", Slot::Repeat(id(4)), "00005134-7458-8a92-bad5-6ea1e096d058"),
    ] {
        let task_id = TaskId::derive(id(1), id(2), on(day), &slot);
        assert_eq!(task_id.to_string(), expected, "{slot}");
        assert_eq!(task_id.clinic_day(), on(day));
        assert_eq!(TaskId::from_uuid(task_id.as_uuid()), Some(task_id));
    }
}

#[test]
fn every_part_of_an_occurrence_is_in_its_id() {
    let ids = [
        TaskId::derive(id(1), id(2), on("2026-11-30"), &Slot::Opening),
        TaskId::derive(id(2), id(1), on("2026-11-30"), &Slot::Opening),
        TaskId::derive(id(1), id(3), on("2026-11-30"), &Slot::Opening),
        TaskId::derive(id(1), id(2), on("2026-12-01"), &Slot::Opening),
        TaskId::derive(id(1), id(2), on("2026-11-30"), &Slot::Closing),
    ];
    for (i, task_id) in ids.iter().enumerate() {
        assert!(!ids[..i].contains(task_id), "{i}");
    }
}

#[test]
fn an_id_that_cannot_be_ours_is_refused() {
    for (text, why) in [
        ("00000000-0000-0000-0000-000000000000", "no version"),
        ("00005133-23f8-4eeb-84a3-2e7eabafb4c4", "a random one, version 4"),
        ("00014826-23f8-8eeb-84a3-2e7eabafb4c4", "84006 days: the year 2200"),
        ("ffffffff-23f8-8eeb-84a3-2e7eabafb4c4", "no date at all"),
    ] {
        assert_eq!(TaskId::from_uuid(text.parse().unwrap()), None, "{why}");
    }
    // 84005 days after 1970-01-01 is the last day of 2199.
    let last = TaskId::from_uuid("00014825-23f8-8eeb-84a3-2e7eabafb4c4".parse().unwrap()).unwrap();
    assert_eq!(last.clinic_day(), on("2199-12-31"));
}

#[test]
fn a_slot_comes_back_from_its_text() {
    for slot in [Slot::Opening, Slot::Closing, Slot::Turnover(id(7)), Slot::Rule(on("2026-11-30")), Slot::Repeat(id(8))]
    {
        assert_eq!(Slot::parse(&slot.to_string()), Some(slot));
    }
    for text in ["", "noon", "opening:", "turnover", "turnover:x", "rule:2026-13-01", "rule", "repeat:"] {
        assert_eq!(Slot::parse(text), None, "{text}");
    }
}

#[test]
fn an_open_task_changes_state_at_each_edge_of_its_window() {
    for (instant, expected) in [
        ("2026-11-30 06:59", State::Upcoming),
        ("2026-11-30 07:00", State::Due),
        ("2026-11-30 07:59", State::Due),
        ("2026-11-30 08:00", State::Grace),
        ("2026-11-30 08:10", State::Overdue),
        ("2026-11-30 11:59", State::Overdue),
        ("2026-11-30 12:00", State::Missed),
    ] {
        let state = state_at(&times(), None, at(instant));
        assert_eq!(state, expected, "{instant}");
        assert_eq!(state.is_open(), expected != State::Missed);
    }
}

#[test]
fn an_outcome_counts_from_the_instant_it_was_recorded() {
    for (outcome, expected) in [
        (Outcome::Done, State::Done),
        (Outcome::NotRequired, State::NotRequired),
        (Outcome::Void, State::Void),
        (Outcome::ResultPending, State::ResultPending),
    ] {
        let recorded = Some((outcome, at("2026-11-30 09:30")));
        assert_eq!(state_at(&times(), recorded, at("2026-11-30 09:29")), State::Overdue);
        assert_eq!(state_at(&times(), recorded, at("2026-11-30 09:30")), expected);
        assert_eq!(state_at(&times(), recorded, at("2026-12-30 09:30")), expected, "and for ever");
        assert_eq!(level_at(&times(), recorded, at("2026-11-30 09:29")), (2, Some(Audience::ClinicLead)));
        assert_eq!(level_at(&times(), recorded, at("2026-11-30 09:30")), (0, None));
    }
}

#[test]
fn the_level_is_the_number_of_rungs_reached() {
    for (instant, expected) in [
        ("2026-11-30 08:09", (0, None)),
        ("2026-11-30 08:10", (1, Some(Audience::Chairside))),
        ("2026-11-30 09:09", (1, Some(Audience::Chairside))),
        ("2026-11-30 09:10", (2, Some(Audience::ClinicLead))),
        ("2026-12-01 09:10", (3, Some(Audience::GroupManager))),
    ] {
        assert_eq!(level_at(&times(), None, at(instant)), expected, "{instant}");
    }
}

#[test]
fn a_repeat_is_due_at_once_with_the_grace_and_span_of_the_first() {
    let again = times().repeated_at(at("2026-11-30 10:00"));
    let expected = Times {
        anchor_at: at("2026-11-30 10:00"),
        due_from: at("2026-11-30 10:00"),
        due_by: at("2026-11-30 10:00"),
        overdue_at: at("2026-11-30 10:10"),
        missed_at: at("2026-11-30 14:00"),
        blocks_at: Some(at("2026-11-30 10:00")),
        rungs: vec![
            (at("2026-11-30 10:10"), Audience::Chairside),
            (at("2026-11-30 11:10"), Audience::ClinicLead),
            (at("2026-12-01 11:10"), Audience::GroupManager),
        ],
    };
    assert_eq!(again, expected);
    let never_blocks = Times { blocks_at: None, ..times() };
    assert_eq!(never_blocks.repeated_at(at("2026-11-30 10:00")).blocks_at, None);
}

#[test]
fn every_outcome_is_found_by_its_stable_name_and_has_a_state_of_that_name() {
    for outcome in [Outcome::Done, Outcome::NotRequired, Outcome::Void, Outcome::ResultPending] {
        assert_eq!(Outcome::from_name(outcome.as_str()), Some(outcome));
        assert_eq!(serde_json::to_value(outcome).unwrap(), outcome.as_str());
        let state = state_at(&times(), Some((outcome, times().due_by)), times().due_by);
        assert_eq!(state.as_str(), outcome.as_str());
    }
    assert_eq!(Outcome::from_name("missed"), None, "missed is no outcome: nobody records it");
    for state in State::ALL {
        assert_eq!(serde_json::to_value(state).unwrap(), state.as_str());
    }
}

/// How far an open task has come; what is recorded has no place in this order.
fn rank(state: State) -> usize {
    State::ALL.iter().position(|s| *s == state).expect("ALL holds all")
}

fn any_times() -> impl Strategy<Value = Times> {
    let gaps = prop::collection::vec(prop_oneof![1 => Just(0), 4 => 0..5_000_i64], 3);
    (0..500_000_i64, gaps, prop::bool::ANY, prop::collection::btree_set(0..9_000_i64, 0..4)).prop_map(
        |(start, gaps, blocks, rungs)| {
            let due_from = at("2026-01-01 00:00") + minutes(start);
            let due_by = due_from + minutes(gaps[0]);
            let overdue_at = due_by + minutes(gaps[1]);
            Times {
                anchor_at: due_by,
                due_from,
                due_by,
                overdue_at,
                missed_at: overdue_at + minutes(gaps[2]),
                blocks_at: blocks.then_some(due_from),
                rungs: rungs.into_iter().map(|m| (overdue_at + minutes(m), Audience::Chairside)).collect(),
            }
        },
    )
}

proptest! {
    #[test]
    fn a_task_without_record_only_ever_moves_towards_missed(
        times in any_times(), a in -10_000..20_000_i64, b in -10_000..20_000_i64,
    ) {
        let state = |minute| state_at(&times, None, times.due_by + minutes(minute));
        prop_assert!(rank(state(a.min(b))) <= rank(state(a.max(b))));
        prop_assert!(rank(state(a)) <= rank(State::Missed));
    }

    #[test]
    fn a_repeat_of_a_void_test_keeps_its_window_ordered_and_open(times in any_times(), later in -9_000..20_000_i64) {
        let now = times.due_by + minutes(later);
        let again = times.repeated_at(now);
        prop_assert!(again.due_from <= again.due_by && again.due_by <= again.overdue_at);
        prop_assert!(again.overdue_at < again.missed_at);
        prop_assert!(state_at(&again, None, now).is_open());
        prop_assert!(again.rungs.is_sorted_by_key(|(reached_at, _)| *reached_at));
        prop_assert!(again.rungs.iter().all(|(reached_at, _)| *reached_at >= again.overdue_at));
        prop_assert_eq!(again.rungs.len(), times.rungs.len());
        prop_assert_eq!(again.overdue_at - again.due_by, times.overdue_at - times.due_by);
    }

    #[test]
    fn an_id_carries_its_clinic_day_and_comes_back_from_its_uuid(
        routine in any::<u128>(), subject in any::<u128>(), days in 0..84_006_u64, mark in any::<u128>(),
    ) {
        let day = FIRST_DAY + Days::new(days);
        let task_id = TaskId::derive(id(routine), id(subject), day, &Slot::Turnover(id(mark)));
        prop_assert_eq!(task_id.clinic_day(), day);
        prop_assert_eq!(TaskId::from_uuid(task_id.as_uuid()), Some(task_id));
    }
}
