use proptest::prelude::*;

use super::*;
use crate::domain::limit::{Seen, SetBy, Source};

/// A maximum in CFU/mL; where it is from stands beside each check.
fn maximum(operator: Operator, value: i64) -> Limit {
    let source =
        Source { title: "test".into(), edition: "1".into(), locator: String::new(), seen: Seen::CommonPractice };
    let unit = CFU_PER_ML.to_owned();
    Limit {
        operator,
        value: value.into(),
        unit,
        source,
        effective_from: None,
        effective_until: None,
        set_by: SetBy::Default,
        jurisdiction: String::new(),
        legal: false,
    }
}

/// The maximum of CDC, MMWR 52(RR-17) 2003, rec. VII.A: at most 500 CFU/mL (read).
fn at_most_500() -> Limit {
    maximum(Operator::Le, 500)
}

fn counted(colonies: u32, plated_ml: &str) -> Plate {
    Plate { seen: Colonies::Counted { colonies }, plated_ml: plated_ml.parse().unwrap(), diluted_times: 1 }
}

/// Garwood's limits at 95 %. k = 0 (upper), 10 and 100 are published (read); the others were worked out by bisection on
/// the Poisson distribution, apart from this code (computed).
#[test]
fn two_sided_limits_are_those_of_the_table() {
    let table = [
        (0, 0.0, 3.6889),
        (1, 0.0253, 5.5716),
        (2, 0.2422, 7.2247),
        (3, 0.6187, 8.7673),
        (5, 1.6235, 11.6683),
        (10, 4.7954, 18.3904),
        (20, 12.2165, 30.8884),
        (25, 16.1787, 36.9049),
        (30, 20.2409, 42.8269),
        (42, 30.2699, 56.7718),
        (50, 37.1110, 65.9188),
        (100, 81.3640, 121.6268),
        (250, 219.9680, 282.9877),
        (300, 267.0093, 335.9411),
    ];
    for (k, lower, upper) in table {
        let got = two_sided(k, Confidence::P95);
        assert!((got.0 - lower).abs() < 5.1e-5 && (got.1 - upper).abs() < 5.1e-5, "{k}: {got:?}");
    }
}

/// Computed with the table above.
#[test]
fn one_sided_upper_limits_are_those_of_the_table() {
    for (k, upper, digit) in [(0, 2.9957, 5.1e-5), (10, 16.9622, 5.1e-5), (38, 49.81, 5.1e-3), (39, 50.94, 5.1e-3)] {
        let got = upper_limit(k, Confidence::P95);
        assert!((got - upper).abs() < digit, "{k}: {got}");
    }
}

/// 42 colonies of 0.1 mL: 420 CFU/mL, 302.7 to 567.7 (computed): kept by point value, limit within the interval.
#[test]
fn forty_two_colonies_keep_500_and_leave_it_within_their_interval() {
    let plate = counted(42, "0.1");
    let reading = plate.reading();
    assert_eq!((reading.qualifier, reading.value), (Qualifier::Eq, 420.into()));
    assert_eq!(at_most_500().is_kept_by(reading.qualifier, reading.value), Some(true));
    let beside = plate.beside(&at_most_500(), Confidence::P95).unwrap();
    assert_eq!(beside.standing, Standing::Includes);
    assert_eq!(
        beside.sentence(&at_most_500()),
        "counting alone leaves 302.7 to 567.7 [CFU]/mL; this includes the limit ≤ 500 [CFU]/mL"
    );
}

/// Computed: 38 colonies on 0.1 mL, 223 on 0.5 mL, 463 on 1 mL for at most 500 CFU/mL at 95 %, one-sided.
#[test]
fn the_most_colonies_for_500_depend_on_the_volume() {
    for (plated_ml, most) in [("0.1", 38), ("0.5", 223), ("1", 463)] {
        let got = counted(0, plated_ml).most_colonies_within(&at_most_500(), Confidence::P95);
        assert_eq!(got, Some(most), "{plated_ml} mL");
    }
    // 0.1 mL cannot show 29 CFU/mL: a plate without colonies has the upper limit 29.957 (computed).
    assert_eq!(counted(0, "0.1").most_colonies_within(&maximum(Operator::Le, 29), Confidence::P95), None);
    assert_eq!(counted(0, "0.1").most_colonies_within(&maximum(Operator::Le, 30), Confidence::P95), Some(0));
}

/// Zero colonies on 0.1 mL are "< 10", upper limit 36.9 CFU/mL (computed); never 0.
#[test]
fn no_colony_is_less_than_one_colony_would_be() {
    let plate = counted(0, "0.1");
    let reading = plate.reading();
    assert_eq!((reading.qualifier, reading.value), (Qualifier::Lt, 10.into()));
    let interval = plate.interval(Confidence::P95).unwrap();
    assert_eq!((interval.lower, interval.upper.round_dp(1)), (0.into(), "36.9".parse().unwrap()));
}

#[test]
fn too_many_to_count_is_more_than_the_method_counts_and_has_no_interval() {
    let plate = Plate { seen: Colonies::TooMany { more_than: 300 }, ..counted(0, "0.1") };
    let reading = plate.reading();
    assert_eq!((reading.qualifier, reading.value), (Qualifier::Gt, 3000.into()));
    assert_eq!(at_most_500().is_kept_by(reading.qualifier, reading.value), Some(false));
    assert_eq!(plate.beside(&at_most_500(), Confidence::P95), None);
}

#[test]
fn a_dilution_multiplies_the_count() {
    let plate = Plate { diluted_times: 100, ..counted(42, "0.5") };
    assert_eq!(plate.reading().value, 8400.into());
}

#[test]
fn what_no_plate_can_be_is_a_fault() {
    let too_many = |more_than| Plate { seen: Colonies::TooMany { more_than }, ..counted(0, "1") };
    let cases = [
        (counted(10_001, "1"), "/seen/colonies"),
        (too_many(0), "/seen/more_than"),
        (too_many(10_001), "/seen/more_than"),
        (counted(1, "0"), "/plated_ml"),
        (counted(1, "-1"), "/plated_ml"),
        (counted(1, "0.0105"), "/plated_ml"),
        (counted(1, "1000.001"), "/plated_ml"),
        (Plate { diluted_times: 0, ..counted(1, "1") }, "/diluted_times"),
    ];
    for (plate, pointer) in cases {
        let pointers: Vec<String> = plate.faults().into_iter().map(|f| f.pointer).collect();
        assert_eq!(pointers, [pointer], "{plate:?}");
    }
    assert_eq!(counted(10_000, "0.01").faults(), []);
}

fn pool(qualifier: Qualifier, value: i64) -> Reading {
    Reading { qualifier, value: value.into(), unit: CFU_PER_ML.to_owned() }
}

/// At most 500 for every line: a pool of 10 at 50, of 5 at 100, of 4 at 125 CFU/mL (computed: 500/n).
#[test]
fn a_pool_speaks_for_every_line_at_the_limits_nth_part() {
    use PoolFinding::{EveryLineWithin, OpenForEachLine};
    for (lines, part) in [(10, 50), (5, 100), (4, 125)] {
        let at = pool_advice(lines, &pool(Qualifier::Eq, part), &at_most_500()).unwrap();
        assert_eq!((at.speaks_for_each_up_to, at.finding), (part.into(), EveryLineWithin), "{lines}");
        assert_eq!(at.one_line_up_to, Some(500.into()), "{lines}");
        let above = pool_advice(lines, &pool(Qualifier::Eq, part + 1), &at_most_500()).unwrap();
        assert_eq!(above.finding, OpenForEachLine, "{lines}");
        // "Fewer than 500" (CDC, Best Practices for Dental Unit Water Quality, read) is not shown by exactly a part.
        let fewer = pool_advice(lines, &pool(Qualifier::Eq, part), &maximum(Operator::Lt, 500)).unwrap();
        assert_eq!(fewer.finding, OpenForEachLine, "{lines}");
    }
}

/// One line over 500 and four at 10 still average below 500 (CDA Essentials 2019(6):40, read).
#[test]
fn a_pool_that_hides_a_bad_line_leaves_each_line_open() {
    let mean = (600 + 4 * 10) / 5;
    let advice = pool_advice(5, &pool(Qualifier::Eq, mean), &at_most_500()).unwrap();
    assert_eq!(advice.finding, PoolFinding::OpenForEachLine);
    assert!(advice.one_line_up_to >= Some(600.into()));
}

#[test]
fn bounds_of_a_pool_decide_only_where_they_can() {
    let cases = [
        (Qualifier::Lt, 50, PoolFinding::EveryLineWithin, Some(500)),
        (Qualifier::Lt, 51, PoolFinding::OpenForEachLine, Some(510)),
        (Qualifier::Gt, 50, PoolFinding::OpenForEachLine, None),
        (Qualifier::Gt, 500, PoolFinding::SomeLineOutside, None),
        (Qualifier::Eq, 501, PoolFinding::SomeLineOutside, Some(5010)),
    ];
    for (qualifier, value, finding, up_to) in cases {
        let advice = pool_advice(10, &pool(qualifier, value), &at_most_500()).unwrap();
        assert_eq!(
            (advice.finding, advice.one_line_up_to),
            (finding, up_to.map(Decimal::from)),
            "{qualifier:?} {value}"
        );
    }
    assert_eq!(pool_advice(1, &pool(Qualifier::Eq, 50), &at_most_500()), None);
    // A third of 500 has no end: it is rounded to the strict side.
    let thirds = pool_advice(3, &pool(Qualifier::Eq, 166), &at_most_500()).unwrap();
    assert_eq!(thirds.speaks_for_each_up_to.to_string(), "166.666666666");
}

proptest! {
    /// The count lies within its own interval, and one colony more moves both limits up.
    #[test]
    fn limits_hold_their_count_and_rise_with_it(k in 0_u32..3000, share in 0.5_f64..0.999) {
        let confidence = Confidence::new(share).unwrap();
        let ((lower, upper), (next_lower, next_upper)) = (two_sided(k, confidence), two_sided(k + 1, confidence));
        prop_assert!(lower <= f64::from(k) && f64::from(k) < upper);
        prop_assert!(lower < next_lower && upper < next_upper);
        prop_assert!(upper_limit(k, confidence) <= upper);
    }

    /// The most colonies are enough, and one more is too many, by the upper limit itself.
    #[test]
    fn one_colony_over_the_most_passes_the_limit(limit in 1_i64..5000, tenths in 1_i64..10) {
        let plate = Plate { plated_ml: Decimal::new(tenths, 1), ..counted(0, "1") };
        let mean = Decimal::new(limit * tenths, 1).to_f64().unwrap();
        let most = plate.most_colonies_within(&maximum(Operator::Le, limit), Confidence::P95);
        if let Some(most) = most {
            prop_assert!(upper_limit(most, Confidence::P95) <= mean + 1e-9);
        }
        prop_assert!(upper_limit(most.map_or(0, |most| most + 1), Confidence::P95) > mean - 1e-9);
    }

    /// A pool that speaks for every line is no mistake: no way to share its colonies puts one line outside.
    #[test]
    fn no_line_of_a_pool_that_speaks_for_all_is_outside(
        lines in prop::collection::vec(0_u32..700, 2..10), limit in 1_i64..600, strict: bool,
    ) {
        let limit = maximum(if strict { Operator::Lt } else { Operator::Le }, limit);
        let mean = Decimal::from(lines.iter().sum::<u32>()) / Decimal::from(lines.len());
        let pooled = Reading { value: mean, ..pool(Qualifier::Eq, 0) };
        let finding = pool_advice(u32::try_from(lines.len()).unwrap(), &pooled, &limit).unwrap().finding;
        let all_within = lines.iter().all(|line| limit.is_kept_by(Qualifier::Eq, (*line).into()) == Some(true));
        match finding {
            PoolFinding::EveryLineWithin => prop_assert!(all_within),
            PoolFinding::SomeLineOutside => prop_assert!(!all_within),
            PoolFinding::OpenForEachLine => {}
        }
    }
}
