//! Bursts, and what was entered at one go. The bounds are our own and have no source.

use proptest::collection::vec;
use proptest::prelude::*;

use super::*;

fn at(text: &str) -> DateTime<Utc> {
    text.parse().expect("an instant")
}

/// The work of a task of that number, done so many seconds after 08:00, by an entry of the same number.
fn work(n: i64, seconds: i64, rough_minutes: u32) -> Performed {
    let id = Uuid::from_u128(n.unsigned_abs().into());
    Performed {
        completion_id: id,
        task_id: id,
        performed_at: at("2026-11-02T08:00:00Z") + TimeDelta::seconds(seconds),
        rough_minutes,
        entered_at: None,
        tells_of_before: false,
    }
}

/// The numbers of the entries that have a flag.
fn with(flag: Flag, entries: &[Performed]) -> Vec<u128> {
    flags_together(entries).into_iter().filter(|(_, of)| *of == flag).map(|(id, _)| id.as_u128()).collect()
}

/// Five tasks of five minutes: four of them lie between the first entry and the last, so 20 minutes of work.
#[test]
fn a_week_filled_in_at_one_go_is_a_burst_with_each_of_its_entries_and_a_brisk_round_is_none() {
    let round = |apart: i64| (0..5).map(|n| work(1 + n, n * apart, 5)).collect::<Vec<_>>();
    let bursts = |entries: &[Performed]| with(Flag::Burst, entries);
    assert_eq!(bursts(&round(20)), [1, 2, 3, 4, 5]);
    // Twenty minutes in 400 seconds are three times the span exactly, and not more.
    assert_eq!(bursts(&round(100)), [0; 0]);
    assert_eq!(bursts(&round(99)), [1, 2, 3, 4, 5]);
    // Four are too few, and several entries for one task are one piece of work.
    assert_eq!(bursts(&round(20)[1..]), [0; 0]);
    let again = Performed { task_id: Uuid::from_u128(2), ..work(1, 0, 5) };
    assert_eq!(bursts(&[&[again], &round(20)[1..]].concat()), [0; 0]);
    // What takes no time can be done in none.
    let idle: Vec<_> = round(0).iter().map(|entry| Performed { rough_minutes: 0, ..*entry }).collect();
    assert_eq!(bursts(&idle), [0; 0]);
    // An entry long after it is no part of it.
    assert_eq!(bursts(&[round(20), vec![work(9, 3_000, 5)]].concat()), [1, 2, 3, 4, 5]);
}

#[test]
fn a_burst_lasts_an_hour_at_most() {
    let day = |apart: i64| (0..5).map(|n| work(1 + n, n * apart, 600)).collect::<Vec<_>>();
    assert_eq!(with(Flag::Burst, &day(900)).len(), 5);
    assert_eq!(with(Flag::Burst, &day(901)).len(), 0);
}

#[test]
fn work_that_was_done_apart_and_entered_at_one_go_shows_with_each_of_five() {
    // Done so many seconds apart, from 08:00; entered from 08:40 on, so many seconds apart.
    let round = |count: i64, apart: i64, entered_apart: i64| {
        let piece = |n: i64| Performed {
            entered_at: Some(at("2026-11-02T08:40:00Z") + TimeDelta::seconds(entered_apart * n)),
            ..work(1 + n, apart * n, 2)
        };
        with(Flag::EnteredTogether, &(0..count).map(piece).collect::<Vec<_>>())
    };
    assert_eq!(round(5, 480, 10), [1, 2, 3, 4, 5]);
    assert_eq!(round(4, 480, 10), [0; 0]);
    // Half an hour and five minutes still count; a second less of the one, or one more of the other, does not.
    assert_eq!(round(5, 450, 75), [1, 2, 3, 4, 5]);
    assert_eq!(round(5, 449, 75), [0; 0]);
    assert_eq!(round(5, 450, 76), [0; 0]);
    // A week, a task a day, typed in on its last evening.
    assert_eq!(round(7, 86_400, 30), [1, 2, 3, 4, 5, 6, 7]);
}

#[test]
fn results_and_corrections_are_entered_later_by_their_nature() {
    let result = |n: i64| Performed {
        entered_at: Some(at("2026-11-09T08:00:00Z")),
        tells_of_before: n > 0,
        ..work(1 + n, 86_400 * n, 2)
    };
    assert_eq!(with(Flag::EnteredTogether, &(0..7).map(result).collect::<Vec<_>>()), [0; 0]);
}

fn entries() -> impl Strategy<Value = Vec<Performed>> {
    let entry = (1..9_u128, 0..5_400_i64, 0..12_u32, prop::option::of(0..900_i64), any::<bool>());
    vec(entry, 1..14).prop_map(|drawn| {
        let entered = |seconds| at("2026-11-02T10:00:00Z") + TimeDelta::seconds(seconds);
        let numbered = (1..).zip(drawn);
        let entries = numbered.map(|(n, (task, seconds, rough_minutes, entered_after, tells_of_before))| Performed {
            task_id: Uuid::from_u128(task),
            entered_at: entered_after.map(entered),
            tells_of_before,
            ..work(n, seconds, rough_minutes)
        });
        entries.collect()
    })
}

proptest! {
    /// Whoever looks as each entry comes has raised what one look at all of them raises, in whatever order they came.
    #[test]
    fn flags_hang_on_the_entries_and_not_on_their_order(drawn in entries(), turned in any::<prop::sample::Index>()) {
        let mut arrived = drawn.clone();
        arrived.rotate_left(turned.index(drawn.len()));
        let mut raised = BTreeSet::new();
        for come in 1..=arrived.len() {
            let seen = flags_together(&arrived[..come]);
            prop_assert!(seen.is_superset(&raised), "an entry took a flag away");
            raised.extend(seen);
        }
        prop_assert_eq!(raised, flags_together(&drawn));
    }
}
