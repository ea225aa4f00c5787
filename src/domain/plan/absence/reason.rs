//! The reasons why nothing is due, as data and as sentences.
//!
//! The rule of this file: a sentence is made from its reason's data and says nothing that the data does not hold.

use std::collections::BTreeSet;

use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use crate::domain::anchor::{ClosedDayRule, Counted, Every, FollowsWhen, Season};
use crate::domain::plan::because::{RoutineNames, count};
use crate::domain::routine::Selection;
use crate::domain::site_event::SiteEventKind;
use crate::domain::subject::{Subject, SubjectKind};
use crate::domain::zone::{self, Zone};

/// Why nothing is due.
///
/// Further kinds will come; a reader must expect ones it does not know.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum NoTask {
    /// No version of the routine is in force yet.
    NotYet {
        /// The first day of its first version.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        first_on: Option<NaiveDate>,
    },
    /// The routine is not in use any more.
    NotInUse {
        /// The version that says so.
        version: i32,
    },
    /// A later version is in force on the period's last date, which decides.
    LaterVersion {
        /// That version.
        version: i32,
        /// Its first day.
        effective_on: NaiveDate,
    },
    /// The date lies out of the routine's season.
    OutOfSeason {
        /// The season.
        season: Season,
    },
    /// The routine is about another kind of subject.
    OtherKind {
        /// The routine's kind.
        wanted: SubjectKind,
        /// The subject's kind.
        is: SubjectKind,
    },
    /// The routine does not select the subject.
    NotSelected {
        /// The conditions that leave it out.
        by: Vec<SelectedBy>,
    },
    /// The subject was not there yet.
    NotCommissioned {
        /// The first clinic day it is there for.
        commissioned_on: NaiveDate,
    },
    /// Nobody has ever said when the clinic is open.
    HoursNeverSet {},
    /// The clinic is closed that day.
    ClosedDay {
        /// The reason of the closure; absent: an ordinary closed day.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        closure: Option<String>,
    },
    /// The rule has no date there.
    NoDate {
        /// The rule.
        rule: String,
        /// It was taken out as an exception.
        excepted: bool,
        /// The nearest date before, in the ten years before.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        before_on: Option<NaiveDate>,
        /// The nearest date after, in the ten years after.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        after_on: Option<NaiveDate>,
    },
    /// There is a date, and the closed-day rule moved it.
    Moved {
        /// The day it is due on instead.
        to_on: NaiveDate,
        /// The rule.
        by: ClosedDayRule,
    },
    /// It is wanted once in the period, and planned for another of its days.
    OtherDayOfPeriod {
        /// The period, as `2026-W48`, `2026-11`, `2026-Q4` or `2026`.
        period: String,
        /// The day it is planned for.
        chosen_on: NaiveDate,
        /// Whether the routine is spread; else the day is the period's last open one.
        spread: bool,
    },
    /// The subject was idle, and an idle routine stands in.
    IdleInstead {
        /// That routine.
        routine_id: Uuid,
        /// The last day of use.
        last_used_on: NaiveDate,
        /// Whole days without use since.
        unused_days: u32,
    },
    /// The subject was in use too recently.
    NotUnusedForLong {
        /// The last day of use.
        last_used_on: NaiveDate,
        /// Whether that use is recorded; else it is expected, for days to come.
        recorded: bool,
        /// Whole days without use since.
        unused_days: u32,
        /// How many it takes.
        wanted_days: u32,
        /// Whether it comes again and again while the subject stays idle.
        repeats: bool,
    },
    /// The interval is not over.
    IntervalNotOver {
        /// When it was last done; absent: never.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        last_done_on: Option<NaiveDate>,
        /// The day it is counted from.
        counted_from: NaiveDate,
        /// How long it is.
        every: Every,
        /// The next day it is due on, where one is in sight.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        next_on: Option<NaiveDate>,
    },
    /// The count is not reached.
    CountedOnly {
        /// What is counted.
        of: Counted,
        /// How many there were by the end of that day.
        counted: u32,
        /// Every how many it is due.
        every: u32,
        /// The number at which it is due next.
        due_at_number: u32,
    },
    /// No such event was recorded for that day.
    NoSuchEvent {
        /// Any of these.
        of: BTreeSet<SiteEventKind>,
    },
    /// No completion to follow was performed that day.
    NothingToFollow {
        /// The routine that is followed.
        routine_id: Uuid,
        /// Which of its completions.
        when: FollowsWhen,
    },
    /// It waits for a post of the front desk.
    NotPosted {
        /// Which.
        post: Post,
    },
    /// The posted end of the day came before any session.
    EndedBeforeAnySession {
        /// The posted end.
        ended_at: DateTime<Utc>,
    },
    /// There is a task, and it is not required.
    NotRequired {
        /// The task.
        task_id: Uuid,
        /// Why.
        reason: String,
    },
}

/// A condition of a routine's selection.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SelectedBy {
    /// Only subjects in some clinics.
    ClinicIds,
    /// Only some subjects.
    SubjectIds,
    /// Only operatories with some water sources.
    WaterSources,
}

impl SelectedBy {
    /// The conditions of a selection that leave a subject out.
    #[must_use]
    pub fn that_leave_out(selection: &Selection, subject: &Subject) -> Vec<Self> {
        let alone = [
            (Self::ClinicIds, Selection { clinic_ids: selection.clinic_ids.clone(), ..Selection::default() }),
            (Self::SubjectIds, Selection { subject_ids: selection.subject_ids.clone(), ..Selection::default() }),
            (Self::WaterSources, Selection { water_sources: selection.water_sources.clone(), ..Selection::default() }),
        ];
        alone.into_iter().filter(|(_, condition)| !condition.picks(subject)).map(|(by, _)| by).collect()
    }

    fn words(self) -> &'static str {
        match self {
            Self::ClinicIds => "the clinic it stands in",
            Self::SubjectIds => "its list of subjects",
            Self::WaterSources => "the water source",
        }
    }
}

/// Something the front desk posts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = DeskPostKind)]
pub enum Post {
    /// A patient left the operatory.
    Left,
    /// The day's end.
    DayEnd,
}

impl NoTask {
    /// The other routine that the sentence names, where there is one.
    #[must_use]
    pub fn other_routine(&self) -> Option<Uuid> {
        match self {
            Self::IdleInstead { routine_id, .. } | Self::NothingToFollow { routine_id, .. } => Some(*routine_id),
            _ => None,
        }
    }

    /// One plain sentence, with the names of `routines` where ids stand.
    #[must_use]
    pub fn sentence(&self, zone: &Zone, routines: &RoutineNames) -> String {
        match self {
            Self::NotYet { first_on: Some(first_on) } => format!("The routine's first version begins on {first_on}."),
            Self::NotYet { first_on: None } => "No version of the routine is in force.".to_owned(),
            Self::NotInUse { version } => format!("The routine is not in use since its version {version}."),
            Self::LaterVersion { version, effective_on } => format!(
                "The period's last date decides, and from {effective_on} on version {version} of the routine is in force."
            ),
            Self::OutOfSeason { season } => {
                format!("The routine's season is from {} to {}, month and day.", season.from, season.until)
            }
            Self::OtherKind { wanted, is } => {
                format!("The routine is about the kind {}, and this is the kind {}.", words(*wanted), words(*is))
            }
            Self::NotSelected { by } => {
                let conditions: Vec<_> = by.iter().map(|by| by.words()).collect();
                format!("The routine does not select it, by {}.", conditions.join(" and by "))
            }
            Self::NotCommissioned { commissioned_on } => format!("It is there from {commissioned_on} on."),
            Self::HoursNeverSet {} => "No opening hours of the clinic were ever set.".to_owned(),
            Self::ClosedDay { closure: Some(reason) } => format!("The clinic is closed that day: {reason}."),
            Self::ClosedDay { closure: None } => "The clinic has no opening hours that day.".to_owned(),
            Self::NoDate { rule, excepted, before_on, after_on } => {
                let why = if *excepted { "leaves that date out as an exception" } else { "has no date there" };
                let nearest = match (before_on, after_on) {
                    (Some(before), Some(after)) => format!("the nearest are {before} and {after}"),
                    (Some(before), None) => format!("the last one is {before}"),
                    (None, Some(after)) => format!("the first one is {after}"),
                    (None, None) => "none is near".to_owned(),
                };
                format!("The rule {rule} {why}; {nearest}.")
            }
            Self::Moved { to_on, .. } => format!("That is a closed day, and the date moved to {to_on}."),
            Self::OtherDayOfPeriod { period, chosen_on, spread } => {
                let why = if *spread { "where it evens out the clinic's work" } else { "the last open day" };
                format!("It is wanted once in {period}, and planned for {chosen_on}, {why}.")
            }
            Self::IdleInstead { routine_id, last_used_on, unused_days } => {
                let (instead, days) = (routines.quoted(*routine_id), count(*unused_days, "whole day"));
                format!("It was last used on {last_used_on}; after {days} without use {instead} takes its place.")
            }
            Self::NotUnusedForLong { last_used_on, recorded, unused_days, wanted_days, repeats } => {
                let how = if *recorded { "was last used" } else { "is expected to be last used" };
                let (unused, wanted) = (count(*unused_days, "whole day"), count(*wanted_days, "day"));
                let again = if *repeats { ", and again after as many" } else { "" };
                format!(
                    "It {how} on {last_used_on}, {unused} before; the routine is due after {wanted} without use{again}."
                )
            }
            Self::IntervalNotOver { last_done_on, counted_from, every, next_on } => {
                let since = match last_done_on {
                    Some(on) => format!("It was last done on {on}"),
                    None => format!("It was never done, and counts from {counted_from}"),
                };
                let every = match every {
                    Every::Days(days) => count(*days, "day"),
                    Every::OpeningHours(hours) => count(*hours, "opening hour"),
                };
                let next = next_on.map_or_else(|| "no next day is in sight".to_owned(), |on| format!("next on {on}"));
                format!("{since}, and comes every {every}: {next}.")
            }
            Self::CountedOnly { of, counted, every, due_at_number } => {
                let what = match of {
                    Counted::Turnovers => "turnover",
                    Counted::Cycles => "cycle",
                };
                let so_far = count(*counted, what);
                format!("There were {so_far} by then; it is due after every {every}, next at number {due_at_number}.")
            }
            Self::NoSuchEvent { of } => {
                let kinds: Vec<_> = of.iter().map(|kind| kind.as_str().replace('_', " ")).collect();
                format!("No such event was recorded for that day: {}.", kinds.join(" or "))
            }
            Self::NothingToFollow { routine_id, when } => {
                let which = match when {
                    FollowsWhen::Recorded => "was recorded",
                    FollowsWhen::Passed => "passed",
                    FollowsWhen::Failed => "failed",
                };
                format!("It follows {}, and none that {which} was performed that day.", routines.quoted(*routine_id))
            }
            Self::NotPosted { post: Post::Left } => "No patient was posted as gone that day.".to_owned(),
            Self::NotPosted { post: Post::DayEnd } => "The desk has not posted the end of that day.".to_owned(),
            Self::EndedBeforeAnySession { ended_at } => {
                let when = zone::local(zone, *ended_at).format("%H:%M on %Y-%m-%d");
                format!("The desk posted the end of the day at {when}, before any session opened.")
            }
            Self::NotRequired { reason, .. } => format!("There is a task, and it is not required: {reason}."),
        }
    }
}

fn words(kind: SubjectKind) -> String {
    kind.as_str().replace('_', " ")
}
