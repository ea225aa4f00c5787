use super::*;
use crate::domain::colony_count::{Colonies, PoolFinding, Standing};
use crate::domain::limit::{Limit, Operator, Seen, SetBy, Source};

fn sample(results: Vec<LineResult>) -> WaterSample {
    WaterSample {
        drawn_on: NaiveDate::from_ymd_opt(2026, 11, 26).unwrap(),
        draw: Draw::FirstDraw {},
        method: "spread plate".into(),
        medium: "R2A agar".into(),
        neutralised: true,
        incubated_celsius: 22.into(),
        incubated_days: 7.into(),
        laboratory: "an invented laboratory".into(),
        results,
    }
}

fn lines(names: &[&str]) -> Vec<String> {
    names.iter().map(ToString::to_string).collect()
}

fn plate(names: &[&str], seen: Colonies) -> LineResult {
    let plate = Plate { seen, plated_ml: "0.1".parse().unwrap(), diluted_times: 1 };
    LineResult { lines: lines(names), found: Found::Plate { plate } }
}

fn reported(names: &[&str], value: i64) -> LineResult {
    let found = Found::Reported { qualifier: Qualifier::Eq, cfu_per_ml: value.into() };
    LineResult { lines: lines(names), found }
}

/// At most 500 CFU/mL (CDC, MMWR 52(RR-17) 2003, rec. VII.A, read).
fn at_most_500() -> Limit {
    let source = Source {
        title: "CDC, MMWR 52(RR-17)".into(),
        edition: "2003".into(),
        locator: "rec. VII.A".into(),
        seen: Seen::Read,
    };
    Limit {
        operator: Operator::Le,
        value: 500.into(),
        unit: CFU_PER_ML.into(),
        source,
        effective_from: None,
        effective_until: None,
        set_by: SetBy::Default,
        jurisdiction: "US".into(),
        legal: false,
    }
}

fn judged(results: Vec<LineResult>) -> Vec<JudgedLine> {
    let sample = sample(results);
    assert_eq!(sample.faults(), []);
    sample.judge(WaterCount::default(), &[at_most_500()], "US-WA")
}

fn kept(line: &JudgedLine) -> Option<bool> {
    line.decided.as_ref().and_then(|decided| decided.deciding.kept)
}

#[test]
fn each_line_has_its_own_verdict() {
    let counted = |colonies| Colonies::Counted { colonies };
    let got = judged(vec![
        plate(&["handpiece-1"], counted(42)),
        plate(&["handpiece-2"], counted(0)),
        plate(&["syringe"], counted(51)),
        plate(&["scaler"], Colonies::TooMany { more_than: 300 }),
    ]);
    let verdicts: Vec<_> = got.iter().map(|line| (line.reading.qualifier, line.reading.value, kept(line))).collect();
    assert_eq!(
        verdicts,
        [
            (Qualifier::Eq, 420.into(), Some(true)),
            (Qualifier::Lt, 10.into(), Some(true)),
            (Qualifier::Eq, 510.into(), Some(false)),
            (Qualifier::Gt, 3000.into(), Some(false)),
        ]
    );
    let standings: Vec<_> = got.iter().map(|line| line.beside.as_ref().map(|beside| beside.standing)).collect();
    // 51 colonies: 37.97 to 67.06 by Garwood (computed), so the verdict is "no" and the interval leaves it open.
    assert_eq!(standings, [Some(Standing::Includes), Some(Standing::Below), Some(Standing::Includes), None]);
}

/// P at most 500/n: a pool of four at 125 speaks for each line, at 126 for none (computed).
#[test]
fn a_pool_keeps_the_limit_and_may_still_hide_a_line() {
    let pool = ["a", "b", "c", "d"];
    let got = judged(vec![reported(&pool, 125), reported(&pool, 126), reported(&pool, 501)]);
    let findings: Vec<_> = got.iter().map(|line| (kept(line), line.pool.as_ref().unwrap().finding)).collect();
    assert_eq!(
        findings,
        [
            (Some(true), PoolFinding::EveryLineWithin),
            (Some(true), PoolFinding::OpenForEachLine),
            (Some(false), PoolFinding::SomeLineOutside),
        ]
    );
    assert_eq!((got[0].pool_size, &got[0].beside), (4, &None));
}

/// The colonies of a pool are those of no line, so no interval of a line can be made of them.
#[test]
fn the_plate_of_a_pool_has_no_interval_of_a_line() {
    let got = judged(vec![plate(&["a", "b"], Colonies::Counted { colonies: 42 })]);
    assert_eq!((got[0].reading.value, &got[0].beside), (420.into(), &None));
    assert!(got[0].pool.is_some());
}

#[test]
fn without_a_limit_in_force_there_is_a_value_and_no_verdict() {
    let sample = sample(vec![plate(&["a"], Colonies::Counted { colonies: 42 })]);
    let got = sample.judge(WaterCount::default(), &[at_most_500()], "GB-ENG");
    assert_eq!((got[0].reading.value, &got[0].decided, &got[0].beside), (420.into(), &None, &None));
}

#[test]
fn what_makes_no_sense_is_a_fault_with_its_place() {
    let good = || sample(vec![reported(&["a"], 1)]);
    let with = |results| sample(results);
    let cases = [
        (WaterSample { draw: Draw::Flushed { seconds: 0 }, ..good() }, "/draw/seconds"),
        (WaterSample { method: " ".into(), ..good() }, "/method"),
        (WaterSample { medium: String::new(), ..good() }, "/medium"),
        (WaterSample { laboratory: "\0".into(), ..good() }, "/laboratory"),
        (WaterSample { incubated_celsius: 61.into(), ..good() }, "/incubated_celsius"),
        (WaterSample { incubated_days: 0.into(), ..good() }, "/incubated_days"),
        (with(vec![]), "/results"),
        (with(vec![reported(&[], 1)]), "/results/0/lines"),
        (with(vec![reported(&["a", "b", "a"], 1)]), "/results/0/lines/2"),
        (with(vec![reported(&["a"], 1), reported(&["A b"], 1)]), "/results/1/lines/0"),
        (with(vec![reported(&["a"], 0)]), "/results/0/found/cfu_per_ml"),
        (with(vec![plate(&["a"], Colonies::TooMany { more_than: 0 })]), "/results/0/found/plate/seen/more_than"),
    ];
    for (sample, pointer) in cases {
        let pointers: Vec<String> = sample.faults().into_iter().map(|f| f.pointer).collect();
        assert_eq!(pointers, [pointer]);
    }
}

#[test]
fn a_sample_is_read_from_its_document() {
    let text = r#"{"drawn_on":"2026-11-26","draw":{"kind":"flushed","seconds":120},"method":"spread plate",
        "medium":"R2A agar","neutralised":true,"incubated_celsius":"22","incubated_days":"7","laboratory":"own",
        "results":[{"lines":["handpiece-1"],"found":{"kind":"plate",
            "plate":{"seen":{"kind":"counted","colonies":42},"plated_ml":"0.1"}}}]}"#;
    let sample: WaterSample = serde_json::from_str(text).unwrap();
    assert_eq!(sample.faults(), []);
    assert_eq!(sample.judge(WaterCount::default(), &[], "")[0].reading.value, 420.into());
}
