use proptest::prelude::*;

use super::*;
use crate::domain::limit::{Qualifier, Seen, Source};

const CFU: &str = "[CFU]/mL";

fn day(year: i32) -> NaiveDate {
    NaiveDate::from_ymd_opt(year, 6, 1).unwrap()
}

fn placed(set_by: SetBy, operator: Operator, value: i64, title: &str) -> Limit {
    let source = Source { title: title.into(), edition: "1".into(), locator: String::new(), seen: Seen::Read };
    Limit {
        operator,
        value: value.into(),
        unit: CFU.into(),
        source,
        effective_from: None,
        effective_until: None,
        set_by,
        jurisdiction: String::new(),
        legal: false,
    }
}

fn at_most(set_by: SetBy, value: i64) -> Limit {
    placed(set_by, Operator::Le, value, "invented")
}

/// At most 500 CFU/mL by law (WAC 246-817-660, in force since 2021-01-23; read).
fn washington() -> Limit {
    let mut law = placed(SetBy::Default, Operator::Le, 500, "WAC 246-817-660");
    law.effective_from = NaiveDate::from_ymd_opt(2021, 1, 23);
    Limit { jurisdiction: "US-WA".into(), legal: true, ..law }
}

fn reading(value: i64) -> Reading {
    Reading { qualifier: Qualifier::Eq, value: value.into(), unit: CFU.into() }
}

/// The one answer from above.
fn decided(limits: &[Limit], value: i64) -> DecidedLimit {
    let mut all = decide(limits, &reading(value), day(2026), "US-WA");
    assert_eq!(all.len(), 1);
    all.remove(0)
}

#[test]
fn the_nearer_to_the_work_the_higher_the_rank() {
    use SetBy::{Clinic, Default, Group, Maker};
    let all = [at_most(Default, 100), at_most(Group, 200), at_most(Maker, 300), at_most(Clinic, 400)];
    for (limits, setter) in
        [(&all[..1], Default), (&all[..2], Group), (&all[..3], Maker), (&all[..], Maker), (&all[1..2], Group)]
    {
        assert_eq!(decided(limits, 150).deciding.limit.set_by, setter, "{} limits", limits.len());
    }
    let clinic_is_stricter = [at_most(Group, 200), at_most(Maker, 300), at_most(Clinic, 250)];
    assert_eq!(decided(&clinic_is_stricter, 150).deciding.limit.set_by, Clinic);
}

/// A maker that allows more than the law decides, and the law stays in sight with its own answer.
#[test]
fn the_stricter_law_stays_visible_beside_a_looser_limit() {
    let limits = [washington(), at_most(SetBy::Maker, 1000)];
    let got = decided(&limits, 700);
    assert_eq!((got.deciding.limit.set_by, got.deciding.kept), (SetBy::Maker, Some(true)));
    assert_eq!(got.stricter_legal, [LimitAnswer { limit: washington(), kept: Some(false) }]);
    // A law that is not stricter is no news, and advice is no law.
    assert_eq!(decided(&[washington(), at_most(SetBy::Maker, 500)], 300).stricter_legal, []);
    assert_eq!(decided(&[at_most(SetBy::Default, 200), at_most(SetBy::Maker, 500)], 300).stricter_legal, []);
}

/// "At most 500" (CDC, MMWR 52(RR-17) 2003, rec. VII.A, read) and "fewer than 500" (CDC, Best Practices for Dental Unit
/// Water Quality, read): at 500 they differ, and the stricter wording decides.
#[test]
fn at_one_value_the_wording_that_excludes_it_is_stricter() {
    let limits = [
        placed(SetBy::Default, Operator::Le, 500, "CDC, MMWR 52(RR-17)"),
        placed(SetBy::Default, Operator::Lt, 500, "CDC, Best Practices"),
    ];
    let got = decided(&limits, 500);
    assert_eq!((got.deciding.limit.operator, got.deciding.kept), (Operator::Lt, Some(false)));
    let law = [Limit { legal: true, ..limits[1].clone() }, at_most(SetBy::Clinic, 500)];
    assert_eq!(decided(&law, 500).stricter_legal.len(), 1);
}

#[test]
fn the_more_local_limit_of_a_rank_decides() {
    let country = Limit { jurisdiction: "US".into(), ..at_most(SetBy::Default, 300) };
    let limits = [at_most(SetBy::Default, 100), country, washington()];
    for (place, value) in [("US-WA", 500), ("US-CA", 300), ("DE", 100)] {
        let got = decide(&limits, &reading(1), day(2026), place);
        assert_eq!(got[0].deciding.limit.value, value.into(), "{place}");
    }
}

#[test]
fn only_what_is_in_force_that_day_and_in_that_unit_counts() {
    let other_unit = Reading { unit: "mg/L".into(), ..reading(1) };
    assert_eq!(decide(&[washington()], &reading(1), day(2020), "US-WA"), []);
    assert_eq!(decide(&[washington()], &reading(1), day(2026), "US-WA").len(), 1);
    assert_eq!(decide(&[washington()], &reading(1), day(2026), "US"), []);
    assert_eq!(decide(&[washington()], &other_unit, day(2026), "US-WA"), []);
}

/// ISO 3696:1987, grade 3: pH 5.0 to 7.5 (read): a range is two limits, and each is decided alone.
#[test]
fn a_range_is_decided_from_both_sides() {
    let limits = [
        placed(SetBy::Default, Operator::Ge, 5, "ISO 3696:1987"),
        placed(SetBy::Default, Operator::Le, 7, "ISO 3696:1987, rounded down for this test"),
        placed(SetBy::Clinic, Operator::Ge, 6, "invented"),
    ];
    for (value, above, below) in [(5, true, false), (6, true, true), (8, false, true)] {
        let kept: Vec<_> =
            decide(&limits, &reading(value), day(2026), "").iter().map(|one| one.deciding.kept).collect();
        assert_eq!(kept, [Some(above), Some(below)], "{value}");
    }
}

#[test]
fn a_bounded_reading_may_leave_a_limit_open() {
    let many = Reading { qualifier: Qualifier::Gt, ..reading(300) };
    let got = decide(&[washington()], &many, day(2026), "US-WA");
    assert_eq!(got[0].deciding.kept, None);
}

fn any_limit() -> impl Strategy<Value = Limit> {
    let setter = prop::sample::select(SETTERS.to_vec());
    let operator = prop::sample::select(vec![Operator::Lt, Operator::Le, Operator::Ge, Operator::Gt]);
    let place = prop::sample::select(vec!["", "US", "US-WA", "GB"]);
    (setter, operator, 0_i64..6, place, any::<bool>()).prop_map(|(set_by, operator, value, place, legal)| Limit {
        jurisdiction: place.into(),
        legal,
        ..placed(set_by, operator, value, "drawn")
    })
}

proptest! {
    /// The order in which limits are listed decides nothing, and no law that a reading breaks is hidden.
    #[test]
    fn the_list_order_is_nothing_and_no_broken_law_is_hidden(
        (limits, shuffled) in prop::collection::vec(any_limit(), 0..8).prop_flat_map(|l| (Just(l.clone()), Just(l).prop_shuffle())),
        value in 0_i64..6,
    ) {
        let seen = |limits: &[Limit]| -> Vec<_> {
            let told = |one: &LimitAnswer| (one.limit.operator, one.limit.value, one.kept);
            decide(limits, &reading(value), day(2026), "US-WA")
                .iter()
                .map(|one| (told(&one.deciding), one.stricter_legal.iter().map(told).collect::<Vec<_>>()))
                .collect()
        };
        prop_assert_eq!(seen(&limits), seen(&shuffled));
        for law in limits.iter().filter(|l| l.legal && applies_at(&l.jurisdiction, "US-WA")) {
            if law.is_kept_by(Qualifier::Eq, value.into()) == Some(false) {
                let broken = decide(&limits, &reading(value), day(2026), "US-WA").iter().any(|one| {
                    side_of(&one.deciding.limit) == side_of(law)
                        && (one.deciding.kept == Some(false) || one.stricter_legal.iter().any(|a| a.kept == Some(false)))
                });
                prop_assert!(broken, "{law:?}");
            }
        }
    }
}
