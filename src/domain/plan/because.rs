//! Why a task is due when it is due.
//!
//! The rule of this file: the fact that set a task's moment is kept with the task as data, so that the answer to "why
//! is this due now?" is what the planner did and not a second opinion. The sentence is made from the data.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::domain::anchor::{ClosedDayRule, Counted, FollowsWhen};
use crate::domain::site_event::SiteEventKind;
use crate::domain::zone::{self, Zone};

/// Why a task hangs on its instant.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = DueExplanation)]
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
#[schema(as = DueFact)]
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
    /// A step of a corrective action asks for a test.
    WantedTest {
        /// The action.
        action_id: Uuid,
        /// What its step asks for; it comes before the routine's own words. Empty: asked for before that was kept.
        #[serde(default, skip_serializing_if = "String::is_empty")]
        instruction: String,
    },
    /// A step of a corrective action asks for work of this routine.
    WantedWork {
        /// The action.
        action_id: Uuid,
    },
    /// A load with implantable devices waits for a spore test of its own.
    ImplantLoad {
        /// The cycle it came from.
        cycle_id: Uuid,
        /// What it is called on its packs.
        load_reference: String,
    },
    /// The same work was missed between two patients, and a make-safe task asks for what is to be done now.
    MissedWork {
        /// The action that asks for it.
        action_id: Uuid,
        /// The missed task.
        task_id: Uuid,
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
    /// The other routine that the sentence names, where there is one.
    #[must_use]
    pub fn other_routine(&self) -> Option<Uuid> {
        match self.fact {
            Fact::Unused { instead_of, .. } => instead_of,
            Fact::Completion { routine_id, .. } => Some(routine_id),
            _ => None,
        }
    }

    /// One plain sentence, with the moment in the clinic's own time and the names of `routines` where ids stand.
    #[must_use]
    pub fn sentence(&self, anchor_at: DateTime<Utc>, zone: &Zone, routines: &RoutineNames) -> String {
        let when = format!("at {}", zone::local(zone, anchor_at).format("%H:%M on %A %Y-%m-%d"));
        let landed = self.moved.map_or_else(String::new, |moved| {
            let to = match moved.by {
                ClosedDayRule::PreviousOpenDay => "the last open day before it",
                ClosedDayRule::NextOpenDay => "the next open day",
                ClosedDayRule::NotRequired => "no other day",
            };
            format!("; {} is a closed day, so it moved to {to}", moved.from_on)
        });
        match &self.fact {
            Fact::PlannedOpening {} => format!("By its hours the clinic opens {when}."),
            Fact::PostedDayStart {} => format!("The front desk posted the start of the day {when}."),
            Fact::PlannedClosing {} => format!("By its hours the clinic closes {when}."),
            Fact::PostedDayEnd {} => format!("The front desk posted the end of the day {when}."),
            Fact::FirstSeating { .. } => format!("The first patient of the day was seated {when}."),
            Fact::SessionEnd { posted: false } => format!("By the clinic's hours a session ends {when}."),
            Fact::SessionEnd { posted: true } => format!("The front desk posted the end of the session {when}."),
            Fact::PatientLeft { .. } => format!("A patient left the operatory {when}."),
            Fact::RuleDate { rule } => format!("A date of the rule {rule}{landed}: {when}."),
            Fact::PeriodDue { period, chosen_on, spread } => {
                let why = if *spread { "where it evens out the clinic's work" } else { "the last open day" };
                format!("Wanted once in {period} and planned for {chosen_on}, {why}: {when}.")
            }
            Fact::LastDone { done_on, days, .. } => {
                format!("Last done on {done_on}, and due {} after that{landed}: {when}.", count(*days, "day"))
            }
            Fact::NeverDone { since_on, days: 0 } => {
                format!("Never recorded as done, and wanted from {since_on} on{landed}: {when}.")
            }
            Fact::NeverDone { since_on, days } => {
                let after = count(*days, "day");
                format!("Never recorded as done; counted from {since_on}, due {after} after that{landed}: {when}.")
            }
            Fact::OpeningHours { completion_id: None, hours: 0, .. } => {
                format!("Never recorded as done, and due at the first opening it is there for: {when}.")
            }
            Fact::OpeningHours { completion_id, hours, .. } => {
                let since = if completion_id.is_some() { "it was last done" } else { "it could first be done" };
                format!("The clinic will have been open for {} since {since}: {when}.", count(*hours, "hour"))
            }
            Fact::Unused { last_used_on, recorded, unused_days, instead_of } => {
                let how = if *recorded { "by the record" } else { "if all goes as expected" };
                let instead = instead_of
                    .map_or_else(String::new, |id| format!(", and this takes the place of {}", routines.quoted(id)));
                let days = count(*unused_days, "whole day");
                format!("Last used on {last_used_on} {how}: {days} without use{instead}, {when}.")
            }
            Fact::Marks { of, number, every } => {
                let what = match of {
                    Counted::Turnovers => "Turnover",
                    Counted::Cycles => "Cycle",
                };
                format!("{what} number {number} was {when}, and it is due after every {every}.")
            }
            Fact::SiteEvent { event, .. } => format!("{} {when}.", happened(*event)),
            Fact::VoidTest { .. } => format!("A test was found void {when}, and is due again at once."),
            Fact::WantedTest { instruction, .. } => {
                let how = if instruction.is_empty() { String::new() } else { format!(": {instruction}") };
                format!("A corrective action asks for this test from {}{}", &when["at ".len()..], ended(how))
            }
            Fact::WantedWork { .. } => format!("A corrective action asks for this work from {}.", &when["at ".len()..]),
            Fact::ImplantLoad { load_reference, .. } => format!(
                "Load {load_reference} holds implantable devices, and waits for the spore test of its own cycle: recorded {when}."
            ),
            Fact::MissedWork { .. } => {
                format!(
                    "Work between two patients was missed, noted {when}; this is done now and does not make up for it."
                )
            }
            Fact::Completion { routine_id, when: which, .. } => {
                let what = match which {
                    FollowsWhen::Recorded => "was recorded",
                    FollowsWhen::Passed => "passed",
                    FollowsWhen::Failed => "failed",
                };
                format!("It follows {}, which {what} {when}.", routines.quoted(*routine_id))
            }
        }
    }
}

/// Why a task is due whose reason was not kept.
#[must_use]
pub fn sentence_without_reason() -> String {
    "It was planned before reasons were kept.".to_owned()
}

/// What people call the routines that sentences name.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RoutineNames(pub BTreeMap<Uuid, String>);

impl RoutineNames {
    /// The name in quotation marks; a routine that is not known is still another one.
    #[must_use]
    pub fn quoted(&self, routine_id: Uuid) -> String {
        self.0.get(&routine_id).map_or_else(|| "another routine".to_owned(), |name| format!("\u{201c}{name}\u{201d}"))
    }
}

/// A text with its full stop.
fn ended(text: String) -> String {
    if text.ends_with('.') { text } else { text + "." }
}

/// A number with its noun.
pub(super) fn count(number: u32, noun: &str) -> String {
    let plural = if number == 1 { "" } else { "s" };
    format!("{number} {noun}{plural}")
}

fn happened(kind: SiteEventKind) -> &'static str {
    match kind {
        SiteEventKind::WaterAdvisoryStarted => "A notice not to use mains water began to apply",
        SiteEventKind::WaterAdvisoryLifted => "A notice not to use mains water was lifted",
        SiteEventKind::Repair => "A repair was finished",
        SiteEventKind::PlumbingChange => "Plumbing was changed",
        SiteEventKind::Commissioning => "It was put into use for the first time",
        SiteEventKind::ReturnToService => "It came back into service",
        SiteEventKind::ProductRecall => "A product was recalled",
    }
}

#[cfg(test)]
mod tests;
