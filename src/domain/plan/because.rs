//! Why a task is due when it is due.
//!
//! The rule of this file: the fact that set a task's moment is kept with the task as data, so that the answer to "why
//! is this due now?" is what the planner did and not a second opinion. The sentence is made from the data.

use std::fmt;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::domain::anchor::{ClosedDayRule, Counted, FollowsWhen};
use crate::domain::site_event::SiteEventKind;
use crate::domain::zone::{self, Zone};

/// Why a task hangs on its instant.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Because {
    /// The fact that set the instant.
    pub fact: Fact,
    /// The date the fact gave, when the closed-day rule moved it to another day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub moved: Option<Move>,
    /// The clinic's offset from UTC at that instant, in seconds.
    pub utc_offset_seconds: i32,
}

/// A date that fell on a closed day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Move {
    /// The date before.
    pub from_on: NaiveDate,
    /// The rule that moved it.
    pub by: ClosedDayRule,
}

/// The fact behind a task.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Fact {
    /// The opening hours.
    PlannedOpening {},
    /// The desk started the day.
    PostedDayStart {},
    /// The opening hours.
    PlannedClosing {},
    /// The desk ended the day.
    PostedDayEnd {},
    /// The day's first patient was seated.
    FirstSeating {
        /// The desk's mark.
        mark_id: Uuid,
    },
    /// A session's closing, by the hours or as posted.
    SessionEnd {
        /// Whether the desk posted it.
        posted: bool,
    },
    /// A patient left.
    PatientLeft {
        /// The desk's mark.
        mark_id: Uuid,
    },
    /// A date of the routine's rule.
    RuleDate {
        /// The rule.
        rule: String,
    },
    /// The period has to have one.
    PeriodDue {
        /// The period, as `2026-W48`, `2026-11`, `2026-Q4` or `2026`.
        period: String,
        /// The day the work is planned for.
        chosen_on: NaiveDate,
        /// Whether levelling chose it; else it is the last open day.
        spread: bool,
    },
    /// The last time the routine was done.
    LastDone {
        /// The completion.
        completion_id: Uuid,
        /// The clinic day it counts from.
        done_on: NaiveDate,
        /// How many days after it.
        days: u32,
    },
    /// The routine was never done on the subject.
    NeverDone {
        /// The clinic day it counts from: commissioning, or the routine's first day.
        since_on: NaiveDate,
        /// How many days after it; 0: at once.
        days: u32,
    },
    /// Opening time since the last time the routine was done, or since it could first be done.
    OpeningHours {
        /// The completion; absent: never done.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        completion_id: Option<Uuid>,
        /// The instant it counts from.
        since_at: DateTime<Utc>,
        /// How many opening hours after it.
        hours: u32,
    },
    /// The subject was not used for a while.
    Unused {
        /// The last day of use.
        last_used_on: NaiveDate,
        /// Whether that use is recorded; else it is expected, for days to come.
        recorded: bool,
        /// Whole days without use since.
        unused_days: u32,
        /// The routine it stands in for.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        instead_of: Option<Uuid>,
    },
    /// So many turnovers or cycles.
    Marks {
        /// What was counted.
        of: Counted,
        /// The number of this one.
        number: u32,
        /// Every how many.
        every: u32,
    },
    /// Something that happened.
    SiteEvent {
        /// The event.
        event_id: Uuid,
        /// What happened.
        event: SiteEventKind,
    },
    /// A test was found void.
    VoidTest {
        /// The completion that says so.
        completion_id: Uuid,
    },
    /// A completion of another routine.
    Completion {
        /// The completion.
        completion_id: Uuid,
        /// The other routine.
        routine_id: Uuid,
        /// Which completions are followed.
        when: FollowsWhen,
    },
}

impl Because {
    /// One plain sentence, with the moment in the clinic's own time.
    #[must_use]
    pub fn sentence(&self, anchor_at: DateTime<Utc>, zone: &Zone) -> String {
        let local = zone::local(zone, anchor_at);
        let (day, time) = (local.format("%Y-%m-%d"), local.format("%H:%M"));
        let moved = self.moved.map_or_else(String::new, |moved| {
            let to = match moved.by {
                ClosedDayRule::PreviousOpenDay => "the open day before",
                ClosedDayRule::NextOpenDay => "the next open day",
                ClosedDayRule::NotRequired => "nowhere",
            };
            format!(" ({} is a closed day: moved to {to})", moved.from_on)
        });
        format!("It hangs on {time} on {day}, clinic time: {}{moved}.", self.fact)
    }
}

impl fmt::Display for Fact {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::PlannedOpening {} => f.write_str("the opening by the clinic's hours"),
            Self::PostedDayStart {} => f.write_str("the day start that the front desk posted"),
            Self::PlannedClosing {} => f.write_str("the closing by the clinic's hours"),
            Self::PostedDayEnd {} => f.write_str("the day end that the front desk posted"),
            Self::FirstSeating { .. } => f.write_str("the first patient of the day was seated"),
            Self::SessionEnd { posted: false } => f.write_str("the end of a session by the clinic's hours"),
            Self::SessionEnd { posted: true } => f.write_str("the end of the session, as the front desk posted it"),
            Self::PatientLeft { .. } => f.write_str("a patient left the operatory"),
            Self::RuleDate { rule } => write!(f, "a date of the rule {rule}"),
            Self::PeriodDue { period, chosen_on, spread: true } => {
                write!(f, "once in {period}, planned for {chosen_on} so that the load is spread")
            }
            Self::PeriodDue { period, chosen_on, spread: false } => {
                write!(f, "once in {period}, by its last open day, {chosen_on}")
            }
            Self::LastDone { done_on, days, .. } => write!(f, "{days} days after it was last done, on {done_on}"),
            Self::NeverDone { since_on, days: 0 } => write!(f, "never recorded as done, and wanted since {since_on}"),
            Self::NeverDone { since_on, days } => {
                write!(f, "never recorded as done, and wanted every so often since {since_on}: {days} days after it")
            }
            Self::OpeningHours { completion_id, hours, .. } => {
                let since = if completion_id.is_some() { "it was last done" } else { "it could first be done" };
                write!(f, "{hours} opening hours after {since}")
            }
            Self::Unused { last_used_on, recorded, unused_days, .. } => {
                let how = if *recorded { "last recorded use" } else { "last expected use" };
                write!(f, "{unused_days} whole days without use; {how} on {last_used_on}")
            }
            Self::Marks { of, number, every } => {
                let what = match of {
                    Counted::Turnovers => "turnover",
                    Counted::Cycles => "cycle",
                };
                write!(f, "{what} number {number}; due after every {every}")
            }
            Self::SiteEvent { event, .. } => write!(f, "recorded: {}", event.as_str().replace('_', " ")),
            Self::VoidTest { .. } => f.write_str("a test was found void, and is due again at once"),
            Self::Completion { when, .. } => {
                let what = match when {
                    FollowsWhen::Recorded => "was recorded",
                    FollowsWhen::Passed => "passed",
                    FollowsWhen::Failed => "failed",
                };
                write!(f, "the work it follows {what}")
            }
        }
    }
}
