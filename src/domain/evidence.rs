//! Step answers in, verdict out.
//!
//! The rule of this file: evidence is judged, never refused for what it says. A hold cut short, a reading over its
//! limit or an entry ahead of its window is kept with the verdict it earns; only an answer that cannot be read (an
//! unknown step, a reading in another unit) is a fault, and goes back to the sender whole.

mod asked;
mod counting;
mod given;
mod hold_record;
mod judging;
mod product;
mod reading;
mod rules;

use chrono::{DateTime, Utc};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::limit::{Limit, Qualifier, decimal_text};
use super::task::Outcome;
use super::water_sample::JudgedLine;

pub use self::asked::{Asked, Known, LoadHeld, OwnLimit, SporeRun, Submission};
pub use self::counting::{Counted, Entry, what_counts};
pub use self::given::{Given, SporeStrips, WaterDrawn};
pub use self::hold_record::{DeviceMoment, HoldRecord};
pub use self::judging::judge;
pub use self::product::LotsAsked;
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

impl Reading {
    /// The value with its qualifier, as people write it.
    #[must_use]
    pub fn stated(&self) -> String {
        match self.qualifier {
            Qualifier::Lt => format!("< {}", self.value),
            Qualifier::Eq => self.value.to_string(),
            Qualifier::Gt => format!("> {}", self.value),
        }
    }
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
    /// For a hold timed by the device: seconds by its monotonic counter. Where its record bears out fewer, those count.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 604_800)]
    pub elapsed_seconds: Option<u32>,
    /// For a hold timed by the device: what its counter and its clock showed at both ends. A hold without it counts, and
    /// its completion is flagged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hold_record: Option<HoldRecord>,
    /// For a reading: the value.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading: Option<Reading>,
    /// For a reading: there was too much to count, and no number tells how much.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub too_many_to_count: bool,
    /// For a reading: the instrument it was taken with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub instrument_id: Option<Uuid>,
    /// For every other kind of step: the answer of that kind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub given: Option<Given>,
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

impl StepAnswer {
    /// The lot it names in the register: of a product, or of indicators.
    #[must_use]
    pub fn named_lot(&self) -> Option<Uuid> {
        let of_indicators = || match &self.given {
            Some(Given::SporeTest { strips }) => strips.lot_id,
            _ => None,
        };
        self.lot_id.or_else(of_indicators)
    }
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
    /// The test shows nothing, and is due again at once.
    Void,
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
    /// Declared void, or a test that shows nothing.
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
    /// What kind of evidence it wants ([`super::step::StepEvidence::kind`]).
    pub kind: &'static str,
    /// What was answered; a step without an answer counts as skipped.
    pub status: StepStatus,
    /// The verdict.
    pub verdict: StepVerdict,
    /// The verdict in words, and what is to be seen beside it; empty when there is nothing to be seen.
    pub finding: String,
    /// The server-timed hold.
    pub hold_id: Option<Uuid>,
    /// Seconds held, as they are judged, and who measured them.
    pub elapsed: Option<(u32, MeasuredBy)>,
    /// The seconds that a device sent.
    pub sent_seconds: Option<u32>,
    /// How the device timed it.
    pub hold_record: Option<HoldRecord>,
    /// The minimum that decided.
    pub minimum_seconds: Option<u32>,
    /// The maximum that decided.
    pub maximum_seconds: Option<u32>,
    /// The reading.
    pub reading: Option<Reading>,
    /// There was too much to count.
    pub too_many_to_count: bool,
    /// The instrument a reading was taken with.
    pub instrument_id: Option<Uuid>,
    /// The answer of another kind.
    pub given: Option<Given>,
    /// The bottles of a water sample, each with what decides.
    pub lines: Vec<JudgedLine>,
    /// The limits that decided, each with the stricter ones of the law behind it.
    pub limits: Vec<Limit>,
    /// It has limits, and none of them was in force that day at that place: nothing judged the value.
    pub no_limit_in_force: bool,
    /// The lot it was worked with.
    pub lot_id: Option<Uuid>,
    /// The version of its product it was judged by.
    pub product_version: Option<i32>,
    /// It was worked with a product that is wrong for it, expired, over its life or recalled.
    pub wrong_product: bool,
    /// When the solution was mixed.
    pub mixed_at: Option<DateTime<Utc>>,
    /// The reason given.
    pub reason: String,
}

impl JudgedStep {
    /// Whether it was done and what it shows falls short. Growth beside a control that shows nothing does as well, until
    /// the repeat is read (CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation).
    #[must_use]
    pub fn falls_short(&self) -> bool {
        let grew = matches!(&self.given, Some(Given::SporeTest { strips }) if strips.test_growth == Some(true));
        let short = self.verdict == StepVerdict::Failed || self.verdict == StepVerdict::Void && grew;
        self.status == StepStatus::Done && short
    }

    /// Whether indicators were run of which nothing tells the last day.
    #[must_use]
    pub fn lacks_last_day(&self) -> bool {
        matches!(&self.given, Some(Given::SporeTest { strips }) if strips.expires_on.is_none() && strips.lot_id.is_none())
    }

    /// Whether its only measure of a hold is one number that a device sent.
    #[must_use]
    pub fn is_hold_without_record(&self) -> bool {
        matches!(self.elapsed, Some((_, MeasuredBy::Device))) && self.hold_record.is_none()
    }

    /// What the device's record of a hold says otherwise than the number it sent.
    #[must_use]
    pub fn hold_disagreements(&self) -> Vec<String> {
        match (&self.hold_record, self.elapsed) {
            (Some(record), Some((_, MeasuredBy::Device))) => {
                self.sent_seconds.map_or_else(Vec::new, |seconds| record.disagreements(seconds))
            }
            _ => Vec::new(),
        }
    }

    fn fail(&mut self, finding: impl Into<String>) {
        if self.verdict != StepVerdict::Void {
            self.verdict = StepVerdict::Failed;
        }
        self.tell(Some(finding.into()));
    }

    fn tell(&mut self, finding: Option<String>) {
        let Some(finding) = finding else { return };
        if !self.finding.is_empty() {
            self.finding.push_str("; ");
        }
        self.finding.push_str(&finding);
    }

    fn note_limit(&mut self, limit: &Limit) {
        if !self.limits.contains(limit) {
            self.limits.push(limit.clone());
        }
    }
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

impl Judgement {
    /// The labels that it names, of packs or whatever else a step refers to, each once.
    #[must_use]
    pub fn labels(&self) -> Vec<String> {
        let given = |step: &JudgedStep| match &step.given {
            Some(Given::Reference { labels }) => labels.clone(),
            _ => Vec::new(),
        };
        let mut labels: Vec<String> = Vec::new();
        for label in self.steps.iter().flat_map(given) {
            if !labels.contains(&label) {
                labels.push(label);
            }
        }
        labels
    }
}

#[cfg(test)]
mod tests;
