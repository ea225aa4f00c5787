//! From the answers of one submission to the verdict on each step and on the whole.
//!
//! The rule of this file: each step is judged by itself (`rules`); here stands what a step without an answer is, what one
//! failed step does to others, and what all of them make of the task.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};

use super::reading::step_of;
use super::rules;
use super::{
    Asked, CompletionKind, Finding, JudgedStep, Judgement, StepAnswer, StepStatus, StepVerdict, Submission, Verdict,
};
use crate::domain::step::{OnFailure, Step};
use crate::domain::task::Outcome;

/// Judges a submission without [`super::faults`].
#[must_use]
pub fn judge(submission: &Submission<'_>, asked: &Asked<'_>, now: DateTime<Utc>) -> Judgement {
    let times = asked.times;
    let unjudged = Judgement {
        verdict: Verdict::Passed,
        outcome: None,
        steps: Vec::new(),
        findings: Vec::new(),
        early: submission.performed_at < times.due_from,
        late: submission.performed_at > times.due_by,
        // A result is awaited beyond the window, which is its sample's.
        late_entry: now >= times.missed_at && !asked.sampled_before,
    };
    match submission.kind {
        CompletionKind::NotRequired => {
            Judgement { verdict: Verdict::NotRequired, outcome: Some(Outcome::NotRequired), ..unjudged }
        }
        CompletionKind::Void => Judgement { verdict: Verdict::Void, outcome: Some(Outcome::Void), ..unjudged },
        CompletionKind::Performed => judge_performed(submission, asked, unjudged),
    }
}

fn judge_performed(submission: &Submission<'_>, asked: &Asked<'_>, mut judgement: Judgement) -> Judgement {
    let answers: BTreeMap<&str, &StepAnswer> = submission.answers.iter().map(|a| (a.step.as_str(), a)).collect();
    let wanted_keys: BTreeSet<&str> = asked.wanted.iter().map(|w| w.key.as_str()).collect();
    let mut steps = Vec::new();
    for wanted in asked.wanted {
        let answer = answers.get(wanted.key.as_str()).copied();
        steps.push((judge_step(&wanted.key, wanted.step, answer, submission, asked), Some(wanted.step)));
    }
    fail_whole_cycles(&mut steps);
    let has = |verdict| steps.iter().any(|(step, _)| step.verdict == verdict);
    let (awaited, is_void) = (has(StepVerdict::ResultPending), has(StepVerdict::Void));
    let (recorded, repeated): (Vec<_>, Vec<_>) = steps
        .iter()
        .filter(|(judged, _)| judged.verdict == StepVerdict::Failed)
        .partition(|(judged, step)| judged.status == StepStatus::Done && step.is_some_and(records_failure));
    let (value_failed, work_is_whole) = (!recorded.is_empty(), repeated.is_empty());
    for answer in submission.answers.iter().filter(|a| !wanted_keys.contains(a.step.as_str())) {
        if let Some(step) = step_of(&answer.step, asked) {
            steps.push((judge_step(&answer.step, step, Some(answer), submission, asked), None));
        }
    }
    let steps: Vec<JudgedStep> = steps.into_iter().map(|(judged, _)| judged).collect();
    let mut findings: Vec<Finding> = steps
        .iter()
        .filter(|s| !s.finding.is_empty())
        .map(|s| Finding { step: Some(s.key.clone()), finding: s.finding.clone() })
        .collect();
    let mut about_all = |finding: &str| findings.push(Finding { step: None, finding: finding.to_owned() });
    let in_window = asked.sampled_before || (!judgement.early && submission.performed_at < asked.times.missed_at);
    match (in_window, judgement.early) {
        (true, _) => {}
        (false, true) => about_all("performed before the window opened; the task stays open"),
        (false, false) => about_all("performed after the window had closed; the task stays missed"),
    }
    let (verdict, outcome) = match (work_is_whole, is_void, awaited, value_failed) {
        (false, ..) => (Verdict::Failed, None),
        (true, true, ..) => (Verdict::Void, Some(Outcome::Void)),
        (true, false, true, _) => (Verdict::ResultPending, Some(Outcome::ResultPending)),
        (true, false, false, true) => (Verdict::Failed, Some(Outcome::Done)),
        (true, false, false, false) => (Verdict::Passed, Some(Outcome::Done)),
    };
    judgement.verdict = verdict;
    judgement.outcome = outcome.filter(|_| in_window);
    judgement.steps = steps;
    judgement.findings = findings;
    judgement
}

/// The answer stands as the test's result; the work is not to be done again.
fn records_failure(step: &Step) -> bool {
    step.evidence.on_failure() == OnFailure::Record
}

/// The steps of one cycle stand or fall together: contact time that was cut short is not made good by the missing rest.
fn fail_whole_cycles(steps: &mut [(JudgedStep, Option<&Step>)]) {
    let cycle_of = |step: Option<&Step>| step.and_then(|step| step.cycle.clone());
    let broken: BTreeSet<String> = steps
        .iter()
        .filter(|(judged, step)| judged.verdict == StepVerdict::Failed && !step.is_some_and(records_failure))
        .filter_map(|(_, step)| cycle_of(*step))
        .collect();
    for (judged, step) in steps.iter_mut().filter(|(judged, _)| judged.verdict == StepVerdict::Passed) {
        if let Some(cycle) = cycle_of(*step).filter(|cycle| broken.contains(cycle)) {
            judged.fail(format!("the cycle {cycle} failed and is to be repeated whole"));
        }
    }
}

fn judge_step(
    key: &str,
    step: &Step,
    answer: Option<&StepAnswer>,
    submission: &Submission<'_>,
    asked: &Asked<'_>,
) -> JudgedStep {
    let mut judged = JudgedStep {
        key: key.to_owned(),
        kind: step.evidence.kind(),
        status: answer.map_or(StepStatus::Skipped, |a| a.status),
        verdict: StepVerdict::Passed,
        finding: String::new(),
        hold_id: answer.and_then(|a| a.hold_id),
        elapsed: None,
        sent_seconds: answer.and_then(|a| a.elapsed_seconds),
        hold_record: answer.and_then(|a| a.hold_record.clone()),
        minimum_seconds: None,
        maximum_seconds: None,
        reading: answer.and_then(|a| a.reading.clone()),
        too_many_to_count: answer.is_some_and(|a| a.too_many_to_count),
        instrument_id: answer.and_then(|a| a.instrument_id),
        given: answer.and_then(|a| a.given.clone()),
        lines: Vec::new(),
        limits: Vec::new(),
        no_limit_in_force: false,
        lot_id: answer.and_then(StepAnswer::named_lot),
        product_version: None,
        wrong_product: false,
        mixed_at: answer.and_then(|a| a.mixed_at),
        reason: answer.map(|a| a.reason.clone()).unwrap_or_default(),
    };
    match answer.map(|answer| (answer, answer.status)) {
        None if step.required => judged.fail("not recorded"),
        Some((_, StepStatus::Skipped)) if step.required => judged.fail("skipped"),
        Some((_, StepStatus::NotApplicable)) if step.required => {
            judged.fail("required, but answered as not applicable");
        }
        None | Some((_, StepStatus::Skipped | StepStatus::NotApplicable)) => {
            judged.verdict = StepVerdict::NotApplicable;
        }
        Some((answer, StepStatus::ResultPending)) => {
            judged.verdict = StepVerdict::ResultPending;
            rules::tell_while_pending(&mut judged, answer, submission, asked);
        }
        Some((answer, StepStatus::Done)) => rules::judge_done(&mut judged, step, answer, submission, asked),
    }
    judged
}
