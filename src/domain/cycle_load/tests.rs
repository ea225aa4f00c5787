use rust_decimal::Decimal;

use super::*;
use crate::domain::limit::{Operator, Seen, SetBy, Source};
use crate::domain::plateau::minima;

fn source() -> Source {
    Source { title: "invented".into(), edition: "1".into(), locator: String::new(), seen: Seen::FromMemory }
}

fn band(lowest: i64) -> TemperatureBand {
    let (lowest_celsius, highest_celsius) = (lowest.into(), (lowest + 3).into());
    TemperatureBand { lowest_celsius, highest_celsius, source: source(), holding: Vec::new() }
}

/// Readings at one temperature, from 0 s to an end.
fn held(celsius: i64, seconds: i64) -> Vec<CycleReading> {
    let at = |elapsed: i64| CycleReading {
        elapsed_seconds: elapsed.into(),
        temperature_celsius: celsius.into(),
        pressure_kilopascal: None,
    };
    vec![at(0), at(seconds)]
}

fn judge(load: &CycleLoad, readings: &[CycleReading], band: Option<&TemperatureBand>) -> JudgedCycle {
    let shipped = band.and_then(minima::shipped_for);
    let on = NaiveDate::from_ymd_opt(2026, 11, 2).expect("a date");
    CycleEvidence { load, readings, band, shipped, on, place: "GB" }.judge()
}

fn printed(outcome: PrintedOutcome) -> CycleLoad {
    CycleLoad { outcome_as_printed: Some(outcome), ..CycleLoad::default() }
}

/// 134 °C for 3 min: EN 285, EN 13060, ISO 17665 (read, partly from memory).
#[test]
fn a_print_that_says_complete_does_not_make_good_a_plateau_cut_short() {
    let complete = printed(PrintedOutcome::Complete);
    let whole = judge(&complete, &held(134, 180), Some(&band(134)));
    assert_eq!((whole.verdict, whole.finding.as_str()), (Some(CycleVerdict::Passed), ""));
    let short = judge(&complete, &held(134, 179), Some(&band(134)));
    assert_eq!(short.verdict, Some(CycleVerdict::Failed));
    assert_eq!(short.finding, "held 179 s from 134 to 137 °C, outside the limit ≥ 180 s");
    let never = judge(&complete, &held(120, 900), Some(&band(134)));
    assert_eq!(never.verdict, Some(CycleVerdict::Failed));
}

/// F0 of 134 °C for 179 s at 121.1 °C is 58.17 min, and of 121 °C for 15 min it is 14.659 min (pharmacopoeial definition;
/// computed): the sum that is four times as large falls short, and the other does not.
#[test]
fn lethality_decides_nothing() {
    let nothing = CycleLoad::default();
    assert_eq!(judge(&nothing, &held(134, 179), Some(&band(134))).verdict, Some(CycleVerdict::Failed));
    assert_eq!(judge(&nothing, &held(121, 900), Some(&band(121))).verdict, Some(CycleVerdict::Passed));
}

#[test]
fn a_cycle_that_was_broken_off_or_at_fault_falls_short_in_the_machines_words() {
    for outcome in [PrintedOutcome::Aborted, PrintedOutcome::Fault] {
        let load = CycleLoad { printed_words: Some("E12 DRY".into()), ..printed(outcome) };
        let judged = judge(&load, &held(134, 400), Some(&band(134)));
        assert_eq!(judged.verdict, Some(CycleVerdict::Failed), "{outcome:?}");
        assert!(judged.finding.ends_with("E12 DRY"), "{}", judged.finding);
    }
}

#[test]
fn what_cannot_be_judged_is_told_and_gives_no_verdict() {
    let nothing = CycleLoad::default();
    let without_band = judge(&nothing, &held(134, 400), None);
    assert_eq!(without_band.verdict, None);
    assert!(without_band.finding.contains("no band was given"), "{}", without_band.finding);
    let between = judge(&nothing, &held(132, 240), Some(&band(132)));
    assert_eq!(between.verdict, None);
    assert!(between.finding.contains("no shortest time is known"), "{}", between.finding);
    assert_eq!(judge(&nothing, &[], Some(&band(134))), JudgedCycle::default());
}

#[test]
fn a_makers_time_comes_before_the_shipped_one() {
    let asks = |seconds: i64, set_by| Limit {
        operator: Operator::Ge,
        value: Decimal::from(seconds),
        unit: "s".into(),
        source: source(),
        effective_from: None,
        effective_until: None,
        set_by,
        jurisdiction: String::new(),
        legal: false,
    };
    for (seconds, verdict) in [(210, CycleVerdict::Failed), (150, CycleVerdict::Passed)] {
        let band = TemperatureBand { holding: vec![asks(seconds, SetBy::Maker)], ..band(134) };
        let judged = judge(&CycleLoad::default(), &held(134, 170), Some(&band));
        assert_eq!((judged.verdict, judged.limits.len()), (Some(verdict), 1), "{seconds}");
    }
}

#[test]
fn what_adds_to_a_record_changes_nothing_and_an_empty_chamber_holds_no_load() {
    let before = printed(PrintedOutcome::Complete);
    let adds = CycleLoad { load_reference: Some("118".into()), ..CycleLoad::default() }.over(before.clone());
    assert_eq!(adds.outcome_as_printed, Some(PrintedOutcome::Complete));
    assert!(!adds.changes(&before) && before.changes(&adds));
    assert!(printed(PrintedOutcome::Fault).over(before.clone()).changes(&before));
    for load in [
        CycleLoad { load_reference: Some("118".into()), chamber: Some(Chamber::Empty), ..CycleLoad::default() },
        CycleLoad { holds_implants: Some(true), chamber: Some(Chamber::Empty), ..CycleLoad::default() },
    ] {
        assert_eq!(load.faults()[0].pointer, "/chamber");
    }
}
