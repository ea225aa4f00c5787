//! Steps with answers of a kind of their own, cycles of steps, and limits that others set.

use chrono::NaiveDate;

use super::*;
use crate::domain::colony_count::{CFU_PER_ML, Colonies, Plate};
use crate::domain::instrument::Instrument;
use crate::domain::limit::{Seen, SetBy, Source};
use crate::domain::step::{ChoiceOption, StepEvidence};
use crate::domain::water_sample::{Draw, Found, LineResult, WaterCount, WaterSample};

fn step(key: &str, evidence: StepEvidence) -> Step {
    Step { evidence, ..confirmation(key) }
}

fn given(key: &str, given: Given) -> StepAnswer {
    StepAnswer { given: Some(given), ..done(key) }
}

fn at_most(value: i64, set_by: SetBy) -> Limit {
    Limit {
        operator: Operator::Le,
        value: value.into(),
        unit: CFU_PER_ML.into(),
        source: Source {
            title: "invented".into(),
            edition: "1".into(),
            locator: String::new(),
            seen: Seen::FromMemory,
        },
        effective_from: None,
        effective_until: None,
        set_by,
        jurisdiction: String::new(),
        legal: false,
    }
}

/// At most 500 CFU/mL by law in Washington (WAC 246-817-660, in force since 2021-01-23; read).
fn washington() -> Limit {
    Limit { jurisdiction: "US-WA".into(), legal: true, ..at_most(500, SetBy::Default) }
}

fn plate(lines: &[&str], seen: Colonies) -> LineResult {
    let plate = Plate { seen, plated_ml: "0.1".parse().unwrap(), diluted_times: 1 };
    LineResult { lines: lines.iter().map(ToString::to_string).collect(), found: Found::Plate { plate } }
}

fn sample(results: Vec<LineResult>) -> Given {
    Given::WaterSample {
        sample: WaterSample {
            drawn_on: on(DAY),
            draw: Draw::FirstDraw {},
            method: "spread plate".into(),
            medium: "R2A agar".into(),
            neutralised: true,
            incubated_celsius: 22.into(),
            incubated_days: 7.into(),
            laboratory: "an invented laboratory".into(),
            results,
        },
    }
}

fn water(limits: Vec<Limit>) -> Bench {
    Bench::new(vec![step(
        "count",
        StepEvidence::WaterSample { limits, most_lines_in_pool: 10, counts: WaterCount::default() },
    )])
}

fn counted(colonies: u32) -> Colonies {
    Colonies::Counted { colonies }
}

/// 42 colonies on 0.1 mL: 420 CFU/mL, 95 % limits 302.7 to 567.7 (exact Poisson limits, computed): the point value
/// decides, and that the interval includes the limit is told.
#[test]
fn a_bottle_is_judged_by_its_point_value_and_what_counting_leaves_open_is_told() {
    let bench = water(vec![at_most(500, SetBy::Default)]);
    let judged = bench.judge(&[given("count", sample(vec![plate(&["syringe"], counted(42))]))]);
    assert_eq!((judged.verdict, judged.outcome), (Verdict::Passed, Some(Outcome::Done)));
    assert!(judged.steps[0].finding.contains("302.7 to 567.7"), "{}", judged.steps[0].finding);
    let over = bench.judge(&[given("count", sample(vec![plate(&["syringe"], counted(51))]))]);
    assert_eq!((over.verdict, over.outcome), (Verdict::Failed, Some(Outcome::Done)));
}

/// No colony on 0.1 mL is "< 10", never 0; too many is no number.
#[test]
fn no_colony_is_less_than_ten_and_too_many_is_more_than_what_is_counted() {
    let bench = water(vec![at_most(500, SetBy::Default)]);
    let results = vec![plate(&["syringe"], counted(0)), plate(&["handpiece-1"], Colonies::TooMany { more_than: 300 })];
    let judged = bench.judge(&[given("count", sample(results))]);
    let stated: Vec<String> = judged.steps[0].lines.iter().map(|line| line.reading.stated()).collect();
    assert_eq!((stated, judged.verdict), (vec!["< 10".to_owned(), "> 3000".to_owned()], Verdict::Failed));
}

/// Pool of n equal volumes: no line over 500 only where the pool is at or below 500/n (arithmetic; CDA Essentials
/// 2019(6):40, read): 45 CFU/mL of ten lines speaks for each, 420 does not.
#[test]
fn a_pool_says_how_far_it_speaks_for_a_line_and_has_a_most() {
    let bench = water(vec![at_most(500, SetBy::Default)]);
    let names: Vec<String> = (1..=11).map(|n| format!("line-{n}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let open = bench.judge(&[given("count", sample(vec![plate(&names[..10], counted(42))]))]);
    assert_eq!(open.verdict, Verdict::Passed);
    assert!(open.steps[0].finding.contains("speaks for each line up to 50"), "{}", open.steps[0].finding);
    let too_many = bench.judge(&[given("count", sample(vec![plate(&names, counted(1))]))]);
    assert_eq!(too_many.verdict, Verdict::Failed);
}

#[test]
fn a_result_is_of_what_was_drawn_and_lines_without_a_bottle_are_named() {
    let mut bench = water(vec![at_most(500, SetBy::Default)]);
    bench.known.lines = vec!["handpiece-1".into(), "syringe".into()];
    let drawn = WaterDrawn {
        draw: Draw::FirstDraw {},
        bottles: vec![vec!["syringe".into()]],
        laboratory: "an invented laboratory".into(),
    };
    let awaited =
        StepAnswer { status: StepStatus::ResultPending, ..given("count", Given::WaterDrawn { drawn: drawn.clone() }) };
    assert_eq!(bench.judge(&[awaited]).outcome, Some(Outcome::ResultPending));
    bench.sampled_before = true;
    bench.known.drawn.insert("count".into(), drawn);
    let other = given("count", sample(vec![plate(&["handpiece-1"], counted(1))]));
    assert_eq!(bench.faults(&[other]), ["/steps/0/given/sample/results/0/lines"]);
    let judged = bench.judge(&[given("count", sample(vec![plate(&["syringe"], counted(1))]))]);
    assert!(judged.steps[0].finding.contains("no water was drawn from handpiece-1"));
}

#[test]
fn a_result_that_leaves_out_a_bottle_that_was_drawn_cannot_be_entered() {
    let mut bench = water(vec![at_most(500, SetBy::Default)]);
    bench.known.lines = vec!["handpiece-1".into(), "syringe".into()];
    let bottles = vec![vec!["handpiece-1".into()], vec!["syringe".into()]];
    let laboratory = "an invented laboratory".into();
    bench.known.drawn.insert("count".into(), WaterDrawn { draw: Draw::FirstDraw {}, bottles, laboratory });
    bench.sampled_before = true;
    let good_one = given("count", sample(vec![plate(&["syringe"], counted(1))]));
    assert_eq!(bench.faults(&[good_one]), ["/steps/0/given/sample/results"]);
    let both = sample(vec![plate(&["syringe"], counted(1)), plate(&["handpiece-1"], counted(51))]);
    assert_eq!(bench.judge(&[given("count", both)]).verdict, Verdict::Failed);
}

/// Clinic and maker before the group, the group before what is published; a stricter law stays in sight.
#[test]
fn the_limit_of_whoever_is_nearest_decides_and_the_law_is_told_beside_it() {
    let mut bench = water(vec![washington()]);
    bench.known.place = "US-WA".into();
    let of = |set_by, value| OwnLimit { step: "count".into(), limit: at_most(value, set_by) };
    let count_60 = [given("count", sample(vec![plate(&["syringe"], counted(60))]))];
    assert_eq!(bench.judge(&count_60).verdict, Verdict::Failed, "the law alone");
    bench.known.own_limits = vec![of(SetBy::Maker, 700)];
    let judged = bench.judge(&count_60);
    assert_eq!(judged.verdict, Verdict::Passed);
    assert!(judged.steps[0].finding.contains("the law of US-WA is stricter and not kept"));
    assert_eq!(judged.steps[0].limits, [at_most(700, SetBy::Maker), washington()]);
    bench.known.own_limits.push(of(SetBy::Clinic, 200));
    assert_eq!(bench.judge(&count_60).steps[0].limits[0], at_most(200, SetBy::Clinic));
    bench.known.place = "GB".into();
    bench.known.own_limits.clear();
    let elsewhere = bench.judge(&count_60);
    assert!(elsewhere.steps[0].finding.contains("no limit is in force"), "a law holds nowhere else");
}

fn strips(test_lot: &str, control_lot: &str, test: bool, control: bool) -> [StepAnswer; 1] {
    let strips = SporeStrips {
        test_lot: test_lot.into(),
        control_lot: control_lot.into(),
        test_growth: Some(test),
        control_growth: Some(control),
        ..SporeStrips::default()
    };
    [given("spores", Given::SporeTest { strips })]
}

/// What is said of the step that makes the test void.
fn void_because(judged: &Judgement) -> String {
    let void = judged.steps.iter().find(|step| step.verdict == StepVerdict::Void);
    void.map(|step| step.finding.clone()).unwrap_or_default()
}

/// The unprocessed control of the same lot must grow, or the test is void (ISO 11138-3; CDC; read, partly from memory).
#[test]
fn a_control_of_another_lot_or_without_growth_makes_the_test_void() {
    let bench = Bench::new(vec![step("spores", StepEvidence::SporeTest {})]);
    for (answers, verdict, outcome) in [
        (strips("A", "A", false, true), Verdict::Passed, Outcome::Done),
        (strips("A", "A", true, true), Verdict::Failed, Outcome::Done),
        (strips("A", "A", false, false), Verdict::Void, Outcome::Void),
        (strips("A", "B", false, true), Verdict::Void, Outcome::Void),
        (strips("A", "A", true, false), Verdict::Void, Outcome::Void),
    ] {
        let judged = bench.judge(&answers);
        assert_eq!((judged.verdict, judged.outcome), (verdict, Some(outcome)), "{answers:?}");
        assert_eq!(void_because(&judged).is_empty(), verdict != Verdict::Void);
    }
    let grown = bench.judge(&strips("A", "A", true, false));
    assert!(void_because(&grown).contains("treat it as a failure"), "growth is never passed over");
    let unread = SporeStrips { test_lot: "A".into(), control_lot: "A".into(), ..SporeStrips::default() };
    let unread = given("spores", Given::SporeTest { strips: unread });
    assert_eq!(bench.faults(&[unread]), ["/steps/0/given/strips/test_growth", "/steps/0/given/strips/control_growth"]);
}

/// A last day counts through, by the clinic's clock: 2026-11-30 07:30 in Auckland is the evening of the 29th in UTC.
#[test]
fn a_lot_that_was_over_its_last_day_when_it_was_run_makes_the_test_void_and_says_so() {
    let mut bench = Bench::new(vec![step("spores", StepEvidence::SporeTest {})]);
    bench.known.zone = Some(zone("Pacific/Auckland"));
    let until = |date: &str, test: bool| {
        let [mut answer] = strips("A", "A", test, true);
        let Some(Given::SporeTest { strips }) = &mut answer.given else { panic!("strips") };
        strips.expires_on = Some(on(date));
        answer
    };
    bench.performed_at = "2026-11-30T07:30:00+13:00".parse().expect("an instant");
    assert_eq!(bench.judge(&[until("2026-11-30", false)]).verdict, Verdict::Passed);
    let judged = bench.judge(&[until("2026-11-29", false)]);
    assert_eq!(judged.verdict, Verdict::Void);
    assert!(void_because(&judged).contains("lot A expired on 2026-11-29"), "{}", void_because(&judged));
    // Growth is never passed over.
    let grown = bench.judge(&[until("2026-11-29", true)]);
    assert!(grown.steps[0].falls_short() && grown.verdict == Verdict::Void);
    // What was said when it was run holds when it is read: the day it was run counts.
    let Some(Given::SporeTest { strips: run }) = until("2026-11-29", false).given else { panic!("strips") };
    let ran_at = Some("2026-11-29T07:30:00+13:00".parse().expect("an instant"));
    bench.known.ran.insert("spores".into(), SporeRun { strips: run, ran_at });
    assert_eq!(bench.judge(&strips("A", "A", false, true)).verdict, Verdict::Passed);
    // Nobody waits for a test that can show nothing.
    bench.known.ran.clear();
    let awaited = StepAnswer { status: StepStatus::ResultPending, ..until("2026-11-29", false) };
    let judged = bench.judge(&[awaited]);
    assert_eq!(judged.verdict, Verdict::ResultPending);
    assert!(judged.steps[0].finding.contains("run another now"), "{}", judged.steps[0].finding);
}

#[test]
fn a_result_is_of_the_cycle_the_test_was_run_in_unless_that_is_corrected() {
    let mut bench = Bench::new(vec![step("spores", StepEvidence::SporeTest {})]);
    let cycle = |n: u128| SporeStrips { cycle_id: Some(Uuid::from_u128(n)), ..SporeStrips::default() };
    bench.sampled_before = true;
    bench.known.ran.insert("spores".into(), SporeRun { strips: cycle(1), ran_at: None });
    let read = |n: u128| {
        let [mut answer] = strips("A", "A", false, true);
        let Some(Given::SporeTest { strips }) = &mut answer.given else { panic!("strips") };
        strips.cycle_id = cycle(n).cycle_id;
        answer
    };
    assert_eq!(bench.faults(&[read(1)]), [""; 0]);
    assert_eq!(bench.faults(&[read(2)]), ["/steps/0/given/strips/cycle_id"]);
    bench.known.corrects = true;
    assert_eq!(bench.faults(&[read(2)]), [""; 0]);
    let judged = bench.judge(&strips("A", "A", false, true));
    let Some(Given::SporeTest { strips }) = &judged.steps[0].given else { panic!("strips") };
    assert_eq!(strips.cycle_id, cycle(1).cycle_id);
}

/// A hold that was cut short fails the whole cycle: ten minutes of contact (common practice, no source) are not made of
/// two parts.
#[test]
fn a_hold_cut_short_or_drawn_out_asks_for_the_whole_cycle_again() {
    let source = hold("contact", 600).evidence;
    let StepEvidence::Hold { source, .. } = source else { panic!("a hold") };
    let evidence = StepEvidence::Hold { minimum_seconds: 600, maximum_seconds: Some(900), source, minimum_from: None };
    let cycle = |step: Step| Step { cycle: Some("disinfection".into()), ..step };
    let steps = vec![
        cycle(confirmation("empty")),
        cycle(step("contact", evidence)),
        cycle(confirmation("rinse")),
        confirmation("sign"),
    ];
    let bench = Bench::new(steps);
    for (seconds, verdict, failed) in
        [(599, Verdict::Failed, 3), (600, Verdict::Passed, 0), (900, Verdict::Passed, 0), (901, Verdict::Failed, 3)]
    {
        let judged = bench.judge(&[done("empty"), held("contact", seconds), done("rinse"), done("sign")]);
        let count = judged.steps.iter().filter(|step| step.verdict == StepVerdict::Failed).count();
        assert_eq!((judged.verdict, count), (verdict, failed), "{seconds} s");
        assert_eq!(judged.outcome.is_some(), verdict == Verdict::Passed, "{seconds} s");
    }
}

#[test]
fn a_hold_that_an_earlier_completion_used_does_not_count_again() {
    let mut bench = Bench::new(vec![hold("contact", 600)]);
    let times = TimedHold {
        step_key: "contact".into(),
        started_at: at("2026-11-30 07:00"),
        ended_at: Some(at("2026-11-30 07:20")),
    };
    bench.holds.insert(id(7), times);
    assert_eq!(bench.judge(&[timed("contact", 7)]).verdict, Verdict::Passed);
    bench.known.spent_holds.insert(id(7));
    let judged = bench.judge(&[timed("contact", 7)]);
    assert_eq!(judged.verdict, Verdict::Failed);
    assert!(judged.steps[0].finding.contains("used by an earlier completion"));
}

#[test]
fn a_choice_a_count_labels_and_words_are_read_by_their_own_rules() {
    let option = |key: &str, passes| ChoiceOption { key: key.into(), text: format!("it is {key}"), passes };
    let options = vec![option("changed", true), option("unchanged", false)];
    let limit = Limit { unit: "{pack}".into(), ..at_most(3, SetBy::Default) };
    let bench = Bench::new(vec![
        step("indicator", StepEvidence::Choice { options, on_failure: OnFailure::Repeat }),
        step(
            "rejected",
            StepEvidence::Count { unit: "{pack}".into(), limits: vec![limit], on_failure: OnFailure::Record },
        ),
        step("loads", StepEvidence::Reference { at_most: 2 }),
        step("seen", StepEvidence::Text {}),
    ]);
    let answers = |option: &str, count, labels: &[&str], text: &str| {
        [
            given("indicator", Given::Choice { option: option.into() }),
            given("rejected", Given::Count { count }),
            given("loads", Given::Reference { labels: labels.iter().map(ToString::to_string).collect() }),
            given("seen", Given::Text { text: text.into() }),
        ]
    };
    let verdict = |option: &str, count| {
        let judged = bench.judge(&answers(option, count, &["load 118"], "all dry"));
        (judged.verdict, judged.outcome)
    };
    assert_eq!(verdict("changed", 3), (Verdict::Passed, Some(Outcome::Done)));
    assert_eq!(verdict("changed", 4), (Verdict::Failed, Some(Outcome::Done)), "the count stands");
    assert_eq!(verdict("unchanged", 0), (Verdict::Failed, None), "to be repeated");
    assert_eq!(
        bench.faults(&answers("blue", 0, &["a", "b", "c"], " ")),
        ["/steps/0/given/option", "/steps/2/given/labels", "/steps/3/given/text"]
    );
    let mut wrong = answers("changed", 0, &["a"], "b");
    wrong[0].given = Some(Given::Count { count: 1 });
    wrong[3].given = None;
    assert_eq!(bench.faults(&wrong), ["/steps/0/given/kind", "/steps/3/given"]);
}

#[test]
fn too_many_to_count_is_outside_every_limit_from_above_and_no_number() {
    let bench = Bench::new(vec![sample_step(vec![at_most(500, SetBy::Default)])]);
    let too_many = StepAnswer { too_many_to_count: true, ..done("count") };
    let judged = bench.judge(std::slice::from_ref(&too_many));
    assert_eq!((judged.verdict, judged.outcome), (Verdict::Failed, Some(Outcome::Done)));
    assert_eq!((judged.steps[0].too_many_to_count, &judged.steps[0].reading), (true, &None));
    let both = StepAnswer { reading: read("count", Qualifier::Gt, 300, CFU_PER_ML).reading, ..too_many };
    assert_eq!(bench.faults(&[both]), ["/steps/0/reading"]);
}

fn sample_step(limits: Vec<Limit>) -> Step {
    crate::domain::fixtures::sample("count", limits, OnFailure::Record)
}

#[test]
fn an_instrument_is_known_and_one_whose_calibration_ended_is_told() {
    let evidence = StepEvidence::Reading {
        unit: "Cel".into(),
        limits: Vec::new(),
        on_failure: OnFailure::Record,
        result_may_follow: false,
        needs_instrument: true,
    };
    let mut bench = Bench::new(vec![step("hot", evidence)]);
    let plain = read("hot", Qualifier::Eq, 55, "Cel");
    let with = |n| StepAnswer { instrument_id: Some(id(n)), ..plain.clone() };
    assert_eq!(bench.judge(std::slice::from_ref(&plain)).verdict, Verdict::Failed, "it must be named");
    assert_eq!(bench.faults(&[with(5)]), ["/steps/0/instrument_id"]);
    let instrument = |until| Instrument {
        id: id(5),
        clinic_id: id(1),
        name: "thermometer 2".into(),
        serial: String::new(),
        calibrated_on: NaiveDate::from_ymd_opt(2025, 11, 1),
        calibration_ends_on: NaiveDate::from_ymd_opt(2026, 11, until),
    };
    for (until, finding) in [(30, ""), (29, "the calibration of thermometer 2 ended on 2026-11-29")] {
        bench.known.instruments.insert(id(5), instrument(until));
        let judged = bench.judge(&[with(5)]);
        assert_eq!((judged.verdict, judged.steps[0].finding.as_str()), (Verdict::Passed, finding));
    }
}

/// Legionella below 1 CFU/mL: KRINKO at the RKI, Bundesgesundheitsbl 2006;49:375-394; read.
#[test]
fn what_a_sample_is_tested_for_stands_with_each_bottle_and_in_its_finding() {
    let below_one = Limit { operator: Operator::Lt, ..at_most(1, SetBy::Default) };
    let evidence =
        StepEvidence::WaterSample { limits: vec![below_one], most_lines_in_pool: 1, counts: WaterCount::Legionella };
    let bench = Bench::new(vec![step("legionella", evidence)]);
    let reported = |qualifier: Qualifier| {
        let found = Found::Reported { qualifier, cfu_per_ml: 1.into() };
        [given("legionella", sample(vec![LineResult { lines: vec!["handpiece-1".into()], found }]))]
    };
    for (qualifier, verdict) in [(Qualifier::Lt, Verdict::Passed), (Qualifier::Eq, Verdict::Failed)] {
        let judged = bench.judge(&reported(qualifier));
        assert_eq!(judged.verdict, verdict, "{qualifier:?}");
        assert_eq!(judged.steps[0].lines[0].counted, WaterCount::Legionella);
    }
    let finding = &bench.judge(&reported(Qualifier::Eq)).steps[0].finding;
    assert!(finding.contains("handpiece-1: Legionella 1 [CFU]/mL"), "{finding}");
    let kept = serde_json::to_value(&bench.judge(&reported(Qualifier::Eq)).steps[0].lines[0]).expect("plain JSON");
    assert_eq!(kept["counted"], "legionella");
}
