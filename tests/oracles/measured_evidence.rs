//! Measured evidence against `SciPy`, `NumPy` and Python's own decimals and fractions; made by `measured_evidence.py`.

use chairtide::domain::colony_count::{CFU_PER_ML, Colonies, Confidence, Plate, two_sided, upper_limit};
use chairtide::domain::cycle_reading::CycleReading;
use chairtide::domain::dilution::{Dilution, Recipe, Strength, StrengthUnit};
use chairtide::domain::evidence::Reading;
use chairtide::domain::lethality::{NoSum, Scale, Summing, lethality};
use chairtide::domain::limit::{Limit, Operator, Qualifier, Seen, SetBy, Source};
use chairtide::domain::log_reduction::log_reduction;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::Deserialize;

const CASES: &str = include_str!("measured_evidence.json");

#[derive(Deserialize)]
struct CaseFile {
    limits: Vec<AtConfidence>,
    most: Vec<(Decimal, f64, i64)>,
    reductions: Vec<(Decimal, Decimal, Decimal, Decimal)>,
    lethality: Vec<Cycle>,
    dilutions: Vec<(Decimal, StrengthUnit, Decimal, StrengthUnit, Decimal, Decimal)>,
}

#[derive(Deserialize)]
struct AtConfidence {
    confidence: f64,
    rows: Vec<(u32, f64, f64, f64)>,
}

#[derive(Deserialize)]
struct Cycle {
    seconds: Vec<u32>,
    tenths_celsius: Vec<i64>,
    trapezoid: Sums,
    samples: Option<Sums>,
}

#[derive(Deserialize)]
struct Sums {
    f0: f64,
    a0: f64,
}

fn cases() -> CaseFile {
    serde_json::from_str(CASES).unwrap()
}

fn off_by(got: f64, expected: f64) -> f64 {
    if expected == 0.0 { got.abs() } else { ((got - expected) / expected).abs() }
}

/// The file holds twelve digits; ten are asked for.
#[test]
fn limits_of_a_count_are_those_of_scipys_chi_square() {
    let mut worst: f64 = 0.0;
    let mut compared = 0;
    for AtConfidence { confidence, rows } in cases().limits {
        let confidence = Confidence::new(confidence).unwrap();
        for (k, lower, upper, one_sided) in rows {
            let (got_lower, got_upper) = two_sided(k, confidence);
            let got_one_sided = upper_limit(k, confidence);
            for (got, expected) in [(got_lower, lower), (got_upper, upper), (got_one_sided, one_sided)] {
                assert!(off_by(got, expected) < 1e-10, "{k} colonies, {confidence:?}: {got}, SciPy {expected}");
                worst = worst.max(off_by(got, expected));
            }
            compared += 1;
        }
    }
    assert_eq!(compared, 927);
    println!("farthest from SciPy: {worst:.1e} of the limit");
}

#[test]
fn the_most_colonies_are_those_of_scipys_poisson() {
    for (mean, confidence, most) in cases().most {
        // On 1 mL undiluted a mean of so many colonies is a limit of so many CFU/mL.
        let limit = Limit {
            operator: Operator::Le,
            value: mean,
            unit: CFU_PER_ML.into(),
            source: Source {
                title: "drawn".into(),
                edition: "1".into(),
                locator: String::new(),
                seen: Seen::CommonPractice,
            },
            effective_from: None,
            effective_until: None,
            set_by: SetBy::Default,
            jurisdiction: String::new(),
            legal: false,
        };
        let plate = Plate { seen: Colonies::Counted { colonies: 0 }, plated_ml: Decimal::ONE, diluted_times: 1 };
        let got = plate.most_colonies_within(&limit, Confidence::new(confidence).unwrap());
        assert_eq!(got.map_or(-1, i64::from), most, "mean {mean}, {confidence}");
    }
}

/// Ours are rounded down, to four and to nine decimals.
#[test]
fn reductions_are_those_of_pythons_decimals_rounded_down() {
    for (before, after, log10, percent) in cases().reductions {
        let count = |value| Reading { qualifier: Qualifier::Eq, value, unit: CFU_PER_ML.into() };
        let got = log_reduction(&count(before), &count(after)).unwrap();
        let down = |value: Decimal, decimals| {
            value.round_dp_with_strategy(decimals, rust_decimal::RoundingStrategy::ToNegativeInfinity)
        };
        assert_eq!(got.log10, down(log10, 4), "{before} to {after}");
        // A file's figure that was rounded up to a nine-decimal number may lie one step above ours.
        assert!((got.percent - percent).abs() <= Decimal::new(1, 9), "{before} to {after}: {}", got.percent);
    }
}

#[test]
fn sums_of_heat_are_those_of_numpy() {
    for cycle in cases().lethality {
        let reading = |(seconds, tenths): (&u32, &i64)| CycleReading {
            elapsed_seconds: (*seconds).into(),
            temperature_celsius: Decimal::new(*tenths, 1),
            pressure_kilopascal: None,
        };
        let record: Vec<_> = cycle.seconds.iter().zip(&cycle.tenths_celsius).map(reading).collect();
        let check = |summing, sums: &Sums| {
            for (scale, expected) in [(Scale::f0(Decimal::new(1211, 1)).unwrap(), sums.f0), (Scale::a0(), sums.a0)] {
                let got = lethality(&record, scale, summing).unwrap().value.to_f64().unwrap();
                assert!((got - expected).abs() <= 5.1e-5 + expected * 1e-11, "{got}, NumPy {expected}");
            }
        };
        check(Summing::Trapezoid, &cycle.trapezoid);
        match &cycle.samples {
            Some(sums) => check(Summing::EachReading, sums),
            // Two uneven readings have one interval, and that is even.
            None if record.len() > 2 => {
                assert_eq!(lethality(&record, Scale::a0(), Summing::EachReading), Err(NoSum::Uneven));
            }
            None => {}
        }
    }
}

#[test]
fn volumes_of_stock_are_those_of_pythons_fractions() {
    for (stock, stock_unit, wanted, wanted_unit, reservoir_ml, exact) in cases().dilutions {
        let recipe = Recipe::Strength {
            stock: Strength { value: stock, unit: stock_unit },
            wanted: Strength { value: wanted, unit: wanted_unit },
        };
        let got = Dilution { reservoir_ml, recipe }.work_out().unwrap();
        assert_eq!(got.stock_ml, exact.round_sf(4).unwrap().normalize(), "{exact}");
        assert_eq!(got.stock_ml + got.water_ml, reservoir_ml);
    }
}
