//! How lateness climbs: which level and which audience a task has reached.
//!
//! The rule of this file: the level is a pure function of task, ladder, hours and now. To make it cheap to ask for a
//! whole group, the planner turns a ladder into instants once ([`Ladder::reached_at`]), and the level at an instant
//! is the number of those that have passed: it can only rise.

use chrono::{DateTime, Days, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::daybook::DayBook;
use super::fault::Fault;
use super::zone;

/// How many days after the date a task is overdue on opening time is looked for before we say that a rung is never
/// reached.
const LONGEST_WAIT_DAYS: u64 = 120;

/// Whom a level is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Audience {
    /// The people at the chair.
    Chairside,
    /// The clinic's lead.
    ClinicLead,
    /// The group's manager.
    GroupManager,
}

impl Audience {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Chairside => "chairside",
            Self::ClinicLead => "clinic_lead",
            Self::GroupManager => "group_manager",
        }
    }

    /// The audience of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Chairside, Self::ClinicLead, Self::GroupManager].into_iter().find(|a| a.as_str() == name)
    }
}

/// What climbs a ladder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OverdueKind {
    /// Work on a subject.
    Task,
    /// What an open corrective action waits for: a step, or its closing.
    CorrectiveAction,
    /// A clinic day that no lead has signed.
    UnsignedDay,
}

impl OverdueKind {
    /// The stable name.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Task => "task",
            Self::CorrectiveAction => "corrective_action",
            Self::UnsignedDay => "unsigned_day",
        }
    }

    /// The kind of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Task, Self::CorrectiveAction, Self::UnsignedDay].into_iter().find(|kind| kind.as_str() == name)
    }
}

/// How lateness is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CountedIn {
    /// Elapsed time, night and day.
    ElapsedTime,
    /// Only while the clinic is open.
    OpeningTime,
}

/// One rung: how late a task must be, and whom that tells.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Rung {
    /// Minutes after the task became overdue.
    #[schema(minimum = 0, maximum = 100_000, example = 60)]
    pub after_minutes: u32,
    /// How those minutes are counted.
    pub counted_in: CountedIn,
    /// Whom the level is for.
    pub audience: Audience,
}

/// Rungs from the first to the last; the n-th one reached is level n.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Ladder {
    /// The rungs, at most nine.
    pub rungs: Vec<Rung>,
}

impl Default for Ladder {
    /// The practice default: at once the chair, after an opening hour the clinic's lead, after a working day of eight
    /// opening hours the group's manager (common practice, no source).
    fn default() -> Self {
        let rung = |after_minutes, audience| Rung { after_minutes, counted_in: CountedIn::OpeningTime, audience };
        Self {
            rungs: vec![
                Rung { after_minutes: 0, counted_in: CountedIn::ElapsedTime, audience: Audience::Chairside },
                rung(60, Audience::ClinicLead),
                rung(480, Audience::GroupManager),
            ],
        }
    }
}

impl Ladder {
    /// Every broken rule, with pointers relative to the ladder.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        if self.rungs.len() > 9 {
            faults.push(Fault::new("/rungs", "must have at most nine rungs"));
        }
        for (i, rung) in self.rungs.iter().enumerate() {
            if rung.after_minutes > 100_000 {
                faults.push(Fault::new(format!("/rungs/{i}/after_minutes"), "must be from 0 to 100000"));
            }
        }
        faults
    }

    /// When a task that is overdue from `overdue_at` reaches each rung, ascending. A rung that a long closure puts
    /// out of sight is left out, and with it all above.
    #[must_use]
    pub fn reached_at(&self, days: &DayBook<'_>, overdue_at: DateTime<Utc>) -> Vec<(DateTime<Utc>, Audience)> {
        let last = zone::local(&days.hours().zone, overdue_at).date() + Days::new(LONGEST_WAIT_DAYS);
        let mut reached: Vec<(DateTime<Utc>, Audience)> = Vec::with_capacity(self.rungs.len());
        for rung in &self.rungs {
            let at = match rung.counted_in {
                CountedIn::ElapsedTime => Some(overdue_at + TimeDelta::minutes(rung.after_minutes.into())),
                CountedIn::OpeningTime => days.after_opening_time(overdue_at, rung.after_minutes, last),
            };
            let Some(at) = at else { break };
            // A rung cannot be reached before the one below it.
            let at = reached.last().map_or(at, |(below, _)| at.max(*below));
            reached.push((at, rung.audience));
        }
        reached
    }
}

#[cfg(test)]
mod tests;
