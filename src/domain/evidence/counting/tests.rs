//! Laws of what counts, and a table of cases: common practice, no source.

use chrono::{DateTime, TimeDelta, Utc};
use proptest::prelude::*;
use uuid::Uuid;

use super::{Counted, Entry, what_counts};
use crate::domain::task::Outcome;

fn at(minute: i64) -> DateTime<Utc> {
    DateTime::UNIX_EPOCH + TimeDelta::minutes(minute)
}

fn entry(number: u8, minute: i64, outcome: Option<Outcome>, failed: bool) -> Entry {
    Entry {
        completion_id: Uuid::from_u128(number.into()),
        corrects: None,
        performed_at: at(minute),
        outcome,
        failed,
        first_came: false,
    }
}

fn correcting(entry: Entry, corrected: u8) -> Entry {
    Entry { corrects: Some(Uuid::from_u128(corrected.into())), ..entry }
}

#[test]
fn the_first_performed_counts_unless_one_failed_or_was_corrected() {
    let done = Some(Outcome::Done);
    let pending = Some(Outcome::ResultPending);
    let cases = [
        ("an attempt before the work", vec![entry(1, 1, None, true), entry(2, 2, done, false)], (2, done, false)),
        ("an attempt after the work", vec![entry(1, 3, None, true), entry(2, 2, done, false)], (2, done, false)),
        ("two at one instant", vec![entry(2, 2, done, false), entry(1, 2, done, false)], (1, done, false)),
        ("a failed test", vec![entry(1, 1, done, false), entry(2, 9, done, true)], (2, done, true)),
        (
            "not required, then done",
            vec![entry(1, 1, Some(Outcome::NotRequired), false), entry(2, 2, done, false)],
            (1, Some(Outcome::NotRequired), false),
        ),
        ("two attempts", vec![entry(1, 5, None, true), entry(2, 4, None, false)], (1, None, true)),
        (
            "a sample and an attempt at its result",
            vec![entry(1, 1, pending, false), entry(2, 2, None, true)],
            (2, pending, true),
        ),
        ("a sample and its result", vec![entry(1, 1, pending, false), entry(2, 2, done, true)], (2, done, true)),
        (
            "a failure that was corrected",
            vec![entry(1, 1, done, true), correcting(entry(2, 1, done, false), 1)],
            (2, done, false),
        ),
        // The other record stands: the work was done.
        (
            "a correction that falls short beside another record",
            vec![entry(1, 1, done, false), entry(2, 2, done, false), correcting(entry(3, 1, None, true), 1)],
            (2, done, false),
        ),
        (
            "a correction that falls short alone",
            vec![entry(1, 1, done, false), correcting(entry(2, 1, None, true), 1)],
            (2, None, true),
        ),
        (
            "one from before",
            vec![Entry { first_came: true, ..entry(1, 9, done, false) }, entry(2, 1, done, true)],
            (1, done, false),
        ),
    ];
    for (name, entries, (number, outcome, failed)) in cases {
        let counted = Counted { completion_id: Uuid::from_u128(number), outcome, failed };
        assert_eq!(what_counts(&entries), Some(counted), "{name}");
    }
    assert_eq!(what_counts(&[]), None);
}

fn entries() -> impl Strategy<Value = Vec<Entry>> {
    let outcome = prop_oneof![
        Just(None),
        Just(Some(Outcome::Done)),
        Just(Some(Outcome::NotRequired)),
        Just(Some(Outcome::Void)),
        Just(Some(Outcome::ResultPending)),
    ];
    let drawn = (0..4_i64, outcome, any::<bool>(), any::<prop::sample::Index>(), any::<bool>());
    prop::collection::vec(drawn, 1..7).prop_map(|drawn| {
        let mut corrected = Vec::new();
        let numbered = (1_u8..).zip(drawn);
        numbered
            .map(|(number, (minute, outcome, failed, earlier, corrects))| {
                let one = entry(number, minute, outcome, failed);
                let earlier = u8::try_from(earlier.index(usize::from(number))).expect("small");
                // Each is corrected once at most, by one that came later.
                if corrects && earlier > 0 && !corrected.contains(&earlier) {
                    corrected.push(earlier);
                    return correcting(one, earlier);
                }
                one
            })
            .collect()
    })
}

proptest! {
    #[test]
    fn every_order_makes_the_same_of_the_task(
        (entries, shuffled) in entries().prop_flat_map(|e| (Just(e.clone()), Just(e).prop_shuffle())),
    ) {
        prop_assert_eq!(what_counts(&entries), what_counts(&shuffled));
    }

    #[test]
    fn no_further_record_takes_a_failure_away(entries in entries(), minute in 0..4_i64, failed: bool) {
        let before = what_counts(&entries).expect("some");
        prop_assume!(before.failed && before.outcome.is_some_and(|outcome| outcome != Outcome::ResultPending));
        let further = [entries, vec![entry(200, minute, Some(Outcome::Done), failed)]].concat();
        prop_assert!(what_counts(&further).expect("some").failed);
    }
}
