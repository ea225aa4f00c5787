//! One due occurrence of a routine on a subject: its identity, its window, and its state at an instant.
//!
//! The rule of this file: state is derived, never stored. A row keeps its window and its outcome; what it *is* at an
//! instant is [`state_at`], which the database's `task_state` repeats and a test holds equal.

use std::fmt;

use chrono::{DateTime, Days, NaiveDate, NaiveDateTime, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

use super::ladder::Audience;
use super::period::Period;

/// Identity of a task: derived from routine, subject, clinic day and slot, so that planning twice changes nothing and
/// two planners cannot disagree. Its first four bytes are the clinic day, which leads from an id to its partition.
///
/// The form is a UUID of version 8 (RFC 9562, section 5.8: layout left to the application).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, ToSchema)]
#[serde(transparent)]
#[schema(value_type = Uuid)]
pub struct TaskId(Uuid);

impl TaskId {
    /// The id of the occurrence `slot` of a routine on a subject on a clinic day.
    ///
    /// # Examples
    /// ```
    /// use chairtide::domain::task::{Slot, TaskId};
    /// use chrono::NaiveDate;
    /// use uuid::Uuid;
    /// let day = NaiveDate::from_ymd_opt(2026, 11, 30).expect("a date");
    /// let id = TaskId::derive(Uuid::nil(), Uuid::max(), day, &Slot::Opening);
    /// assert_eq!(id, TaskId::derive(Uuid::nil(), Uuid::max(), day, &Slot::Opening));
    /// assert_eq!(id.clinic_day(), day);
    /// ```
    #[must_use]
    pub fn derive(routine_id: Uuid, subject_id: Uuid, clinic_day: NaiveDate, slot: &Slot) -> Self {
        let day = day_number(clinic_day).to_be_bytes();
        let mut hash = Sha256::new();
        hash.update(b"chairtide task v1");
        hash.update(routine_id.as_bytes());
        hash.update(subject_id.as_bytes());
        hash.update(day);
        hash.update(slot.to_string().as_bytes());
        let digest = hash.finalize();
        let mut bytes = [0; 16];
        bytes[..4].copy_from_slice(&day);
        bytes[4..].copy_from_slice(&digest[..12]);
        Self(uuid::Builder::from_custom_bytes(bytes).into_uuid())
    }

    /// Reads an id that came from outside; `None` when it cannot be one of ours.
    #[must_use]
    pub fn from_uuid(id: Uuid) -> Option<Self> {
        let days = u32::from_be_bytes(id.as_bytes()[..4].try_into().ok()?);
        (id.get_version_num() == 8 && epoch_day(days).is_some()).then_some(Self(id))
    }

    /// The clinic day it carries.
    ///
    /// # Panics
    /// Never: both ways to make an id see to it that the day is a date.
    #[must_use]
    pub fn clinic_day(self) -> NaiveDate {
        let days = u32::from_be_bytes(self.0.as_bytes()[..4].try_into().expect("four bytes of sixteen"));
        epoch_day(days).expect("checked when the id was made")
    }

    /// The plain UUID.
    #[must_use]
    pub fn as_uuid(self) -> Uuid {
        self.0
    }
}

impl fmt::Display for TaskId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// The years a clinic day may lie in: beyond them a date is a typing mistake.
const FIRST_DAY: NaiveDate = NaiveDate::from_ymd_opt(1970, 1, 1).expect("a date");

fn day_number(day: NaiveDate) -> u32 {
    u32::try_from((day - FIRST_DAY).num_days()).unwrap_or(0)
}

/// Days since 1970-01-01, up to the year 2200.
fn epoch_day(days: u32) -> Option<NaiveDate> {
    (days < 84_006).then(|| FIRST_DAY.checked_add_days(Days::new(days.into()))).flatten()
}

/// Which occurrence of a routine on a subject on a clinic day.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Slot {
    /// The one at opening.
    Opening,
    /// The one before the first patient.
    FirstPatient,
    /// The one at the end of the session that opens at this minute of the clinic day.
    SessionEnd(u16),
    /// The one at the posted end of a day without sessions.
    PostedSessionEnd,
    /// The one at closing.
    Closing,
    /// The one after the patient left whose mark this is.
    Turnover(Uuid),
    /// The one of a rule's date, which need not be the clinic day it was moved to.
    Rule(NaiveDate),
    /// The one of a period.
    Period(Period),
    /// The one of a date so many days after the last.
    Interval(NaiveDate),
    /// The one of the local minute so many opening hours after the last.
    Hours(NaiveDateTime),
    /// The one before a subject that was idle is used again.
    Idle,
    /// The one of a date on which a subject has been idle for long enough.
    IdleDate(NaiveDate),
    /// The one after the mark of this number.
    Count(u32),
    /// The one of a site event.
    Event(Uuid),
    /// The one that follows a completion of another routine.
    Follows(Uuid),
    /// The one that replaces a test found void by this completion.
    Repeat(Uuid),
}

/// How a local minute is written in a slot.
const LOCAL_MINUTE: &str = "%Y-%m-%dT%H:%M";

impl Slot {
    /// The slot of its text form.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let Some((kind, which)) = text.split_once(':') else {
            return match text {
                "opening" => Some(Self::Opening),
                "first_patient" => Some(Self::FirstPatient),
                "closing" => Some(Self::Closing),
                "idle" => Some(Self::Idle),
                _ => None,
            };
        };
        match kind {
            "session" if which == "posted" => Some(Self::PostedSessionEnd),
            "session" => {
                let (hour, minute) = which.split_once(':')?;
                Some(Self::SessionEnd(hour.parse::<u16>().ok()?.checked_mul(60)? + minute.parse::<u16>().ok()?))
            }
            "turnover" => which.parse().ok().map(Self::Turnover),
            "rule" => which.parse().ok().map(Self::Rule),
            "period" => Period::parse(which).map(Self::Period),
            "interval" => which.parse().ok().map(Self::Interval),
            "hours" => NaiveDateTime::parse_from_str(which, LOCAL_MINUTE).ok().map(Self::Hours),
            "idle" => which.parse().ok().map(Self::IdleDate),
            "count" => which.parse().ok().map(Self::Count),
            "event" => which.parse().ok().map(Self::Event),
            "follows" => which.parse().ok().map(Self::Follows),
            "repeat" => which.parse().ok().map(Self::Repeat),
            _ => None,
        }
    }
}

impl fmt::Display for Slot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Opening => f.write_str("opening"),
            Self::FirstPatient => f.write_str("first_patient"),
            Self::SessionEnd(minute) => write!(f, "session:{:02}:{:02}", minute / 60, minute % 60),
            Self::PostedSessionEnd => f.write_str("session:posted"),
            Self::Closing => f.write_str("closing"),
            Self::Turnover(id) => write!(f, "turnover:{id}"),
            Self::Rule(date) => write!(f, "rule:{date}"),
            Self::Period(period) => write!(f, "period:{period}"),
            Self::Interval(date) => write!(f, "interval:{date}"),
            Self::Hours(minute) => write!(f, "hours:{}", minute.format(LOCAL_MINUTE)),
            Self::Idle => f.write_str("idle"),
            Self::IdleDate(date) => write!(f, "idle:{date}"),
            Self::Count(number) => write!(f, "count:{number}"),
            Self::Event(id) => write!(f, "event:{id}"),
            Self::Follows(id) => write!(f, "follows:{id}"),
            Self::Repeat(id) => write!(f, "repeat:{id}"),
        }
    }
}

/// The instants of a task.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Times {
    /// The moment it hangs on.
    pub anchor_at: DateTime<Utc>,
    /// The work may start.
    pub due_from: DateTime<Utc>,
    /// The work is due by then.
    pub due_by: DateTime<Utc>,
    /// Grace is over.
    pub overdue_at: DateTime<Utc>,
    /// Without evidence by then it is missed.
    pub missed_at: DateTime<Utc>,
    /// From when it stands in the way of using the subject; `None`: never.
    pub blocks_at: Option<DateTime<Utc>>,
    /// When the ladder's rungs are reached, ascending, and whom each tells.
    pub rungs: Vec<(DateTime<Utc>, Audience)>,
}

impl Times {
    /// The times of the task that repeats a void test, due again at once: it has the grace and the span of the first.
    #[must_use]
    pub fn repeated_at(&self, now: DateTime<Utc>) -> Self {
        let shift = |at: DateTime<Utc>| now + (at - self.due_by).max(TimeDelta::zero());
        let overdue_at = shift(self.overdue_at);
        Self {
            anchor_at: now,
            due_from: now,
            due_by: now,
            overdue_at,
            missed_at: shift(self.missed_at).max(overdue_at + TimeDelta::minutes(1)),
            blocks_at: self.blocks_at.map(|_| now),
            rungs: self.rungs.iter().map(|(at, audience)| (overdue_at + (*at - self.overdue_at), *audience)).collect(),
        }
    }
}

/// How a task ended, when it did not just run out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// Recorded.
    Done,
    /// Not required, with a reason: closed, out of service, no use.
    NotRequired,
    /// The test was invalid and must be repeated.
    Void,
    /// Sampled; the result is awaited.
    ResultPending,
}

impl Outcome {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::NotRequired => "not_required",
            Self::Void => "void",
            Self::ResultPending => "result_pending",
        }
    }

    /// Whether the task is over by it: only a result that is awaited is still to come.
    #[must_use]
    pub fn ends_its_task(self) -> bool {
        self != Self::ResultPending
    }

    /// The outcome of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Done, Self::NotRequired, Self::Void, Self::ResultPending].into_iter().find(|o| o.as_str() == name)
    }
}

/// What a task is at an instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum State {
    /// Its window has not opened.
    Upcoming,
    /// It may be done.
    Due,
    /// It should have been done; grace runs.
    Grace,
    /// Grace is over.
    Overdue,
    /// The window passed with no evidence.
    Missed,
    /// Recorded.
    Done,
    /// Not required, with a reason.
    NotRequired,
    /// The test was invalid.
    Void,
    /// Sampled; the result is awaited.
    ResultPending,
}

impl State {
    /// Every state.
    pub const ALL: [Self; 9] = [
        Self::Upcoming,
        Self::Due,
        Self::Grace,
        Self::Overdue,
        Self::Missed,
        Self::Done,
        Self::NotRequired,
        Self::Void,
        Self::ResultPending,
    ];

    /// The stable name, as derived in SQL and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Upcoming => "upcoming",
            Self::Due => "due",
            Self::Grace => "grace",
            Self::Overdue => "overdue",
            Self::Missed => "missed",
            Self::Done => "done",
            Self::NotRequired => "not_required",
            Self::Void => "void",
            Self::ResultPending => "result_pending",
        }
    }

    /// Whether work is still possible and wanted.
    #[must_use]
    pub fn is_open(self) -> bool {
        matches!(self, Self::Upcoming | Self::Due | Self::Grace | Self::Overdue)
    }
}

/// An outcome and the instant it was recorded at.
pub type Recorded = Option<(Outcome, DateTime<Utc>)>;

/// The state at `at`. An outcome recorded later than `at` is not known yet, so that a past instant can be asked about.
#[must_use]
pub fn state_at(times: &Times, recorded: Recorded, at: DateTime<Utc>) -> State {
    match recorded {
        Some((outcome, recorded_at)) if recorded_at <= at => match outcome {
            Outcome::Done => State::Done,
            Outcome::NotRequired => State::NotRequired,
            Outcome::Void => State::Void,
            Outcome::ResultPending => State::ResultPending,
        },
        _ if at < times.due_from => State::Upcoming,
        _ if at < times.due_by => State::Due,
        _ if at < times.overdue_at => State::Grace,
        _ if at < times.missed_at => State::Overdue,
        _ => State::Missed,
    }
}

/// The ladder's level at `at`, and whom it is for; level 0 tells nobody.
#[must_use]
pub fn level_at(times: &Times, recorded: Recorded, at: DateTime<Utc>) -> (usize, Option<Audience>) {
    if recorded.is_some_and(|(_, recorded_at)| recorded_at <= at) {
        return (0, None);
    }
    let level = times.rungs.iter().take_while(|(reached_at, _)| *reached_at <= at).count();
    (level, level.checked_sub(1).map(|i| times.rungs[i].1))
}

#[cfg(test)]
mod tests;
