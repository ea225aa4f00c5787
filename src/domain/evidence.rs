//! Step answers in, verdict out.
//!
//! The rule of this file: evidence is judged, never refused for what it says. A hold cut short, a reading over its
//! limit or an entry ahead of its window is kept with the verdict it earns; only an answer that cannot be read (an
//! unknown step, a reading in another unit) is a fault, and goes back to the sender whole.

mod product;
mod reading;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::limit::{Limit, Qualifier, decimal_text};
use super::step::{OnFailure, Step, StepEvidence, WantedStep};
use super::task::{Outcome, Times};

pub use self::product::LotsAsked;
use self::reading::step_of;
pub use self::reading::{CLOCK_TOLERANCE, faults};

/// What was done about one step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StepStatus {
    /// Done.
    Done,
    /// Not done, with a reason.
    Skipped,
    /// Does not apply here, with a reason; for optional steps.
    NotApplicable,
    /// Sampled; the value is awaited.
    ResultPending,
}

/// A value that was read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// Whether the value is exact or a bound.
    pub qualifier: Qualifier,
    /// The value, as a decimal string.
    #[serde(with = "decimal_text")]
    #[schema(value_type = String, pattern = r"^-?[0-9]{1,12}(\.[0-9]{1,9})?$", example = "10")]
    pub value: Decimal,
    /// Unit as a UCUM code; must be the unit the step asks for.
    #[schema(example = "[CFU]/mL")]
    pub unit: String,
}

/// The answer to one wanted step.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StepAnswer {
    /// The wanted step's key, e.g. `flush:handpiece-1`.
    #[schema(example = "flush:handpiece-1")]
    pub step: String,
    /// What was done.
    pub status: StepStatus,
    /// For a hold: the server-timed hold it refers to.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hold_id: Option<Uuid>,
    /// For a hold timed by the device: seconds by its monotonic counter.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 604_800)]
    pub elapsed_seconds: Option<u32>,
    /// For a reading: the value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading: Option<Reading>,
    /// For a product: the lot it was worked with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lot_id: Option<Uuid>,
    /// For a product that is made up: when it was mixed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mixed_at: Option<DateTime<Utc>>,
    /// Why it was skipped or does not apply.
    #[serde(default)]
    pub reason: String,
}

/// What one completion says about its task.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CompletionKind {
    /// The work was done, or tried.
    Performed,
    /// It is not required, with a reason.
    NotRequired,
    /// The test was invalid and must be repeated, with a reason.
    Void,
}

impl CompletionKind {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Performed => "performed",
            Self::NotRequired => "not_required",
            Self::Void => "void",
        }
    }
}

/// Who measured a hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum MeasuredBy {
    /// The server's clock, between a start and an end that were posted.
    Server,
    /// The device's monotonic counter.
    Device,
}

/// A hold as the server timed it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TimedHold {
    /// The wanted step it was started for.
    pub step_key: String,
    /// Start by the server's clock.
    pub started_at: DateTime<Utc>,
    /// End by the server's clock, if it was ended.
    pub ended_at: Option<DateTime<Utc>>,
}

impl TimedHold {
    /// Whole seconds held, once ended.
    #[must_use]
    pub fn elapsed_seconds(&self) -> Option<u32> {
        let held = self.ended_at? - self.started_at;
        Some(u32::try_from(held.num_seconds().max(0)).unwrap_or(u32::MAX))
    }
}

/// The verdict on a step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum StepVerdict {
    /// Recorded as its rule asks.
    Passed,
    /// Recorded, but not as its rule asks, or not recorded.
    Failed,
    /// The value is awaited.
    ResultPending,
    /// Does not apply.
    NotApplicable,
}

/// The verdict on a completion.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Every step is recorded as its rule asks.
    Passed,
    /// Some step is not.
    Failed,
    /// Some value is awaited.
    ResultPending,
    /// Declared not required.
    NotRequired,
    /// Declared void.
    Void,
}

impl Verdict {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Passed => "passed",
            Self::Failed => "failed",
            Self::ResultPending => "result_pending",
            Self::NotRequired => "not_required",
            Self::Void => "void",
        }
    }
}

/// A step with its answer and the verdict on it, and the rule it was judged by.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct JudgedStep {
    /// The wanted step's key.
    pub key: String,
    /// What kind of evidence it wants: `confirmation`, `hold`, `reading` or `product`.
    pub kind: &'static str,
    /// What was answered; a step without an answer counts as skipped.
    pub status: StepStatus,
    /// The verdict.
    pub verdict: StepVerdict,
    /// The verdict in words, or a warning beside it; else empty.
    pub finding: String,
    /// The server-timed hold.
    pub hold_id: Option<Uuid>,
    /// Seconds held and who measured them.
    pub elapsed: Option<(u32, MeasuredBy)>,
    /// The hold's minimum at the time.
    pub minimum_seconds: Option<u32>,
    /// The reading.
    pub reading: Option<Reading>,
    /// The limits in force on the clinic day.
    pub limits: Vec<Limit>,
    /// The lot it was worked with.
    pub lot_id: Option<Uuid>,
    /// The version of its product it was judged by.
    pub product_version: Option<i32>,
    /// When the solution was mixed.
    pub mixed_at: Option<DateTime<Utc>>,
    /// The reason given.
    pub reason: String,
}

/// A finding beside a verdict.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Finding {
    /// The step it is about; absent when it is about the completion as a whole.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step: Option<String>,
    /// What was found.
    pub finding: String,
}

/// What a completion amounts to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Judgement {
    /// The verdict.
    pub verdict: Verdict,
    /// What it makes of the task; `None`: the task stays as it is.
    pub outcome: Option<Outcome>,
    /// Each step.
    pub steps: Vec<JudgedStep>,
    /// Everything a reader should see beside the verdict.
    pub findings: Vec<Finding>,
    /// Performed before the window opened.
    pub early: bool,
    /// Performed after it was due.
    pub late: bool,
    /// Recorded when the window had closed.
    pub late_entry: bool,
}

/// A completion as it came in.
#[derive(Clone, Debug)]
pub struct Submission<'a> {
    /// What it says.
    pub kind: CompletionKind,
    /// When the work was done, as the person says.
    pub performed_at: DateTime<Utc>,
    /// The answers, in any order.
    pub answers: &'a [StepAnswer],
    /// Reason of a not-required or void.
    pub reason: &'a str,
}

/// The task a completion is judged against.
#[derive(Clone, Debug)]
pub struct Asked<'a> {
    /// The clinic day, which decides the limits in force.
    pub clinic_day: NaiveDate,
    /// Its window.
    pub times: &'a Times,
    /// The routine's steps.
    pub steps: &'a [Step],
    /// The steps the subject's parts make of them.
    pub wanted: &'a [WantedStep<'a>],
    /// Holds the server timed for this task.
    pub holds: &'a BTreeMap<Uuid, TimedHold>,
    /// The lots its answers name, and the place they are used at.
    pub lots: &'a LotsAsked,
    /// The sample was taken before and its result is awaited: the window, which is the sample's, no longer binds.
    pub sampled_before: bool,
}

/// Judges a submission without [`faults`].
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
        late_entry: now >= times.missed_at,
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
    let contacts = product::contacts(&answers, asked);
    let mut work_is_whole = true;
    let mut value_failed = false;
    let mut awaited = false;
    let mut steps = Vec::new();
    for wanted in asked.wanted {
        let mut judged =
            judge_step(&wanted.key, wanted.step, answers.get(wanted.key.as_str()).copied(), submission, asked);
        if let Some(contact) = contacts.get(&wanted.key) {
            judge_contact(&mut judged, *contact);
        }
        if judged.verdict == StepVerdict::Failed {
            match &wanted.step.evidence {
                StepEvidence::Reading { on_failure: OnFailure::Record, .. } if judged.status == StepStatus::Done => {
                    value_failed = true;
                }
                _ => work_is_whole = false,
            }
        }
        awaited |= judged.verdict == StepVerdict::ResultPending;
        steps.push(judged);
    }
    for answer in submission.answers.iter().filter(|a| !wanted_keys.contains(a.step.as_str())) {
        if let Some(step) = step_of(&answer.step, asked) {
            steps.push(judge_step(&answer.step, step, Some(answer), submission, asked));
        }
    }
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
    let (verdict, outcome) = match (work_is_whole, awaited, value_failed) {
        (false, _, _) => (Verdict::Failed, None),
        (true, true, _) => (Verdict::ResultPending, Some(Outcome::ResultPending)),
        (true, false, true) => (Verdict::Failed, Some(Outcome::Done)),
        (true, false, false) => (Verdict::Passed, Some(Outcome::Done)),
    };
    judgement.verdict = verdict;
    judgement.outcome = outcome.filter(|_| in_window);
    judgement.steps = steps;
    judgement.findings = findings;
    judgement
}

/// A hold takes the contact time of the product it was filled with, where that is longer than its own.
fn judge_contact(judged: &mut JudgedStep, contact: product::Contact) {
    let (StepStatus::Done, Some((held, _))) = (judged.status, judged.elapsed) else { return };
    let least = contact.minimum.max(judged.minimum_seconds);
    judged.minimum_seconds = least;
    let finding = match (least, contact.maximum) {
        (Some(least), _) if held < least => {
            format!("held {held} s of at least {least} s, the product's contact time; the whole step is to be repeated")
        }
        (_, Some(most)) if held > most => {
            format!("held {held} s, and the product allows at most {most} s; the whole step is to be repeated")
        }
        _ => return,
    };
    // Its own, shorter minimum may have failed already; the longer one says it all.
    judged.verdict = StepVerdict::Failed;
    judged.finding = finding;
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
        kind: match step.evidence {
            StepEvidence::Confirmation {} => "confirmation",
            StepEvidence::Hold { .. } => "hold",
            StepEvidence::Reading { .. } => "reading",
            StepEvidence::Product { .. } => "product",
        },
        status: answer.map_or(StepStatus::Skipped, |a| a.status),
        verdict: StepVerdict::Passed,
        finding: String::new(),
        hold_id: answer.and_then(|a| a.hold_id),
        elapsed: None,
        minimum_seconds: None,
        reading: answer.and_then(|a| a.reading.clone()),
        limits: Vec::new(),
        lot_id: answer.and_then(|a| a.lot_id),
        product_version: None,
        mixed_at: answer.and_then(|a| a.mixed_at),
        reason: answer.map(|a| a.reason.clone()).unwrap_or_default(),
    };
    let Some(answer) = answer else {
        if step.required {
            judged.verdict = StepVerdict::Failed;
            "not recorded".clone_into(&mut judged.finding);
        } else {
            judged.verdict = StepVerdict::NotApplicable;
        }
        return judged;
    };
    let failed = match answer.status {
        StepStatus::Done => fails_rule(&mut judged, step, answer, submission, asked),
        StepStatus::Skipped if step.required => Some("skipped".to_owned()),
        StepStatus::NotApplicable if step.required => Some("required, but answered as not applicable".to_owned()),
        StepStatus::Skipped | StepStatus::NotApplicable => {
            judged.verdict = StepVerdict::NotApplicable;
            None
        }
        StepStatus::ResultPending => {
            judged.verdict = StepVerdict::ResultPending;
            None
        }
    };
    if let Some(finding) = failed {
        judged.verdict = StepVerdict::Failed;
        judged.finding = finding;
    }
    judged
}

/// What the step's own rule finds wrong with a done step, noting the rule beside the answer.
fn fails_rule(
    judged: &mut JudgedStep,
    step: &Step,
    answer: &StepAnswer,
    submission: &Submission<'_>,
    asked: &Asked<'_>,
) -> Option<String> {
    match &step.evidence {
        StepEvidence::Confirmation {} => None,
        StepEvidence::Product { .. } => product::fails(judged, step, answer, submission, asked),
        StepEvidence::Hold { minimum_seconds, .. } => {
            judged.minimum_seconds = Some(*minimum_seconds);
            judged.elapsed = match answer.hold_id.and_then(|id| asked.holds.get(&id)) {
                Some(hold) => hold.elapsed_seconds().map(|seconds| (seconds, MeasuredBy::Server)),
                None => answer.elapsed_seconds.map(|seconds| (seconds, MeasuredBy::Device)),
            };
            match judged.elapsed {
                None => Some("the hold was started and not ended".to_owned()),
                Some((held, _)) if held < *minimum_seconds => {
                    Some(format!("held {held} s of at least {minimum_seconds} s; the whole step is to be repeated"))
                }
                Some(_) => None,
            }
        }
        StepEvidence::Reading { limits, .. } => {
            judged.limits = limits.iter().filter(|l| l.is_in_force(asked.clinic_day)).cloned().collect();
            let reading = answer.reading.as_ref()?;
            let broken: Vec<String> = judged
                .limits
                .iter()
                .filter_map(|limit| match limit.is_kept_by(reading.qualifier, reading.value) {
                    Some(true) => None,
                    Some(false) => Some(format!("outside the limit {limit}")),
                    None => Some(format!("its qualifier leaves the limit {limit} undecided")),
                })
                .collect();
            (!broken.is_empty()).then(|| broken.join("; "))
        }
    }
}

#[cfg(test)]
mod tests;
