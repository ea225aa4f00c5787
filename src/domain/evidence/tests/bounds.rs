//! What bounds an answer: limits of which none is in force, too much to count, and the times of products.

use super::*;
use crate::domain::limit::{Seen, SetBy, Source};
use crate::domain::lot::{LotInUse, LotMark, LotMarkKind};
use crate::domain::product::{InUseLife, Instructions, PhClass, Product, ProductUse, ProductVersion};
use crate::domain::step::{AppliedTo, StepEvidence};

fn source(title: &str, edition: &str) -> Source {
    Source { title: title.into(), edition: edition.into(), locator: String::new(), seen: Seen::ClinicConfirmed }
}

fn dated(limit: Limit, from: Option<&str>, until: Option<&str>) -> Limit {
    Limit { effective_from: from.map(on), effective_until: until.map(on), ..limit }
}

fn judged_count(limits: Vec<Limit>, answer: &StepAnswer) -> JudgedStep {
    let bench = Bench::new(vec![sample("hpc", limits, OnFailure::Record)]);
    bench.judge(std::slice::from_ref(answer)).steps.remove(0)
}

/// The day is 2026-11-30.
#[test]
fn a_value_whose_limits_are_none_in_force_is_kept_and_told_and_one_that_never_had_any_is_not() {
    let le_500 = || limit_of(Operator::Le, 500);
    let us = Limit { jurisdiction: "US".into(), ..le_500() };
    for (limits, none_in_force) in [
        (vec![], false),
        (vec![le_500()], false),
        (vec![dated(le_500(), None, Some("2026-11-29"))], true),
        (vec![dated(le_500(), Some("2026-12-01"), None)], true),
        (vec![us], true),
        (vec![dated(le_500(), None, Some("2026-11-29")), dated(le_500(), Some("2026-11-30"), None)], false),
    ] {
        let step = judged_count(limits.clone(), &count(Qualifier::Eq, 90_000_000));
        assert_eq!(step.no_limit_in_force, none_in_force, "{limits:?}");
        assert_eq!(step.finding.contains("no limit is in force here on 2026-11-30"), none_in_force, "{step:?}");
        let judged_by_one = !limits.is_empty() && !none_in_force;
        assert_eq!(step.verdict == StepVerdict::Failed, judged_by_one, "{limits:?}");
        assert_eq!(step.limits.is_empty(), !judged_by_one);
    }
}

#[test]
fn a_limit_of_the_clinics_own_judges_where_the_routines_are_over() {
    let mut bench = Bench::new(vec![sample(
        "hpc",
        vec![dated(limit_of(Operator::Le, 500), None, Some("2026-11-29"))],
        OnFailure::Record,
    )]);
    assert!(bench.judge(&[count(Qualifier::Eq, 501)]).steps[0].no_limit_in_force);
    let own = Limit { set_by: SetBy::Clinic, ..limit_of(Operator::Le, 400) };
    bench.known.own_limits.push(OwnLimit { step: "hpc".into(), limit: own });
    let judgement = bench.judge(&[count(Qualifier::Eq, 501)]);
    assert_eq!((judgement.verdict, judgement.steps[0].no_limit_in_force), (Verdict::Failed, false));
}

/// A plate too full to count says that there is more than any number on it, so it keeps a minimum and no maximum.
#[test]
fn too_many_to_count_fails_a_maximum_and_keeps_a_minimum() {
    use Operator::{Ge, Gt, Le, Lt};
    let too_many = StepAnswer { too_many_to_count: true, ..done("hpc") };
    for (limits, fails, told) in [
        (vec![limit_of(Le, 500)], true, "outside the limit ≤ 500"),
        (vec![limit_of(Lt, 500)], true, "outside the limit < 500"),
        (vec![limit_of(Ge, 100)], false, "more than ≥ 100 [CFU]/mL asks for"),
        (vec![limit_of(Gt, 100)], false, "more than > 100"),
        (vec![limit_of(Ge, 100), limit_of(Le, 500)], true, "outside the limit ≤ 500"),
        (vec![limit_of(Le, 500), limit_of(Ge, 100)], true, "outside the limit ≤ 500"),
        (vec![limit_of(Ge, 100), dated(limit_of(Le, 500), None, Some("2026-11-29"))], false, "more than ≥ 100"),
        (vec![dated(limit_of(Ge, 100), None, Some("2026-11-29"))], false, "no limit is in force here"),
        (vec![dated(limit_of(Le, 500), None, Some("2026-11-29"))], true, "no limit is in force here"),
        (vec![], true, "no limit is in force"),
    ] {
        let step = judged_count(limits.clone(), &too_many);
        assert_eq!(step.verdict == StepVerdict::Failed, fails, "{limits:?}");
        assert!(step.finding.contains(told), "{told}: {}", step.finding);
        assert_eq!(step.limits.len(), limits.iter().filter(|limit| limit.is_in_force(on(DAY))).count());
    }
}

/// What the test's product says of itself; every figure is invented.
fn product() -> Product {
    Product {
        name: "Cleaner T".into(),
        instructions: Instructions { ifu_reference: "leaflet T".into(), edition: "4".into() },
        uses: vec![ProductUse {
            key: "fill".into(),
            purpose: "Filled into lines".into(),
            contact_minimum_seconds: Some(900),
            contact_maximum_seconds: Some(1_200),
            made_up: None,
            life_after_mixing: Some(InUseLife::Hours { hours: 24 }),
            source: source("leaflet T, dosing", "4"),
        }],
        oxidising: false,
        ph: Some(7.into()),
        ph_class: None,
        life_after_opening: Some(InUseLife::Days { days: 28 }),
        cautions: Vec::new(),
        in_use: true,
    }
}

/// A chair where the product's lot was opened on the first of the month, and marked further.
fn chair(product: Product, applied_to: AppliedTo, marks: &[(LotMarkKind, &str)], expires: &str) -> Bench {
    let evidence = StepEvidence::Product { product_ids: vec![id(70)], use_key: "fill".into(), applied_to };
    let StepEvidence::Hold { source, .. } = hold("soak", 600).evidence else { panic!("a hold") };
    let soak = StepEvidence::Hold {
        minimum_seconds: 600,
        maximum_seconds: Some(1_800),
        source,
        minimum_from: Some("fill".into()),
    };
    let fill = Step { evidence, ..confirmation("fill") };
    let mut bench = Bench::new(vec![fill, Step { evidence: soak, ..confirmation("soak") }]);
    let mark = |(kind, marked_at): &(LotMarkKind, &str)| LotMark {
        kind: *kind,
        marked_at: at(marked_at),
        marked_by: "KV".into(),
        staff_id: None,
        reason: "invented".into(),
        authority: String::new(),
        recorded_at: at(marked_at),
    };
    let lot = LotInUse {
        lot_number: "T-1".into(),
        clinic_id: id(1),
        expires_on: on(expires),
        zone: zone("Europe/London"),
        version: ProductVersion { product_id: id(70), version: 2, effective_on: on("2026-01-01"), product },
        marks: marks.iter().map(mark).collect(),
    };
    bench.lots = LotsAsked {
        clinic_id: id(1),
        jurisdiction: "US-WA".into(),
        discharges_amalgam: None,
        lots: [(id(60), lot)].into(),
    };
    bench
}

const OPENED: (LotMarkKind, &str) = (LotMarkKind::Opened, "2026-11-20 08:00");

fn answers(mixed_at: Option<&str>, seconds: u32) -> [StepAnswer; 2] {
    let fill = StepAnswer { lot_id: Some(id(60)), mixed_at: mixed_at.map(at), ..done("fill") };
    [fill, held("soak", seconds)]
}

fn told(limits: &[Limit]) -> Vec<String> {
    limits.iter().map(|limit| format!("{limit} ({}, {})", limit.source.title, limit.source.edition)).collect()
}

#[test]
fn what_a_product_decided_is_kept_with_its_source_as_the_limits_of_a_reading_are() {
    let bench = chair(product(), AppliedTo::Waterlines, &[OPENED], "2027-06-30");
    for (seconds, verdict, finding) in [
        (
            899,
            StepVerdict::Failed,
            "held 899 s of at least 900 s, the product's contact time; the whole step is to be repeated",
        ),
        (900, StepVerdict::Passed, ""),
        (1_200, StepVerdict::Passed, ""),
        (
            1_201,
            StepVerdict::Failed,
            "held 1201 s, and the product allows at most 1200 s; the whole step is to be repeated",
        ),
    ] {
        let judged = bench.judge(&answers(Some("2026-11-30 07:00"), seconds));
        let soak = &judged.steps[1];
        assert_eq!((soak.verdict, soak.finding.as_str()), (verdict, finding), "{seconds} s");
        assert_eq!((soak.minimum_seconds, soak.maximum_seconds), (Some(900), Some(1_200)));
        assert_eq!(told(&soak.limits), ["≥ 900 s (leaflet T, dosing, 4)", "≤ 1200 s (leaflet T, dosing, 4)"]);
        assert!(soak.limits.iter().all(|limit| limit.set_by == SetBy::Maker));
        let kept = told(&judged.steps[0].limits);
        assert_eq!(kept, ["≤ 28 d (leaflet T, 4)", "≤ 24 h (leaflet T, dosing, 4)"], "{:?}", judged.steps[0]);
    }
}

/// The step's own times decide where the product asks for less and allows more.
#[test]
fn the_longer_minimum_and_the_shorter_maximum_decide_whosever_they_are() {
    let mut lenient = product();
    (lenient.uses[0].contact_minimum_seconds, lenient.uses[0].contact_maximum_seconds) = (Some(60), Some(7_200));
    let bench = chair(lenient, AppliedTo::Waterlines, &[OPENED], "2027-06-30");
    for (seconds, finding) in [
        (599, "held 599 s of at least 600 s; the whole step is to be repeated"),
        (600, ""),
        (1_801, "held 1801 s of at most 1800 s; the whole step is to be repeated"),
    ] {
        let judged = bench.judge(&answers(Some("2026-11-30 07:00"), seconds));
        assert_eq!(judged.steps[1].finding, finding);
        let own = judged.steps[1].limits.iter().map(|limit| limit.set_by).collect::<Vec<_>>();
        assert_eq!(own, [SetBy::Default, SetBy::Default]);
    }
    // A product that allows less than the step asks for leaves no time that is right: both reasons are told.
    let mut short = product();
    (short.uses[0].contact_minimum_seconds, short.uses[0].contact_maximum_seconds) = (None, Some(300));
    let bench = chair(short, AppliedTo::Waterlines, &[OPENED], "2027-06-30");
    let finding = bench.judge(&answers(Some("2026-11-30 07:00"), 450)).steps.remove(1).finding;
    assert!(finding.contains("of at least 600 s") && finding.contains("allows at most 300 s"), "{finding}");
}

#[test]
fn every_reason_a_hold_fell_short_is_kept() {
    let mut bench = chair(product(), AppliedTo::Waterlines, &[OPENED], "2027-06-30");
    bench.holds.insert(id(7), server_hold("soak", Some(899_000)));
    bench.known.spent_holds.insert(id(7));
    let [fill, _] = answers(Some("2026-11-30 07:00"), 0);
    let finding = bench.judge(&[fill, timed("soak", 7)]).steps.remove(1).finding;
    for reason in ["used by an earlier completion", "held 899 s of at least 900 s, the product's contact time"] {
        assert!(finding.contains(reason), "{reason}: {finding}");
    }
}

#[test]
fn every_reason_a_lot_could_not_be_used_is_kept() {
    let marks = [OPENED, (LotMarkKind::Emptied, "2026-11-29 08:00"), (LotMarkKind::Recalled, "2026-11-28 08:00")];
    let mut bench = chair(product(), AppliedTo::Waterlines, &marks, "2026-11-29");
    bench.lots.clinic_id = id(2);
    let step = bench.judge(&answers(Some("2026-11-28 07:00"), 900)).steps.remove(0);
    assert_eq!(step.verdict, StepVerdict::Failed);
    for reason in [
        "stands at another clinic",
        "is recalled: invented",
        "expired on 2026-11-29",
        "recorded as emptied",
        "over its life after mixing",
    ] {
        assert!(step.finding.contains(reason), "{reason}: {}", step.finding);
    }
    assert!(!step.finding.contains("in-use life"), "28 days are not over: {}", step.finding);
}

/// 40 CFR 441.30(b)(2), read: pH 6 to 8 where it is in force; what is kept is the rule itself, with its source.
#[test]
fn the_amalgam_rule_is_kept_as_limits_where_it_decides_and_an_unknown_ph_does_not_pass_there() {
    for (oxidising, ph, ph_class, jurisdiction, verdict, says) in [
        (true, Some(4), None, "US-WA", StepVerdict::Failed, "441.30(b)(2)"),
        (true, None, None, "US-WA", StepVerdict::Failed, "pH not recorded"),
        (false, None, Some(PhClass::Neutral), "US-WA", StepVerdict::Passed, "warning: Cleaner T: pH not recorded"),
        (true, None, None, "GB-ENG", StepVerdict::Passed, "warning: Cleaner T: pH not recorded"),
        (false, Some(7), None, "US-WA", StepVerdict::Passed, ""),
    ] {
        let of_ph = Product { oxidising, ph: ph.map(Into::into), ph_class, ..product() };
        let mut bench = chair(of_ph, AppliedTo::SuctionLines, &[OPENED], "2027-06-30");
        bench.lots.jurisdiction = jurisdiction.into();
        let step = bench.judge(&answers(Some("2026-11-30 07:00"), 900)).steps.remove(0);
        let name = format!("oxidising {oxidising}, pH {ph:?} at {jurisdiction}: {step:?}");
        assert_eq!(step.verdict, verdict, "{name}");
        assert!(step.finding.contains(says) && step.finding.is_empty() == says.is_empty(), "{name}");
        let of_rule: Vec<String> = step.limits.iter().filter(|limit| limit.legal).map(ToString::to_string).collect();
        let expected: &[&str] = if jurisdiction == "US-WA" { &["≥ 6 [pH]", "≤ 8 [pH]"] } else { &[] };
        assert_eq!(of_rule, expected, "{name}");
    }
}

#[test]
fn a_devices_record_of_a_hold_is_kept_and_what_it_says_otherwise_is_told() {
    let bench = Bench::new(vec![hold("flush", 120)]);
    let moment = |counter_ms, second: i64| DeviceMoment {
        counter_ms,
        boot_id: "run-7".into(),
        clock_at: at("2026-11-30 07:10") + TimeDelta::seconds(second),
    };
    let with = |seconds, by_clock| StepAnswer {
        hold_record: Some(HoldRecord { started: moment(5_000, 0), ended: moment(125_400, by_clock) }),
        ..held("flush", seconds)
    };
    let plain = bench.judge(&[with(120, 121)]).steps.remove(0);
    assert_eq!((plain.verdict, plain.finding.as_str()), (StepVerdict::Passed, ""));
    assert!(plain.hold_record.is_some() && !plain.is_hold_without_record());
    // The lesser of what was sent and what the device noted is judged, and both are told.
    let longer = bench.judge(&[with(300, 300)]).steps.remove(0);
    assert_eq!((longer.verdict, longer.hold_disagreements().len()), (StepVerdict::Passed, 2));
    assert_eq!(longer.elapsed, Some((120, MeasuredBy::Device)));
    let short = Bench::new(vec![hold("flush", 121)]).judge(&[with(300, 300)]).steps.remove(0);
    assert_eq!(short.verdict, StepVerdict::Failed);
    assert!(short.finding.starts_with("held 120 s of at least 121 s; the whole step"), "{}", short.finding);
    assert!(longer.finding.contains("counter shows 120.4 s, and 300 s were sent"), "{}", longer.finding);
    assert!(bench.judge(&[held("flush", 120)]).steps[0].is_hold_without_record());
    let mut by_server = Bench::new(vec![hold("flush", 120), confirmation("dry")]);
    by_server.holds.insert(id(1), server_hold("flush", Some(125_000)));
    assert!(!by_server.judge(&[timed("flush", 1), done("dry")]).steps[0].is_hold_without_record());
    let record = with(120, 120).hold_record;
    for (answer, pointer) in [
        (StepAnswer { hold_record: record.clone(), ..timed("flush", 1) }, "/steps/0/hold_record"),
        (StepAnswer { hold_record: record, ..done("dry") }, "/steps/0/hold_record"),
    ] {
        assert_eq!(by_server.faults(std::slice::from_ref(&answer)), [pointer], "{answer:?}");
    }
}

/// That a test with an indicator past its last day shows nothing: common practice, no source.
#[test]
fn indicators_whose_lot_the_register_speaks_against_make_the_test_void() {
    const RECALLED: (LotMarkKind, &str) = (LotMarkKind::Recalled, "2026-11-25 08:00");
    for (marks, expires, label, void) in [
        (vec![OPENED], "2027-06-30", "t-1 ", ""),
        // Nobody writes down when a box of strips is opened.
        (vec![], "2027-06-30", "T-1", ""),
        (vec![], "2026-11-30", "T-1", ""),
        (vec![OPENED], "2026-11-29", "T-1", "lot T-1 expired on 2026-11-29"),
        (vec![OPENED, RECALLED], "2027-06-30", "T-1", "lot T-1 is recalled: invented"),
        (vec![OPENED], "2027-06-30", "T-2", "the strip is of lot T-2, the register's of lot T-1"),
    ] {
        let mut bench = Bench::new(vec![Step { evidence: StepEvidence::SporeTest {}, ..confirmation("spores") }]);
        bench.lots = chair(product(), AppliedTo::Waterlines, &marks, expires).lots;
        let read = |lot_id: Option<Uuid>| {
            let strips = SporeStrips {
                test_lot: label.into(),
                control_lot: label.into(),
                lot_id,
                test_growth: Some(false),
                control_growth: Some(true),
                ..SporeStrips::default()
            };
            [StepAnswer { given: Some(Given::SporeTest { strips }), ..done("spores") }]
        };
        let judged = bench.judge(&read(Some(id(60))));
        let step = &judged.steps[0];
        assert_eq!((judged.verdict == Verdict::Void, step.lot_id), (!void.is_empty(), Some(id(60))), "{step:?}");
        assert!(step.finding.contains(void), "{}", step.finding);
        assert!(!step.wrong_product && !step.lacks_last_day());
        assert_eq!(bench.faults(&read(Some(id(61)))), ["/steps/0/given/strips/lot_id"]);
        assert!(bench.judge(&read(None)).steps[0].lacks_last_day());
        // Named when the test was run, and not again when it was read.
        let [StepAnswer { given: Some(Given::SporeTest { strips }), .. }] = read(Some(id(60))) else {
            panic!("strips")
        };
        bench.known.ran.insert("spores".into(), SporeRun { strips, ran_at: None });
        let judged = bench.judge(&read(None));
        assert_eq!((judged.verdict == Verdict::Void, judged.steps[0].lot_id), (!void.is_empty(), Some(id(60))));
    }
}
