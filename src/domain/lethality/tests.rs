use super::*;

fn decimal(text: &str) -> Decimal {
    text.parse().unwrap()
}

/// Readings every `step` seconds.
fn record(step: i64, celsius: &[&str]) -> Vec<CycleReading> {
    let reading = |(i, celsius): (i64, &&str)| CycleReading {
        elapsed_seconds: (i * step).into(),
        temperature_celsius: decimal(celsius),
        pressure_kilopascal: None,
    };
    (0..).zip(celsius).map(reading).collect()
}

/// One temperature held for a time.
fn held(celsius: &str, minutes: i64, scale: Scale) -> f64 {
    let sum = lethality(&record(minutes * 60, &[celsius, celsius]), scale, Summing::Trapezoid).unwrap();
    sum.value.to_f64().unwrap()
}

fn f0(reference: &str) -> Scale {
    Scale::f0(decimal(reference)).unwrap()
}

fn assert_near(got: f64, expected: f64, within: f64, what: &str) {
    assert!((got - expected).abs() <= within, "{what}: {got}, expected {expected}");
}

/// Published worked examples of F0 (pharmacopoeial definition and z = 10 °C; read, and computed).
#[test]
fn f0_of_the_published_examples() {
    assert_near(held("111", 15, f0("121")), 1.5, 1e-4, "15 min at 111 °C, reference 121");
    assert_near(held("110.0", 30, f0("121.1")), 2.33, 5e-3, "30 min at 110.0 °C");
    assert_near(held("121.1", 30, f0("121.1")), 30.0, 1e-4, "30 min at 121.1 °C");
}

/// The minimum holding times of EN 285, EN 13060 and ISO 17665 as F0, under three references (computed by the formula).
#[test]
fn f0_of_the_minimum_holding_times() {
    let table = [
        ("121.1", [14.659, 30.903, 58.495]),
        ("121.11", [14.625, 30.832, 58.361]),
        ("121.0", [15.000, 31.623, 59.858]),
    ];
    for (reference, expected) in table {
        for ((celsius, minutes), expected) in [("121", 15), ("126", 10), ("134", 3)].into_iter().zip(expected) {
            assert_near(held(celsius, minutes, f0(reference)), expected, 5.1e-4, &format!("{celsius}, {reference}"));
        }
    }
}

/// Readings each minute: their rates to four decimals and F0 = 5.2830 (computed by the formula, each reading counted).
#[test]
fn f0_of_readings_each_minute() {
    let celsius = ["100", "110", "118", "121", "121.5", "121.5", "121.2", "118", "105"];
    let rates = [0.0078, 0.0776, 0.4898, 0.9772, 1.0965, 1.0965, 1.0233, 0.4898, 0.0245];
    for (celsius, rate) in celsius.iter().zip(rates) {
        assert_near(f0("121.1").rate(decimal(celsius)), rate, 5.1e-5, celsius);
    }
    let sum = lethality(&record(60, &celsius), f0("121.1"), Summing::EachReading).unwrap();
    assert_eq!((sum.value, sum.unit.as_str()), (decimal("5.283"), "min"));
    // The trapezoid leaves out half of the first and of the last.
    let less = lethality(&record(60, &celsius), f0("121.1"), Summing::Trapezoid).unwrap();
    assert_near(less.value.to_f64().unwrap(), 5.2830 - f64::midpoint(0.0078, 0.0245), 1e-4, "trapezoid");
}

/// Held temperatures as A0 (ISO 15883-1 Annex B, read in a quotation; figures computed by the formula).
#[test]
fn a0_of_held_temperatures() {
    let table = [
        ("80", 10, 600.0),
        ("90", 1, 600.0),
        ("90", 5, 3000.0),
        ("93", 10, 11971.57),
        ("70", 100, 600.0),
        ("75", 30, 569.21),
    ];
    for (celsius, minutes, expected) in table {
        assert_near(held(celsius, minutes, Scale::a0()), expected, 5.1e-3, celsius);
    }
}

/// Readings each 10 s, nothing counted below 65 °C: A0 = 407.70, less than 600 (computed by the formula).
#[test]
fn a0_of_readings_each_ten_seconds() {
    let celsius = ["60", "66", "72", "80", "88", "90", "90", "90", "85", "70"];
    let counts = [0.0, 0.398, 1.585, 10.0, 63.096, 100.0, 100.0, 100.0, 31.623, 1.000];
    for (celsius, expected) in celsius.iter().zip(counts) {
        assert_near(Scale::a0().rate(decimal(celsius)) * 10.0, expected, 5.1e-4, celsius);
    }
    let sum = lethality(&record(10, &celsius), Scale::a0(), Summing::EachReading).unwrap();
    assert_eq!((sum.value.round_dp(2), sum.unit.as_str()), (decimal("407.70"), "s"));
    assert!(sum.value < 600.into());
}

/// A0 is counted from 65 °C on, that temperature included (ISO 15883-1 Annex B, read in a quotation).
#[test]
fn a0_counts_from_65_degrees_on() {
    assert_near(held("64.99", 60, Scale::a0()), 0.0, 0.0, "below");
    assert_near(held("65", 60, Scale::a0()), 3600.0 * 10_f64.powf(-1.5), 1e-4, "at");
}

#[test]
fn readings_without_the_intervals_a_sum_needs_are_refused() {
    let even = record(60, &["121", "121", "121"]);
    let mut uneven = even.clone();
    uneven[2].elapsed_seconds += Decimal::ONE;
    let sum = |readings: &[CycleReading], summing| lethality(readings, Scale::a0(), summing).map(|_| ());
    assert_eq!(sum(&even[..1], Summing::Trapezoid), Err(NoSum::TooFew));
    assert_eq!(sum(&[], Summing::EachReading), Err(NoSum::TooFew));
    assert_eq!(sum(&uneven, Summing::EachReading), Err(NoSum::Uneven));
    assert_eq!(sum(&uneven, Summing::Trapezoid), Ok(()));
    uneven[2].elapsed_seconds = uneven[1].elapsed_seconds;
    assert_eq!(sum(&uneven, Summing::Trapezoid), Err(NoSum::NotRising));
}

#[test]
fn a_reference_no_text_uses_is_refused() {
    for (reference, taken) in [("99.9", false), ("100", true), ("140", true), ("1211", false)] {
        assert_eq!(Scale::f0(decimal(reference)).is_some(), taken, "{reference}");
    }
}
