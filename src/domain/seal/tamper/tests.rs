//! That whatever was done to the rows is named.

use proptest::prelude::*;
use serde_json::json;

use super::super::record::leaves;
use super::super::tests::{any_records, any_value, at, chain, day, record, records};
use super::*;

fn sealed(records: &[Record]) -> (DaySeal, Leaves) {
    let leaves = leaves(records).unwrap();
    (DaySeal::new(day(0), &leaves, at(1, 6), None).unwrap(), leaves)
}

fn findings_of(seal: &DaySeal, leaves: &Leaves, rows: &[Record]) -> Vec<SealFinding> {
    day_findings(seal, leaves, &rows.iter().map(read_back).collect::<Vec<_>>())
}

fn clinic_day() -> NaiveDate {
    day(0).clinic_day
}

#[test]
fn rows_as_they_were_sealed_give_no_finding_in_any_order() {
    let mut rows = records(5);
    let (seal, leaves) = sealed(&rows);
    rows.reverse();
    assert_eq!(findings_of(&seal, &leaves, &rows), []);
    let (seal, leaves) = sealed(&[]);
    assert_eq!(findings_of(&seal, &leaves, &[]), []);
}

#[test]
fn every_changed_removed_and_inserted_row_is_named() {
    let before = records(6);
    let (seal, leaves) = sealed(&before);
    let mut rows = before.clone();
    rows[1] = record(1, "0.46");
    rows[2].fields.insert("value".to_owned(), json!(0.45)); // it cannot even be hashed
    rows[3].fields.remove("recorded_at");
    rows.remove(4);
    rows.push(record(7, "0.45"));
    rows.push(record(0, "9.99")); // a second row of a name that is there already
    let expected = [
        SealFinding::RecordChanged { clinic_day: clinic_day(), record: before[1].name() },
        SealFinding::RecordChanged { clinic_day: clinic_day(), record: before[2].name() },
        SealFinding::RecordChanged { clinic_day: clinic_day(), record: before[3].name() },
        SealFinding::RecordInserted { clinic_day: clinic_day(), record: record(7, "").name() },
        SealFinding::RecordInserted { clinic_day: clinic_day(), record: before[0].name() },
        SealFinding::RecordRemoved { clinic_day: clinic_day(), record: before[4].name() },
    ];
    assert_eq!(findings_of(&seal, &leaves, &rows), expected);
}

#[test]
fn a_row_changed_together_with_its_leaf_shows_in_the_day() {
    let mut rows = records(6);
    let (seal, _) = sealed(&rows);
    rows[2] = record(2, "0.46");
    let changed = leaves(&rows).unwrap();
    assert_eq!(findings_of(&seal, &changed, &rows), [SealFinding::LeavesChanged { clinic_day: clinic_day() }]);
    let removed = leaves(&rows[..5]).unwrap();
    assert_eq!(findings_of(&seal, &removed, &rows[..5]), [SealFinding::LeavesChanged { clinic_day: clinic_day() }]);
}

#[test]
fn a_changed_or_removed_seal_shows_in_the_chain() {
    let seals = chain(&[3, 0, 2, 5]);
    let head = |size: usize| {
        let leaves: Vec<TreeHash> = seals[..size].iter().map(DaySeal::leaf).collect();
        ChainHead::new(seals[0].group_id, seals[0].clinic_id, &leaves)
    };
    let kept = [head(2), head(4)];
    assert_eq!(chain_findings(&seals, &kept), []);
    let broken = |place: usize, rule| SealFinding::SealBroken { clinic_day: seals[place].clinic_day, rule };

    let mut changed = seals.clone();
    changed[1].record_count = 1;
    let expected = [broken(2, BrokenLink::Previous), SealFinding::HeadLost { size: 2 }];
    assert_eq!(chain_findings(&changed, &kept), expected);

    let mut removed = seals.clone();
    removed.remove(2);
    assert_eq!(chain_findings(&removed, &kept), [broken(3, BrokenLink::Number), SealFinding::HeadLost { size: 4 }]);

    // A chain cut short, or made anew from its beginning, is whole in itself: only a kept head tells.
    assert_eq!(chain_findings(&seals[..3], &kept), [SealFinding::HeadLost { size: 4 }]);
    assert_eq!(chain_findings(&seals[..3], &[]), []);
    let anew = chain(&[3, 1, 2, 5]);
    assert_eq!(chain_findings(&anew, &kept), [SealFinding::HeadLost { size: 2 }]);
}

proptest! {
    #[test]
    fn an_edit_names_the_row_it_was_made_in_and_no_other(
        before in any_records(), which in any::<prop::sample::Index>(), value in any_value(),
    ) {
        let (seal, leaves) = sealed(&before);
        let mut rows = before.clone();
        let row = which.index(rows.len());
        let field = which.index(rows[row].fields.len());
        *rows[row].fields.values_mut().nth(field).unwrap() = value;
        let expected = (rows[row] != before[row])
            .then(|| SealFinding::RecordChanged { clinic_day: clinic_day(), record: before[row].name() });
        prop_assert_eq!(findings_of(&seal, &leaves, &rows), Vec::from_iter(expected));
    }
}
