//! A clinic day under a lead's signature: when it asks for one, what there is to look at, and what was signed.
//!
//! The rule of this file: a signature is under what its signer was shown. The review has a digest, which is sent back with
//! the signature; whatever came meanwhile makes it another. What comes later is told beside the signature and changes
//! nothing of it; but a day with a gap that nobody explained is not signed any more, until a further signature explains it.

use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use data_encoding::HEXLOWER;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

use super::daybook::DayBook;
use super::facts::PostedDay;
use super::ladder::{Audience, Ladder};
use super::task::State;

/// How many days ahead the next opening is looked for.
const LONGEST_CLOSURE_DAYS: u64 = 120;

/// When an unsigned day is overdue where no opening is in sight.
const WITHOUT_OPENING: TimeDelta = TimeDelta::days(1);

/// An open day that asks to be signed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayToSign {
    /// The clinic day.
    pub clinic_day: NaiveDate,
    /// Its close: from then on it may be signed, and is due to be.
    pub due_by: DateTime<Utc>,
    /// The next opening.
    pub overdue_at: DateTime<Utc>,
    /// When the ladder's rungs are reached, ascending, and whom each tells.
    pub rungs: Vec<(DateTime<Utc>, Audience)>,
}

/// When the last session of a clinic day is over: the end that the desk posted, else the last planned closing; for a day
/// that the desk started without planned hours, when the clinic day ends. `None`: the day is closed.
#[must_use]
pub fn over_at(days: &DayBook<'_>, posted: PostedDay, date: NaiveDate) -> Option<DateTime<Utc>> {
    let day = days.day(date);
    if !day.is_open() && posted.started_at.is_none() {
        return None;
    }
    Some(posted.ended_at.or(day.closes_at()).unwrap_or_else(|| days.hours().clinic_day_ends_at(date)))
}

/// What a clinic day asks, if it is open.
#[must_use]
pub fn day_to_sign(days: &DayBook<'_>, ladder: &Ladder, posted: PostedDay, date: NaiveDate) -> Option<DayToSign> {
    let due_by = over_at(days, posted, date)?;
    let next_opening = (1..=LONGEST_CLOSURE_DAYS).find_map(|ahead| days.day(date + Days::new(ahead)).opens_at());
    let overdue_at = next_opening.unwrap_or(due_by + WITHOUT_OPENING).max(due_by);
    Some(DayToSign { clinic_day: date, due_by, overdue_at, rungs: ladder.reached_at(days, overdue_at) })
}

impl DayToSign {
    /// The same day, which asks again from `reopened_at` on: overdue at the opening that follows.
    #[must_use]
    pub fn asked_again(self, days: &DayBook<'_>, ladder: &Ladder, reopened_at: DateTime<Utc>) -> Self {
        let first = days.hours().clinic_day_of(reopened_at);
        let opening = (0..=LONGEST_CLOSURE_DAYS)
            .filter_map(|ahead| days.day(first + Days::new(ahead)).opens_at())
            .find(|opens_at| *opens_at > reopened_at);
        let overdue_at = opening.unwrap_or(reopened_at + WITHOUT_OPENING).max(self.due_by);
        Self { overdue_at, rungs: ladder.reached_at(days, overdue_at), ..self }
    }
}

/// The name of a clinic's day in lists of several kinds of things: a UUID of version 8.
#[must_use]
pub fn derive_day_id(clinic_id: Uuid, clinic_day: NaiveDate) -> Uuid {
    let mut hash = Sha256::new();
    hash.update(b"chairtide day to sign v1");
    hash.update(clinic_id.as_bytes());
    hash.update(clinic_day.to_string().as_bytes());
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&hash.finalize()[..16]);
    uuid::Builder::from_custom_bytes(bytes).into_uuid()
}

/// What a clinic day's record lacks, or tells too late: at one task, but for a seating.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum GapKind {
    /// The window passed without a record.
    Missed,
    /// It is due and not recorded, and there is still time.
    RecordMissing,
    /// It was recorded, but not as the rules ask.
    Failed,
    /// The test was invalid.
    Void,
    /// It was not required, for a reason.
    NotRequired,
    /// Sampled; the result is awaited.
    ResultAwaited,
    /// It was recorded after its window had closed.
    EnteredLate,
    /// Somebody was seated in a chair whose record lacked something, or that something stood against.
    SeatedUnready,
}

impl GapKind {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Missed => "missed",
            Self::RecordMissing => "record_missing",
            Self::Failed => "failed",
            Self::Void => "void",
            Self::NotRequired => "not_required",
            Self::ResultAwaited => "result_awaited",
            Self::EnteredLate => "entered_late",
            Self::SeatedUnready => "seated_unready",
        }
    }

    /// What a task in this state lacks; `None`: nothing, or its time has not come. `entered_late`: what it counts as done by
    /// was recorded after its window had closed.
    #[must_use]
    pub fn of(state: State, failed: bool, entered_late: bool) -> Option<Self> {
        match state {
            State::Missed => Some(Self::Missed),
            State::Void => Some(Self::Void),
            State::NotRequired => Some(Self::NotRequired),
            State::ResultPending => Some(Self::ResultAwaited),
            State::Done if !failed => entered_late.then_some(Self::EnteredLate),
            State::Done | State::Upcoming | State::Due => failed.then_some(Self::Failed),
            State::Grace | State::Overdue if failed => Some(Self::Failed),
            State::Grace | State::Overdue => Some(Self::RecordMissing),
        }
    }
}

/// What cannot be looked at of a clinic day as a whole.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum DayNotice {
    /// There is work, and no list of who was on site.
    PresenceNotRecorded,
}

impl DayNotice {
    /// The stable name, as served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::PresenceNotRecorded => "presence_not_recorded",
        }
    }

    /// What it says, in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::PresenceNotRecorded => {
                "nobody said who was on site, so nothing tells of work by somebody who was not"
            }
        }
    }
}

/// A gap's name, by its task or seating: as long as it is the same gap, it has the same one.
#[must_use]
pub fn gap_name(kind: GapKind, of: Uuid) -> String {
    format!("{}:{of}", kind.as_str())
}

/// What was said about a gap, as a signer was shown it.
#[derive(Clone, Copy, Debug)]
pub struct Said<'a> {
    /// The gap's name.
    pub gap: &'a str,
    /// The words.
    pub words: &'a str,
    /// Where they come from: a stable name.
    pub given_by: &'a str,
    /// The person; empty: the plan.
    pub person: &'a str,
}

/// What a signer was shown of a day's record.
#[derive(Clone, Copy, Debug)]
pub struct Shown<'a> {
    /// The clinic.
    pub clinic_id: Uuid,
    /// The day.
    pub clinic_day: NaiveDate,
    /// How often it was signed before.
    pub signed_before: usize,
    /// The names of its gaps, seatings among them.
    pub gaps: &'a [String],
    /// What was said about gaps.
    pub said: &'a [Said<'a>],
    /// Its completions.
    pub entries: &'a [Uuid],
    /// Their flags, each with its completion: others that come later may raise one.
    pub flags: &'a [(Uuid, &'a str)],
    /// The flagged steps of corrective actions that were worked that day.
    pub steps: &'a [Uuid],
    /// The open actions, each with the step it waits for; empty: the closing.
    pub actions: &'a [(Uuid, &'a str)],
    /// What is out of use.
    pub quarantines: &'a [Uuid],
    /// What cannot be looked at of the day as a whole.
    pub notices: &'a [DayNotice],
}

/// The digest of what was shown: SHA-256 over one line for each fact, in an order of their own, so that two who are shown
/// the same have the same. Words stand in it as a hash of their own, so that no text can look like another line.
#[must_use]
pub fn digest(shown: &Shown<'_>) -> [u8; 32] {
    let mut lines: Vec<String> = shown.gaps.iter().map(|gap| format!("gap {gap}")).collect();
    lines.extend(shown.said.iter().map(|said| {
        let text = Value::from(vec![said.given_by, said.person, said.words]).to_string();
        format!("said {} {}", said.gap, HEXLOWER.encode(&Sha256::digest(text)))
    }));
    lines.extend(shown.entries.iter().map(|id| format!("entry {id}")));
    lines.extend(shown.flags.iter().map(|(id, flag)| format!("flag {id} {flag}")));
    lines.extend(shown.steps.iter().map(|id| format!("step {id}")));
    lines.extend(shown.actions.iter().map(|(id, step)| format!("action {id} {step}")));
    lines.extend(shown.quarantines.iter().map(|id| format!("quarantine {id}")));
    lines.extend(shown.notices.iter().map(|notice| format!("notice {}", notice.as_str())));
    lines.sort_unstable();
    let mut hash = Sha256::new();
    hash.update(b"chairtide day review v3\n");
    hash.update(format!("{} {} {}\n", shown.clinic_id, shown.clinic_day, shown.signed_before));
    for line in lines {
        hash.update(line);
        hash.update(b"\n");
    }
    hash.finalize().into()
}

#[cfg(test)]
mod tests;
