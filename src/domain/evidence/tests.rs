//! Verdicts on what people record, and the few things that cannot be read.

use std::collections::BTreeMap;

use chrono::TimeDelta;
use proptest::prelude::*;

use super::*;
use crate::domain::fixtures::*;
use crate::domain::limit::Operator;
use crate::domain::step::{OnFailure, Part, Step, wanted};
use crate::domain::subject::Subject;
use crate::domain::task::Times;

const DAY: &str = "2026-11-30";

/// 07:00 may start, 08:00 due, 08:10 overdue, 12:00 missed.
fn times() -> Times {
    Times {
        anchor_at: at("2026-11-30 08:00"),
        due_from: at("2026-11-30 07:00"),
        due_by: at("2026-11-30 08:00"),
        overdue_at: at("2026-11-30 08:10"),
        missed_at: at("2026-11-30 12:00"),
        blocks_at: None,
        rungs: Vec::new(),
    }
}

/// A task of one chair with what the server timed for it.
struct Bench {
    steps: Vec<Step>,
    subject: Subject,
    holds: BTreeMap<Uuid, TimedHold>,
    lots: LotsAsked,
    sampled_before: bool,
    known: Known,
    performed_at: DateTime<Utc>,
    recorded_at: DateTime<Utc>,
}

impl Bench {
    /// Everything on time: performed at 07:30 and recorded then.
    fn new(steps: Vec<Step>) -> Self {
        let performed_at = at("2026-11-30 07:30");
        Self {
            steps,
            subject: operatory(10),
            holds: BTreeMap::new(),
            lots: LotsAsked::default(),
            sampled_before: false,
            known: Known::default(),
            performed_at,
            recorded_at: performed_at,
        }
    }

    fn with<T>(
        &self,
        kind: CompletionKind,
        reason: &str,
        answers: &[StepAnswer],
        then: impl Fn(&Submission<'_>, &Asked<'_>, DateTime<Utc>) -> T,
    ) -> T {
        let times = times();
        let wanted = wanted(&self.steps, &self.subject);
        let asked = Asked {
            clinic_day: on(DAY),
            times: &times,
            steps: &self.steps,
            wanted: &wanted,
            holds: &self.holds,
            lots: &self.lots,
            sampled_before: self.sampled_before,
            known: &self.known,
        };
        let submission = Submission { kind, performed_at: self.performed_at, answers, reason };
        then(&submission, &asked, self.recorded_at)
    }

    fn judge(&self, answers: &[StepAnswer]) -> Judgement {
        assert_eq!(self.faults(answers), [] as [String; 0], "only what can be read is judged");
        self.with(CompletionKind::Performed, "", answers, judge)
    }

    fn faults(&self, answers: &[StepAnswer]) -> Vec<String> {
        let faults = self.with(CompletionKind::Performed, "", answers, faults);
        faults.into_iter().map(|f| f.pointer).collect()
    }
}

fn answer(step: &str, status: StepStatus) -> StepAnswer {
    StepAnswer {
        step: step.to_owned(),
        status,
        hold_id: None,
        elapsed_seconds: None,
        hold_record: None,
        reading: None,
        lot_id: None,
        mixed_at: None,
        too_many_to_count: false,
        instrument_id: None,
        given: None,
        reason: String::new(),
    }
}

fn done(step: &str) -> StepAnswer {
    answer(step, StepStatus::Done)
}

fn because(reason: &str, answer: StepAnswer) -> StepAnswer {
    StepAnswer { reason: reason.to_owned(), ..answer }
}

fn held(step: &str, seconds: u32) -> StepAnswer {
    StepAnswer { elapsed_seconds: Some(seconds), ..done(step) }
}

fn timed(step: &str, hold: u128) -> StepAnswer {
    StepAnswer { hold_id: Some(id(hold)), ..done(step) }
}

fn read(step: &str, qualifier: Qualifier, value: i64, unit: &str) -> StepAnswer {
    StepAnswer { reading: Some(Reading { qualifier, value: value.into(), unit: unit.to_owned() }), ..done(step) }
}

fn count(qualifier: Qualifier, value: i64) -> StepAnswer {
    read("hpc", qualifier, value, "[CFU]/mL")
}

fn server_hold(step: &str, milliseconds: Option<i64>) -> TimedHold {
    let started_at = at("2026-11-30 07:10");
    TimedHold {
        step_key: step.to_owned(),
        started_at,
        ended_at: milliseconds.map(|ms| started_at + TimeDelta::milliseconds(ms)),
    }
}

fn limit_of(operator: Operator, value: i64) -> Limit {
    limit(operator, value, "[CFU]/mL")
}

fn verdicts(judgement: &Judgement) -> (Verdict, Option<Outcome>) {
    (judgement.verdict, judgement.outcome)
}

const PASSED: (Verdict, Option<Outcome>) = (Verdict::Passed, Some(Outcome::Done));
const OPEN: (Verdict, Option<Outcome>) = (Verdict::Failed, None);

/// Minimum holds. 20 s between patients: HTM 01-05, 6.85 (read in a quotation), and CDC, MMWR 52(RR-17) 2003 (partly
/// from memory). 120 s at the start and end of the day: HTM 01-05, 6.85 (read). 600 s of contact time in a line
/// disinfection: common practice, no source.
#[test]
fn a_hold_passes_from_its_minimum_on_and_cut_short_leaves_the_task_open() {
    for minimum in [20_u32, 120, 600] {
        for (seconds, expected) in [(0, OPEN), (minimum - 1, OPEN), (minimum, PASSED), (minimum + 1, PASSED)] {
            let mut bench = Bench::new(vec![hold("flush", minimum)]);
            let by_device = bench.judge(&[held("flush", seconds)]);
            assert_eq!(verdicts(&by_device), expected, "{seconds} s of {minimum} s by the device");
            assert_eq!(by_device.steps[0].elapsed, Some((seconds, MeasuredBy::Device)));
            assert_eq!(by_device.steps[0].minimum_seconds, Some(minimum), "the rule stands beside the answer");

            bench.holds.insert(id(1), server_hold("flush", Some(i64::from(seconds) * 1_000)));
            let by_server = bench.judge(&[timed("flush", 1)]);
            assert_eq!(verdicts(&by_server), expected, "{seconds} s of {minimum} s by the server");
            assert_eq!(by_server.steps[0].elapsed, Some((seconds, MeasuredBy::Server)));
        }
    }
}

#[test]
fn a_hold_counts_whole_seconds_only() {
    let mut bench = Bench::new(vec![hold("flush", 120)]);
    bench.holds.insert(id(1), server_hold("flush", Some(119_999)));
    assert_eq!(verdicts(&bench.judge(&[timed("flush", 1)])), OPEN);
    // A clock set back between start and end measures nothing.
    bench.holds.insert(id(1), server_hold("flush", Some(-5_000)));
    assert_eq!(bench.judge(&[timed("flush", 1)]).steps[0].elapsed, Some((0, MeasuredBy::Server)));
}

#[test]
fn a_hold_that_was_started_and_not_ended_fails() {
    let mut bench = Bench::new(vec![hold("flush", 20)]);
    bench.holds.insert(id(1), server_hold("flush", None));
    let judgement = bench.judge(&[timed("flush", 1)]);
    assert_eq!(verdicts(&judgement), OPEN);
    assert_eq!(judgement.steps[0].elapsed, None);
    assert_eq!(judgement.findings[0].finding, "the hold was started and not ended");
}

#[test]
fn a_flush_of_all_lines_that_forgot_one_is_not_a_flush_of_all_lines() {
    let bench = Bench::new(vec![for_each(Part::Circuit, hold("flush", 20))]);
    assert_eq!(verdicts(&bench.judge(&[held("flush:handpiece-1", 20), held("flush:syringe", 25)])), PASSED);
    let judgement = bench.judge(&[held("flush:handpiece-1", 20)]);
    assert_eq!(verdicts(&judgement), OPEN);
    let expected = Finding { step: Some("flush:syringe".to_owned()), finding: "not recorded".to_owned() };
    assert_eq!(judgement.findings, [expected]);
    assert_eq!(judgement.steps[1].status, StepStatus::Skipped);
}

/// At most 500 CFU/mL: CDC, MMWR 52(RR-17) 2003, rec. VII.A (read) and WAC 246-817-660 (read). Fewer than 500: CDC,
/// Best Practices for Dental Unit Water Quality (read). A bounded count decides only where the bound does.
#[test]
fn a_reading_is_judged_by_its_limit_and_qualifier() {
    use Operator::{Le, Lt};
    use Qualifier::{Eq, Gt, Lt as Below};
    for (operator, qualifier, value, expected, finding) in [
        (Le, Eq, 500, StepVerdict::Passed, ""),
        (Lt, Eq, 500, StepVerdict::Failed, "outside the limit < 500 [CFU]/mL"),
        (Le, Eq, 501, StepVerdict::Failed, "outside the limit ≤ 500 [CFU]/mL"),
        (Le, Below, 10, StepVerdict::Passed, ""),
        (Le, Gt, 300, StepVerdict::Failed, "its qualifier leaves the limit ≤ 500 [CFU]/mL undecided"),
        (Le, Gt, 500, StepVerdict::Failed, "outside the limit ≤ 500 [CFU]/mL"),
    ] {
        let bench = Bench::new(vec![sample("hpc", vec![limit_of(operator, 500)], OnFailure::Record)]);
        let step = &bench.judge(&[count(qualifier, value)]).steps[0];
        assert_eq!((step.verdict, step.finding.as_str()), (expected, finding), "{operator} 500, {qualifier:?} {value}");
    }
}

#[test]
fn a_reading_outside_its_limit_ends_the_task_or_leaves_it_open_as_the_step_says() {
    for (on_failure, expected) in
        [(OnFailure::Record, (Verdict::Failed, Some(Outcome::Done))), (OnFailure::Repeat, (Verdict::Failed, None))]
    {
        let bench = Bench::new(vec![sample("hpc", vec![limit_of(Operator::Le, 500)], on_failure)]);
        assert_eq!(verdicts(&bench.judge(&[count(Qualifier::Eq, 501)])), expected, "{on_failure:?}");
        assert_eq!(verdicts(&bench.judge(&[count(Qualifier::Eq, 500)])), PASSED, "{on_failure:?}");
    }
}

#[test]
fn a_failed_value_to_be_recorded_does_not_excuse_work_that_was_left_out() {
    let bench =
        Bench::new(vec![sample("hpc", vec![limit_of(Operator::Le, 500)], OnFailure::Record), confirmation("dry")]);
    assert_eq!(verdicts(&bench.judge(&[count(Qualifier::Eq, 501)])), OPEN);
    // Nor is a skipped test a test that says no.
    let skipped = because("no kit", answer("hpc", StepStatus::Skipped));
    assert_eq!(verdicts(&bench.judge(&[skipped, done("dry")])), OPEN);
}

#[test]
fn of_the_limits_in_force_on_the_clinic_day_the_strictest_decides_and_is_kept_beside_the_reading() {
    let dated = |from: Option<&str>, until: Option<&str>| Limit {
        effective_from: from.map(on),
        effective_until: until.map(on),
        ..limit_of(Operator::Le, 100)
    };
    for (limit, applies) in [
        (dated(None, None), true),
        (dated(Some("2026-11-30"), None), true),
        (dated(Some("2026-12-01"), None), false),
        (dated(None, Some("2026-11-30")), true),
        (dated(None, Some("2026-11-29")), false),
    ] {
        let bench = Bench::new(vec![sample("hpc", vec![limit_of(Operator::Le, 500), limit], OnFailure::Record)]);
        let judgement = bench.judge(&[count(Qualifier::Eq, 200)]);
        assert_eq!(judgement.verdict == Verdict::Failed, applies);
        let decided: Vec<Decimal> = judgement.steps[0].limits.iter().map(|limit| limit.value).collect();
        assert_eq!(decided, [Decimal::from(if applies { 100 } else { 500 })]);
    }
}

#[test]
fn a_result_may_follow_its_sample_even_after_the_window() {
    let mut bench = Bench::new(vec![sample("hpc", vec![limit_of(Operator::Le, 500)], OnFailure::Record)]);
    let pending = answer("hpc", StepStatus::ResultPending);
    let awaited = (Verdict::ResultPending, Some(Outcome::ResultPending));
    assert_eq!(verdicts(&bench.judge(std::slice::from_ref(&pending))), awaited);

    // Incubation takes days; the laboratory's value comes long after noon.
    bench.performed_at = at("2026-12-07 10:00");
    bench.recorded_at = at("2026-12-07 10:00");
    let no_sample = bench.judge(&[count(Qualifier::Eq, 120)]);
    assert_eq!(verdicts(&no_sample), (Verdict::Passed, None), "without a sample in time the task stays missed");
    bench.sampled_before = true;
    let result = bench.judge(&[count(Qualifier::Eq, 120)]);
    assert_eq!(verdicts(&result), PASSED);
    assert!(!result.late_entry && result.findings.is_empty());
    assert_eq!(verdicts(&bench.judge(&[count(Qualifier::Eq, 900)])), (Verdict::Failed, Some(Outcome::Done)));
}

#[test]
fn a_failed_step_weighs_more_than_an_awaited_result() {
    let bench = Bench::new(vec![sample("hpc", vec![], OnFailure::Record), hold("flush", 20)]);
    let pending = answer("hpc", StepStatus::ResultPending);
    assert_eq!(verdicts(&bench.judge(&[pending.clone(), held("flush", 19)])), OPEN);
    assert_eq!(bench.judge(&[pending, held("flush", 20)]).verdict, Verdict::ResultPending);
}

#[test]
fn work_outside_the_window_is_kept_and_leaves_the_task_as_it_was() {
    for (performed_at, recorded_at, outcome, (early, late, late_entry), finding) in [
        ("06:59", "06:59", None, (true, false, false), Some("performed before the window opened; the task stays open")),
        ("07:00", "07:00", Some(Outcome::Done), (false, false, false), None),
        ("08:00", "08:00", Some(Outcome::Done), (false, false, false), None),
        ("08:01", "08:01", Some(Outcome::Done), (false, true, false), None),
        ("11:59", "11:59", Some(Outcome::Done), (false, true, false), None),
        ("07:30", "11:59", Some(Outcome::Done), (false, false, false), None),
        ("07:30", "12:00", Some(Outcome::Done), (false, false, true), None),
        (
            "12:00",
            "12:01",
            None,
            (false, true, true),
            Some("performed after the window had closed; the task stays missed"),
        ),
    ] {
        let bench = Bench {
            performed_at: at(&format!("{DAY} {performed_at}")),
            recorded_at: at(&format!("{DAY} {recorded_at}")),
            ..Bench::new(vec![confirmation("flush")])
        };
        let judgement = bench.judge(&[done("flush")]);
        let name = format!("performed {performed_at}, recorded {recorded_at}");
        assert_eq!(verdicts(&judgement), (Verdict::Passed, outcome), "{name}");
        assert_eq!((judgement.early, judgement.late, judgement.late_entry), (early, late, late_entry), "{name}");
        assert_eq!(judgement.findings.first().map(|f| f.finding.as_str()), finding, "{name}");
    }
}

#[test]
fn skipping_is_for_optional_steps() {
    for (required, status, expected, step_verdict) in [
        (true, StepStatus::Skipped, OPEN, StepVerdict::Failed),
        (true, StepStatus::NotApplicable, OPEN, StepVerdict::Failed),
        (false, StepStatus::Skipped, PASSED, StepVerdict::NotApplicable),
        (false, StepStatus::NotApplicable, PASSED, StepVerdict::NotApplicable),
    ] {
        let bench = Bench::new(vec![confirmation("flush"), Step { required, ..confirmation("cup") }]);
        let judgement = bench.judge(&[done("flush"), because("no cup filler", answer("cup", status))]);
        assert_eq!(verdicts(&judgement), expected, "{status:?}, required: {required}");
        assert_eq!(judgement.steps[1].verdict, step_verdict);
        assert_eq!(judgement.steps[1].reason, "no cup filler");
    }
    let bench = Bench::new(vec![confirmation("flush"), Step { required: false, ..confirmation("cup") }]);
    assert_eq!(verdicts(&bench.judge(&[done("flush")])), PASSED, "an optional step may stay without answer");
    assert_eq!(verdicts(&bench.judge(&[])), OPEN);
}

#[test]
fn a_part_that_no_longer_exists_is_kept_and_neither_helps_nor_hinders() {
    let steps = vec![
        for_each(Part::Circuit, hold("flush", 20)),
        for_each(Part::Circuit, sample("hpc", vec![], OnFailure::Record)),
    ];
    let bench =
        Bench { subject: Subject { circuits: vec!["syringe".to_owned()], ..operatory(10) }, ..Bench::new(steps) };
    let here = [held("flush:syringe", 20), read("hpc:syringe", Qualifier::Eq, 5, "[CFU]/mL")];
    for gone in [held("flush:scaler", 30), held("flush:scaler", 3), answer("hpc:scaler", StepStatus::ResultPending)] {
        let mut answers = here.to_vec();
        answers.push(gone.clone());
        let judgement = bench.judge(&answers);
        assert_eq!(verdicts(&judgement), PASSED, "{gone:?}");
        assert_eq!(judgement.steps.len(), 3, "what was sent is kept");
        assert_eq!(judgement.steps[2].key, gone.step);
        let alone = bench.judge(std::slice::from_ref(&gone));
        assert_eq!(verdicts(&alone), OPEN, "it does not stand for the parts there are");
    }
}

#[test]
fn what_cannot_be_read_goes_back_with_its_place() {
    let mut bench = Bench::new(vec![
        confirmation("attach"),
        for_each(Part::Circuit, hold("flush", 20)),
        sample("hpc", vec![], OnFailure::Record),
        hold("soak", 600),
    ]);
    bench.holds.insert(id(1), server_hold("soak", Some(600_000)));
    let both = StepAnswer { elapsed_seconds: Some(600), ..timed("soak", 1) };
    let skipped = |answer: StepAnswer| because("no time", StepAnswer { status: StepStatus::Skipped, ..answer });
    for (answers, expected) in [
        (vec![done("attach"), held("flush:syringe", 20), timed("soak", 1)], vec![]),
        (vec![done("rinse")], vec!["/steps/0/step"]),
        (vec![done("attach:syringe")], vec!["/steps/0/step"]),
        (vec![done("attach:")], vec!["/steps/0/step"]),
        (vec![held("flush", 20)], vec!["/steps/0/step"]),
        (vec![held("flush:", 20)], vec!["/steps/0/step"]),
        (vec![held("flush:a:b", 20)], vec!["/steps/0/step"]),
        (vec![held("flush:\0", 20)], vec!["/steps/0/step"]),
        (vec![done("attach"), done("attach")], vec!["/steps/1/step"]),
        (vec![held("flush:syringe", 20), held("flush:syringe", 25)], vec!["/steps/1/step"]),
        (vec![done("soak")], vec!["/steps/0/elapsed_seconds"]),
        (vec![both], vec!["/steps/0/elapsed_seconds"]),
        (vec![held("soak", 604_800)], vec![]),
        (vec![held("soak", 604_801)], vec!["/steps/0/elapsed_seconds"]),
        (vec![timed("soak", 2)], vec!["/steps/0/hold_id"]),
        (vec![timed("flush:syringe", 1)], vec!["/steps/0/hold_id"]),
        (vec![skipped(timed("soak", 2))], vec!["/steps/0/hold_id"]),
        (vec![skipped(timed("soak", 1))], vec![]),
        (vec![held("attach", 20)], vec!["/steps/0/elapsed_seconds"]),
        (vec![timed("attach", 1)], vec!["/steps/0/elapsed_seconds"]),
        (vec![done("hpc")], vec!["/steps/0/reading"]),
        (vec![read("hpc", Qualifier::Eq, 1, "mg/L")], vec!["/steps/0/reading/unit"]),
        (vec![skipped(read("hpc", Qualifier::Eq, 1, "mg/L"))], vec!["/steps/0/reading/unit"]),
        (vec![read("attach", Qualifier::Eq, 1, "mg/L")], vec!["/steps/0/reading"]),
        (vec![answer("hpc", StepStatus::ResultPending)], vec![]),
        (vec![answer("soak", StepStatus::ResultPending)], vec!["/steps/0/status"]),
        (vec![answer("attach", StepStatus::Skipped)], vec!["/steps/0/reason"]),
        (vec![answer("attach", StepStatus::NotApplicable)], vec!["/steps/0/reason"]),
        (vec![because(" ", answer("attach", StepStatus::Skipped))], vec!["/steps/0/reason"]),
        (vec![because(&"x".repeat(401), done("attach"))], vec!["/steps/0/reason"]),
    ] {
        assert_eq!(bench.faults(&answers), expected, "{answers:?}");
    }
}

#[test]
fn work_is_recorded_after_it_was_done_but_for_two_minutes_of_clock() {
    for (seconds_ahead, refused) in [(-3_600, false), (0, false), (120, false), (121, true), (86_400, true)] {
        let mut bench = Bench::new(vec![confirmation("flush")]);
        bench.performed_at = bench.recorded_at + TimeDelta::seconds(seconds_ahead);
        let expected: &[&str] = if refused { &["/performed_at"] } else { &[] };
        assert_eq!(bench.faults(&[done("flush")]), expected, "{seconds_ahead} s");
    }
}

#[test]
fn not_required_and_void_need_a_reason_and_no_steps() {
    let bench = Bench::new(vec![confirmation("flush")]);
    for (kind, verdict, outcome) in [
        (CompletionKind::NotRequired, Verdict::NotRequired, Outcome::NotRequired),
        (CompletionKind::Void, Verdict::Void, Outcome::Void),
    ] {
        let pointers = |reason: &str, answers: &[StepAnswer]| -> Vec<String> {
            bench.with(kind, reason, answers, faults).into_iter().map(|f| f.pointer).collect()
        };
        assert_eq!(pointers("chair not used", &[]), [] as [&str; 0]);
        assert_eq!(pointers("", &[]), ["/reason"]);
        assert_eq!(pointers("chair not used", &[done("flush")]), ["/steps"]);
        let judgement = bench.with(kind, "chair not used", &[], judge);
        assert_eq!(verdicts(&judgement), (verdict, Some(outcome)));
        assert!(judgement.steps.is_empty());
    }
}

proptest! {
    #[test]
    fn a_longer_hold_is_never_judged_worse(minimum in 1..86_400_u32, a in 0..100_000_u32, b in 0..100_000_u32) {
        let bench = Bench::new(vec![hold("flush", minimum)]);
        let passes = |seconds| bench.judge(&[held("flush", seconds)]).verdict == Verdict::Passed;
        prop_assert!(!passes(a.min(b)) || passes(a.max(b)));
        prop_assert_eq!(passes(a), a >= minimum);
    }

    #[test]
    fn the_order_of_the_answers_is_nothing(
        answers in Just(vec![
            done("attach"),
            held("flush:syringe", 20),
            held("flush:handpiece-1", 19),
            count(Qualifier::Gt, 300),
        ]).prop_shuffle(),
    ) {
        let bench = Bench::new(vec![
            confirmation("attach"),
            for_each(Part::Circuit, hold("flush", 20)),
            sample("hpc", vec![limit_of(Operator::Le, 500)], OnFailure::Record),
        ]);
        let judgement = bench.judge(&answers);
        prop_assert_eq!(verdicts(&judgement), OPEN);
        let keys: Vec<_> = judgement.steps.iter().map(|s| s.key.as_str()).collect();
        prop_assert_eq!(keys, ["attach", "flush:handpiece-1", "flush:syringe", "hpc"]);
    }

    #[test]
    fn a_task_is_done_only_by_work_inside_its_window(performed in -2_000..2_000_i64, delay in 0..2_000_i64) {
        let mut bench = Bench::new(vec![confirmation("flush")]);
        bench.performed_at = at("2026-11-30 08:00") + minutes(performed);
        bench.recorded_at = bench.performed_at + minutes(delay);
        let judgement = bench.judge(&[done("flush")]);
        prop_assert_eq!(judgement.outcome == Some(Outcome::Done), (-60..240).contains(&performed));
        prop_assert_eq!(judgement.outcome.is_none(), !judgement.findings.is_empty(), "a record without effect says why");
    }
}

mod bounds;
mod kinds;
