//! The review of a clinic day as it is shown.
//!
//! The rule of this file: what is shown is what the digest covers, so a signature is under these words and no others.

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

use crate::domain::sign_off::{DayNotice, GapKind, Said};
use crate::domain::task::State;
use crate::http::completions::FlagNote;
use crate::http::completions::entries_to_review::steps::StepToReview;
use crate::http::sign_offs::documents::SignOffDocument;
use crate::http::staff::signature::Signer;
use crate::store::sign_offs::{DayEntry, DayTask, UnreadySeating};

/// How a clinic day stands with its signature.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DayState {
    /// Its last session is not over.
    NotOver,
    /// It is over, and nobody signed it.
    Unsigned,
    /// It is signed, and every gap of its record is explained.
    Signed,
    /// It is signed, and something was recorded about it since: see `entries_after_signing`.
    SignedWithLaterEntries,
    /// It was signed, and its record has gaps since that nobody explained: those of `gaps` without an explanation. A
    /// further signature explains them.
    SignedWithLaterGaps,
}

/// How many tasks of a day are in which state.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TaskCounts {
    /// Recorded.
    pub done: u32,
    /// The window passed without a record.
    pub missed: u32,
    /// Grace is over, and there is still time.
    pub overdue: u32,
    /// Due, and grace runs.
    pub grace: u32,
    /// It may be done.
    pub due: u32,
    /// Its window has not opened.
    pub upcoming: u32,
    /// Sampled; the result is awaited.
    pub result_pending: u32,
    /// The test was invalid.
    pub void: u32,
    /// Not required, with a reason.
    pub not_required: u32,
}

impl TaskCounts {
    pub(super) fn of(tasks: &[DayTask]) -> Self {
        let count = |state| u32::try_from(tasks.iter().filter(|task| task.state == state).count()).unwrap_or(u32::MAX);
        Self {
            done: count(State::Done),
            missed: count(State::Missed),
            overdue: count(State::Overdue),
            grace: count(State::Grace),
            due: count(State::Due),
            upcoming: count(State::Upcoming),
            result_pending: count(State::ResultPending),
            void: count(State::Void),
            not_required: count(State::NotRequired),
        }
    }
}

/// Where the words about a gap come from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ExplainedBy {
    /// The plan: closed, or out of service.
    Plan,
    /// The person who recorded it as not required or void, told why it was missed, or said with a late entry why it is late.
    Record,
    /// A lead, as the day was signed.
    SignOff,
}

/// What was said about a gap.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct GapExplanation {
    /// The words.
    pub words: String,
    /// Where they come from.
    pub given_by: ExplainedBy,
    /// The person; empty: the plan.
    pub person: String,
}

/// One gap of a day's record.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayGap {
    /// Its name, to explain it by: the same as long as it is the same gap.
    #[schema(example = "missed:0000512e-9d0a-8c57-9a53-7f1e2a90c004")]
    pub gap: String,
    /// What is lacking.
    pub kind: GapKind,
    /// The task.
    pub task_id: Uuid,
    /// What it is about.
    pub subject_id: Uuid,
    /// What people call that.
    pub subject_name: String,
    /// Its routine.
    pub routine_id: Uuid,
    /// The routine's name in the task's version.
    pub routine_name: String,
    /// When it was due.
    pub due_by: DateTime<Utc>,
    /// It can stand in the way of using its subject.
    pub blocking: bool,
    /// What was said about it already; null: a signature must explain it.
    #[schema(required)]
    pub explanation: Option<GapExplanation>,
}

/// A completion of the day.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayEntryDocument {
    /// Which.
    pub completion_id: Uuid,
    /// Its task.
    pub task_id: Uuid,
    /// The person, as sent.
    pub performed_by: String,
    /// When the work was done, as the person says.
    pub performed_at: DateTime<Utc>,
    /// When it reached the service.
    pub recorded_at: DateTime<Utc>,
    /// The verdict.
    pub verdict: String,
    /// The completion it corrects; null: none.
    #[schema(required)]
    pub corrects: Option<Uuid>,
    /// The reason of a correction, a not-required or a void; may be empty.
    pub reason: String,
    /// What to look at.
    pub flags: Vec<FlagNote>,
}

impl From<&DayEntry> for DayEntryDocument {
    fn from(entry: &DayEntry) -> Self {
        Self {
            completion_id: entry.completion_id,
            task_id: entry.task_id,
            performed_by: entry.performed_by.clone(),
            performed_at: entry.performed_at,
            recorded_at: entry.recorded_at,
            verdict: entry.verdict.clone(),
            corrects: entry.corrects,
            reason: entry.reason.clone(),
            flags: FlagNote::of(&entry.flags),
        }
    }
}

/// A corrective action that is open.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayAction {
    /// Which.
    pub action_id: Uuid,
    /// What people call its chain.
    pub name: String,
    /// What it is about.
    pub subject_name: String,
    /// What failed, in words.
    pub reason: String,
    /// When it was opened.
    pub opened_at: DateTime<Utc>,
    /// The step it waits for; null: a second person closes it.
    #[schema(required)]
    pub step: Option<String>,
}

/// A chair that somebody was seated in although it was not ready by its record. There is no word on who it was. It is a gap
/// like any other: a signature must say how it came to that, and what follows.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DaySeating {
    /// Its name, to explain it by.
    #[schema(example = "seated_unready:0000512e-9d0a-5c57-9a53-7f1e2a90c004")]
    pub gap: String,
    /// Which seating.
    pub mark_id: Uuid,
    /// Which chair.
    pub operatory_id: Uuid,
    /// What people call that.
    pub operatory_name: String,
    /// When, as the desk says.
    pub seated_at: DateTime<Utc>,
    /// What stood in the way then, each in words.
    pub lacked: Vec<String>,
    /// What was said about it already; null: a signature must explain it.
    #[schema(required)]
    pub explanation: Option<GapExplanation>,
}

impl DaySeating {
    pub(super) fn new(seating: UnreadySeating, gap: String, explanation: Option<GapExplanation>) -> Self {
        let list = |value: &Value| value.as_array().cloned().unwrap_or_default();
        let text = |value: &Value| value.as_str().unwrap_or_default().replace('_', " ");
        let missing = list(&seating.missing).into_iter().map(|m| {
            let routine = m["routine_name"].as_str().unwrap_or_default();
            format!("{}: {routine}", text(&m["lack"]))
        });
        let standing = list(&seating.standing).into_iter().map(|s| {
            let reason = s["reason"].as_str().unwrap_or_default();
            format!("{}: {reason}", text(&s["kind"]))
        });
        Self {
            gap,
            mark_id: seating.mark_id,
            operatory_id: seating.operatory_id,
            operatory_name: seating.operatory_name,
            seated_at: seating.seated_at,
            lacked: standing.chain(missing).collect(),
            explanation,
        }
    }
}

/// A quarantine that stands.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayQuarantine {
    /// Which.
    pub quarantine_id: Uuid,
    /// What is in quarantine.
    pub subject_id: Uuid,
    /// The one line it concerns; null: the subject as a whole, or a load of it.
    #[schema(required)]
    pub line: Option<String>,
    /// Why.
    pub reason: String,
    /// Since when.
    pub begun_at: DateTime<Utc>,
}

/// What cannot be looked at of the day as a whole.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DayNoticeDocument {
    /// Its stable name.
    pub notice: DayNotice,
    /// What it says.
    #[schema(example = "nobody said who was on site, so nothing tells of work by somebody who was not")]
    pub finding: String,
}

impl From<DayNotice> for DayNoticeDocument {
    fn from(notice: DayNotice) -> Self {
        Self { notice, finding: notice.words().to_owned() }
    }
}

/// A clinic day as its lead looks at it.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DayReview {
    /// The clinic.
    pub clinic_id: Uuid,
    /// The day.
    pub clinic_day: NaiveDate,
    /// The instant the review is for.
    pub as_of: DateTime<Utc>,
    /// How it stands.
    pub state: DayState,
    /// Whether the day asks to be signed: closed days do not, nor those before the clinic's setting.
    pub asked: bool,
    /// When its last session is over; it cannot be signed before.
    pub over_at: DateTime<Utc>,
    /// When it is overdue; null: it does not ask.
    #[schema(required)]
    pub overdue_at: Option<DateTime<Utc>>,
    /// Rungs of the ladder reached; 0: none, or signed.
    #[schema(minimum = 0, maximum = 9)]
    pub level: i32,
    /// How many tasks are in which state.
    pub task_counts: TaskCounts,
    /// What its record lacks, by when it was due.
    pub gaps: Vec<DayGap>,
    /// What cannot be looked at of the day as a whole, said once; it takes no explanation.
    pub notices: Vec<DayNoticeDocument>,
    /// How many completions it has.
    #[schema(minimum = 0)]
    pub entries: usize,
    /// Completions with a flag, in the order in which they were recorded.
    pub entries_to_review: Vec<DayEntryDocument>,
    /// Steps of corrective actions that were worked that day and have a flag, the last recorded first; at most 200.
    pub steps_to_review: Vec<StepToReview>,
    /// Chairs that somebody was seated in although their record lacked something, or something stood against them; in that
    /// order, at most 2,000. Each must be explained, as a gap.
    pub unready_seatings: Vec<DaySeating>,
    /// Completions that correct others, in that order.
    pub corrections: Vec<DayEntryDocument>,
    /// Completions that reached the service after the last signature.
    pub entries_after_signing: Vec<DayEntryDocument>,
    /// Corrective actions of the clinic that are open now, at most 200.
    pub open_actions: Vec<DayAction>,
    /// Quarantines that stand at the clinic now, at most 200.
    pub quarantines: Vec<DayQuarantine>,
    /// The signatures, the first first.
    pub sign_offs: Vec<SignOffDocument>,
    /// Who may sign.
    pub may_sign: Vec<Signer>,
    /// What a signature must send back, so that it is under what its signer was shown.
    #[schema(pattern = "^[0-9a-f]{64}$")]
    pub review_digest: String,
}

impl ExplainedBy {
    fn as_str(self) -> &'static str {
        match self {
            Self::Plan => "plan",
            Self::Record => "record",
            Self::SignOff => "sign_off",
        }
    }
}

/// What a signature must explain, whatever it is a gap of.
#[derive(Clone, Debug)]
pub(in crate::http::sign_offs) struct NamedGap<'a> {
    pub(in crate::http::sign_offs) name: &'a str,
    pub(in crate::http::sign_offs) kind: GapKind,
    /// `None`: of a seating.
    pub(in crate::http::sign_offs) task_id: Option<Uuid>,
    pub(in crate::http::sign_offs) explanation: Option<&'a GapExplanation>,
    /// What and where, in words.
    pub(in crate::http::sign_offs) about: String,
}

impl<'a> NamedGap<'a> {
    pub(super) fn said(&self) -> Option<Said<'a>> {
        let GapExplanation { words, given_by, person } = self.explanation?;
        Some(Said { gap: self.name, words, given_by: given_by.as_str(), person })
    }
}

/// The gaps of tasks and the seatings, in that order.
pub(super) fn named<'a>(gaps: &'a [DayGap], seatings: &'a [DaySeating]) -> impl Iterator<Item = NamedGap<'a>> {
    let of_tasks = gaps.iter().map(|gap| NamedGap {
        name: &gap.gap,
        kind: gap.kind,
        task_id: Some(gap.task_id),
        explanation: gap.explanation.as_ref(),
        about: format!("{} on {}", gap.routine_name, gap.subject_name),
    });
    let of_seatings = seatings.iter().map(|seating| NamedGap {
        name: &seating.gap,
        kind: GapKind::SeatedUnready,
        task_id: None,
        explanation: seating.explanation.as_ref(),
        about: format!("somebody was seated at {}", seating.operatory_name),
    });
    of_tasks.chain(of_seatings)
}

impl DayReview {
    /// Everything that a signature must explain, or that is explained.
    pub(in crate::http::sign_offs) fn named_gaps(&self) -> impl Iterator<Item = NamedGap<'_>> {
        named(&self.gaps, &self.unready_seatings)
    }
}
