use proptest::prelude::*;

use super::*;

fn strength(value: &str, unit: StrengthUnit) -> Strength {
    Strength { value: value.parse().unwrap(), unit }
}

fn from_strengths(reservoir_ml: i64, stock: Strength, wanted: Strength) -> Dilution {
    Dilution { reservoir_ml: reservoir_ml.into(), recipe: Recipe::Strength { stock, wanted } }
}

fn from_ratio(reservoir_ml: i64, ratio: Ratio) -> Dilution {
    Dilution { reservoir_ml: reservoir_ml.into(), recipe: Recipe::Ratio { ratio } }
}

/// 1 % = 10 000 mg/L; 0.02 % = 200; 600 ppm = 0.06 % (computed). 0.0141 % is 141 and 1.41 % is 14 100 mg/L (pilot study
/// of continuous peroxide with shock, stored abstract, read).
#[test]
fn strengths_in_milligrams_a_litre() {
    use StrengthUnit::{PartPerMillion, Percent};
    let cases = [("1", Percent, 10_000), ("0.02", Percent, 200), ("0.06", Percent, 600), ("600", PartPerMillion, 600)];
    for (value, unit, expected) in cases.into_iter().chain([("0.0141", Percent, 141), ("1.41", Percent, 14_100)]) {
        assert_eq!(strength(value, unit).milligram_per_litre(), expected.into(), "{value} {unit}");
    }
}

/// 2 L of 0.02 % from a 3 % stock takes 13.33 mL of it (C1 V1 = C2 V2, computed).
#[test]
fn two_litres_of_a_fiftieth_of_a_percent_take_thirteen_millilitres() {
    use StrengthUnit::{MilligramPerLitre, PartPerMillion, Percent};
    for wanted in [strength("0.02", Percent), strength("200", MilligramPerLitre), strength("200", PartPerMillion)] {
        let mixture = from_strengths(2000, strength("3", Percent), wanted).work_out().unwrap();
        assert_eq!((mixture.stock_ml.to_string(), mixture.water_ml.to_string()), ("13.33".into(), "1986.67".into()));
        assert!(mixture.arithmetic[2].rounded);
    }
}

/// Arithmetic: 1 L at 1 part in 50 is 20 mL of stock; at 1 part and 50 of water it is 1000/51 mL.
#[test]
fn the_two_readings_of_a_ratio_differ() {
    let part_in = from_ratio(1000, Ratio::OneIn { parts: 50.into() }).work_out().unwrap();
    assert_eq!((part_in.stock_ml, part_in.water_ml), (20.into(), 980.into()));
    let part_and = from_ratio(1000, Ratio::OneAnd { parts_of_water: 50.into() }).work_out().unwrap();
    assert_eq!((part_and.stock_ml.to_string(), part_and.water_ml.to_string()), ("19.61".into(), "980.39".into()));
    let lines: Vec<String> = part_and.arithmetic.iter().map(ToString::to_string).collect();
    assert_eq!(
        lines,
        [
            "parts of mixture to 1 part of stock: 1 + 50 = 51",
            "volume of stock: 1000 mL ÷ 51 ≈ 19.61 mL",
            "volume of water: 1000 mL - 19.61 mL = 980.39 mL",
        ]
    );
}

#[test]
fn a_ratio_is_read_in_words_that_have_one_meaning() {
    for text in ["1:50", "1 : 50", "1/50", ":"] {
        assert_eq!(text.parse::<Ratio>(), Err(NoRatio::Ambiguous), "{text}");
    }
    for text in ["", "50", "1", "1 in", "1 in many", "2 in 50", "1 in 0", "1 + -1", "1in50", "1 in 100001"] {
        assert_eq!(text.parse::<Ratio>(), Err(NoRatio::Unreadable), "{text}");
    }
    assert_eq!(" 1+0 ".parse(), Ok(Ratio::OneAnd { parts_of_water: Decimal::ZERO }));
    for text in ["1 in 50", "1 + 12.5"] {
        assert_eq!(text.parse::<Ratio>().unwrap().to_string(), text);
    }
    // A document says which of the two it means, or is not read.
    assert!(serde_json::from_str::<Ratio>(r#"{"parts":"50"}"#).is_err());
    assert!(serde_json::from_str::<Ratio>(r#"{"means":"one_in","parts":"50"}"#).is_ok());
}

#[test]
fn what_cannot_be_mixed_is_a_fault() {
    use StrengthUnit::{PartPerMillion, Percent};
    let one = strength("1", Percent);
    let cases = [
        (from_strengths(0, one, one), "/reservoir_ml"),
        (from_strengths(1_000_001, one, one), "/reservoir_ml"),
        (from_strengths(1000, strength("0", Percent), one), "/recipe/stock/value"),
        (from_strengths(1000, strength("100.1", Percent), one), "/recipe/stock/value"),
        (from_strengths(1000, one, strength("-1", PartPerMillion)), "/recipe/wanted/value"),
        (from_strengths(1000, one, strength("10001", PartPerMillion)), "/recipe/wanted/value"),
        (from_ratio(1000, Ratio::OneIn { parts: "0.9".parse().unwrap() }), "/recipe/ratio/parts"),
        (from_ratio(1000, Ratio::OneAnd { parts_of_water: (-1).into() }), "/recipe/ratio/parts_of_water"),
    ];
    for (dilution, pointer) in cases {
        let pointers: Vec<String> = dilution.work_out().unwrap_err().into_iter().map(|f| f.pointer).collect();
        assert_eq!(pointers, [pointer], "{dilution:?}");
    }
}

#[test]
fn the_undiluted_stock_takes_no_water() {
    let full = strength("100", StrengthUnit::Percent);
    let mixture = from_strengths(1_000_000, full, full).work_out().unwrap();
    assert_eq!((mixture.stock_ml, mixture.water_ml), (1_000_000.into(), 0.into()));
    // Four digits of 12345 would be more than there is.
    let whole = from_ratio(12_345, Ratio::OneIn { parts: Decimal::ONE }).work_out().unwrap();
    assert_eq!(whole.stock_ml + whole.water_ml, 12_345.into());
    assert!(whole.water_ml >= Decimal::ZERO);
}

proptest! {
    /// Stock and water fill the reservoir to the last digit, and the strength is off by half of the fourth digit at most.
    #[test]
    fn parts_fill_the_reservoir_at_the_strength(reservoir in 1_i64..1_000_000, stock in 1_i64..1_000_000, share in 0.000_001_f64..1.0) {
        #[expect(clippy::cast_possible_truncation, clippy::cast_precision_loss, reason = "a draw, not a figure")]
        let wanted = ((stock as f64 * share) as i64).max(1);
        let ppm = |value: i64| Strength { value: value.into(), unit: StrengthUnit::PartPerMillion };
        let mixture = from_strengths(reservoir, ppm(stock), ppm(wanted)).work_out().unwrap();
        prop_assert_eq!(mixture.stock_ml + mixture.water_ml, reservoir.into());
        let error = (mixture.stock_ml * Decimal::from(stock) / Decimal::from(reservoir) / Decimal::from(wanted) - Decimal::ONE).abs();
        prop_assert!(error <= Decimal::new(5, 4), "{error}");
    }
}
