//! Laws of sealing, and what makes a seal follow another.

use chrono::{Days, TimeDelta};
use proptest::prelude::*;
use serde_json::{Map, Value};

use super::record::{Record, RecordError, leaves};
use super::*;

pub(super) fn at(day: u64, hour: i64) -> DateTime<Utc> {
    "2026-11-02T00:00:00Z".parse::<DateTime<Utc>>().unwrap() + Days::new(day) + TimeDelta::hours(hour)
}

pub(super) fn record(number: usize, value: &str) -> Record {
    let fields = json!({ "ordinal": number, "recorded_at": instant_text(at(0, 9)), "value": value, "reason": null });
    let Value::Object(fields) = fields else { unreachable!("an object is written above") };
    Record::new("step_result", format!("completion-1/step-{number}"), fields)
}

pub(super) fn records(count: usize) -> Vec<Record> {
    (0..count).map(|number| record(number, "0.45")).collect()
}

pub(super) fn day(number: u64) -> Day {
    Day {
        group_id: Uuid::from_u128(0x0A),
        clinic_id: Uuid::from_u128(0xC1),
        clinic_day: at(number, 0).date_naive(),
        recorded_from: at(number, 5),
        recorded_until: at(number + 1, 5),
    }
}

/// Seals of consecutive days with these many records.
pub(super) fn chain(counts: &[usize]) -> Vec<DaySeal> {
    let mut seals: Vec<DaySeal> = Vec::new();
    for (number, count) in (0..).zip(counts) {
        let leaves = leaves(&records(*count)).unwrap();
        seals.push(DaySeal::new(day(number), &leaves, at(number + 1, 6), seals.last()).unwrap());
    }
    seals
}

/// An edit of a seal.
type Change = fn(&mut DaySeal);

#[test]
fn a_seal_must_follow_the_one_before_it() {
    let seals = chain(&[3, 0, 2]);
    let [_, last, next] = &seals[..] else { panic!("three seals") };
    let changed = |change: Change| {
        let mut seal = next.clone();
        change(&mut seal);
        seal.follows(Some(last))
    };
    assert_eq!(changed(|_| ()), Ok(()));
    let cases: [(Change, BrokenLink); 10] = [
        (|seal| seal.number = 3, BrokenLink::Number),
        (|seal| seal.previous = None, BrokenLink::Previous),
        (|seal| seal.previous = Some(seal.root), BrokenLink::Previous),
        (|seal| seal.clinic_id = Uuid::max(), BrokenLink::Clinic),
        (|seal| seal.group_id = Uuid::max(), BrokenLink::Clinic),
        (|seal| seal.clinic_day = at(1, 0).date_naive(), BrokenLink::ClinicDay),
        (|seal| seal.recorded_from = at(2, 4), BrokenLink::Span),
        (|seal| seal.recorded_from = at(2, 6), BrokenLink::Span),
        (|seal| seal.recorded_until = seal.recorded_from, BrokenLink::Span),
        (|seal| seal.sealed_at = at(3, 4), BrokenLink::SealedAt),
    ];
    for (change, rule) in cases {
        assert_eq!(changed(change), Err(rule));
    }
    assert_eq!(next.follows(None), Err(BrokenLink::Number));
    let early = DaySeal::new(day(0), &Leaves::new(), at(1, 4), None);
    assert_eq!(early, Err(BrokenLink::SealedAt));
    let sealed_late = DaySeal::new(day(0), &Leaves::new(), at(9, 0), None).unwrap();
    let next = |sealed_at| DaySeal::new(day(1), &Leaves::new(), sealed_at, Some(&sealed_late)).map(drop);
    assert_eq!((next(at(8, 23)), next(at(9, 0))), (Err(BrokenLink::SealedAt), Ok(())));
}

#[test]
fn a_seal_hashes_what_it_is_served_as() {
    for seal in chain(&[2, 0]) {
        let served = serde_json::to_value(&seal).unwrap();
        assert_eq!(seal.leaf(), TreeHash::of_leaf(&canonical::canonical(&served).unwrap()));
        assert_eq!(serde_json::from_value::<DaySeal>(served).unwrap(), seal);
    }
}

#[test]
fn a_record_hashes_what_it_is_served_as() {
    let record = record(1, "0.45");
    let served = canonical::canonical(&serde_json::to_value(&record).unwrap()).unwrap();
    assert_eq!(record.leaf(), Ok(TreeHash::of_leaf(&served)));
}

#[test]
fn a_column_that_is_null_leaves_no_trace_and_one_that_is_filled_does() {
    let row = |columns: Value| {
        let Value::Object(columns) = columns else { panic!("an object") };
        Record::new("completion", "1".to_owned(), columns).leaf().unwrap()
    };
    let sealed = row(json!({ "note": "", "corrects": null }));
    assert_eq!(row(json!({ "note": "", "corrects": null, "added_later": null })), sealed);
    assert_ne!(row(json!({ "note": "", "corrects": "2" })), sealed);
    assert_ne!(row(json!({ "note": null, "corrects": null })), sealed);
    assert_ne!(row(json!({ "note": "", "limits": [null] })), row(json!({ "note": "", "limits": [] })));
}

#[test]
fn two_records_of_one_name_and_fractions_make_no_leaves() {
    let twice = leaves(&[record(1, "0.45"), record(1, "0.46")]);
    assert_eq!(twice, Err(RecordError::Twice(record(1, "").name())));
    let mut fraction = record(1, "0.45");
    fraction.fields.insert("value".to_owned(), json!(0.45));
    assert!(matches!(leaves(&[fraction]), Err(RecordError::NotExact { .. })));
}

#[test]
fn an_instant_has_one_text() {
    for (given, text) in [
        ("2026-11-02T09:00:00Z", "2026-11-02T09:00:00.000000Z"),
        ("2026-11-02T10:00:00.5+01:00", "2026-11-02T09:00:00.500000Z"),
        ("2026-11-02T09:00:00.000001Z", "2026-11-02T09:00:00.000001Z"),
    ] {
        assert_eq!(instant_text(given.parse().unwrap()), text);
    }
}

/// Values as rows hold them.
pub(super) fn any_value() -> impl Strategy<Value = Value> {
    let plain = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        (-(1_i64 << 53) + 1..1 << 53).prop_map(Value::from),
        any::<String>().prop_map(Value::from),
    ];
    plain.prop_recursive(2, 8, 4, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..4).prop_map(Value::from),
            prop::collection::btree_map(any::<String>(), inner, 0..4)
                .prop_map(|members| Value::Object(members.into_iter().collect())),
        ]
    })
}

pub(super) fn any_records() -> impl Strategy<Value = Vec<Record>> {
    let fields = prop::collection::btree_map("[a-z_]{1,8}|\\PC{1,4}", any_value(), 1..5);
    let kind = prop_oneof![Just("completion"), Just("step_result"), Just("correction")];
    prop::collection::btree_map((kind, "[0-9a-f]{1,6}"), fields, 1..12).prop_map(|rows| {
        let record = |((kind, id), fields): ((&str, String), _)| Record {
            kind: kind.to_owned(),
            id,
            fields: Map::from_iter(fields),
        };
        rows.into_iter().map(record).collect()
    })
}

proptest! {
    #[test]
    fn records_in_any_order_have_the_same_root((sorted, shuffled) in any_records().prop_flat_map(|records| {
        (Just(records.clone()), Just(records).prop_shuffle())
    })) {
        prop_assert_eq!(leaves(&sorted).unwrap(), leaves(&shuffled).unwrap());
        prop_assert_eq!(day_root(&leaves(&sorted).unwrap()), day_root(&leaves(&shuffled).unwrap()));
    }

    #[test]
    fn any_other_value_of_any_field_has_another_root(
        records in any_records(), which in any::<prop::sample::Index>(), value in any_value(),
    ) {
        let mut edited = records.clone();
        let fields = &mut edited[which.index(records.len())].fields;
        let at = which.index(fields.len());
        *fields.values_mut().nth(at).unwrap() = value;
        let same = edited == records;
        prop_assert_eq!(day_root(&leaves(&edited).unwrap()) == day_root(&leaves(&records).unwrap()), same);
    }
}
