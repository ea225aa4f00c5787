//! A pack of evidence: what an inspector opens without the service.
//!
//! The rule of this module: it tells what was recorded and where a record is missing, and never that anything is well. The
//! page loads nothing from anywhere and runs nothing; what it shows in part says how much there is.

mod charts;
pub mod differences;
pub mod manifest;
mod measured;
pub mod page;
mod sections;
mod tables;

use chrono::{DateTime, NaiveDate, Utc};
use serde::Deserialize;
use uuid::Uuid;

pub use self::measured::{Bound, Measured, Series};
pub use self::tables::{Cell, Table, TableKind};
use super::seal::ChainHead;
use super::zone::{self, Zone};

/// Most rows of one table of the page; the files hold all of them.
pub const MOST_SHOWN: usize = 400;

/// Whom and what a pack is of.
#[derive(Clone, Debug)]
pub struct Cover {
    /// The clinic.
    pub clinic_id: Uuid,
    /// Its name.
    pub clinic: String,
    /// Its time zone.
    pub zone: Zone,
    /// First clinic day.
    pub from_on: NaiveDate,
    /// Last clinic day.
    pub to_on: NaiveDate,
    /// What it is narrowed to, in words; none: everything of the clinic.
    pub narrowed_to: Option<String>,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// The key it was made with.
    pub key_id: Uuid,
}

impl Cover {
    /// An instant as the clinic's clocks showed it, with how far they were ahead of UTC.
    #[must_use]
    pub fn minute(&self, at: DateTime<Utc>) -> String {
        let (local, offset) = (zone::local(&self.zone, at), zone::offset_at(&self.zone, at));
        format!("{} {offset}", local.format("%Y-%m-%d %H:%M"))
    }
}

/// Tasks of a week by what became of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WeekCounts {
    /// Its first day, a Monday.
    pub first_on: NaiveDate,
    /// Done in time.
    pub done: i64,
    /// Done late.
    pub late: i64,
    /// Missed.
    pub missed: i64,
    /// Not required.
    pub not_required: i64,
    /// Invalid tests and results that are awaited.
    pub unsettled: i64,
    /// Not due yet, or open.
    pub open: i64,
}

/// A step of a corrective action that was recorded.
#[derive(Clone, Debug, Deserialize)]
pub struct FollowUpStep {
    /// Which.
    pub step_key: String,
    /// When it was done.
    pub performed_at: DateTime<Utc>,
    /// By whom.
    pub performed_by: String,
    /// What was found; may be empty.
    pub note: String,
    /// Where the step asks for one.
    pub result: Option<String>,
    /// What a lead should look at, by stable names; they change no step.
    pub flags: Vec<String>,
}

/// A corrective action.
#[derive(Clone, Debug, Deserialize)]
pub struct FollowUp {
    /// Which chain.
    pub kind: String,
    /// When it was opened.
    pub opened_at: DateTime<Utc>,
    /// When a second person closed it.
    pub closed_at: Option<DateTime<Utc>>,
    /// Who.
    pub closed_by: Option<String>,
    /// Why.
    pub close_reason: Option<String>,
    /// What was recorded.
    pub steps: Vec<FollowUpStep>,
}

/// Something put out of use.
#[derive(Clone, Debug, Deserialize)]
pub struct OutOfUse {
    /// Why.
    pub reason: String,
    /// Since when.
    pub begun_at: DateTime<Utc>,
    /// When a named person released it.
    pub released_at: Option<DateTime<Utc>>,
    /// Who.
    pub released_by: Option<String>,
    /// On what grounds.
    pub release_reason: Option<String>,
}

/// A completion that did not pass, with what followed.
#[derive(Clone, Debug)]
pub struct Failure {
    /// Which.
    pub completion_id: Uuid,
    /// Clinic day.
    pub clinic_day: NaiveDate,
    /// The routine's name.
    pub routine: String,
    /// The subject's name.
    pub subject: String,
    /// `failed` or `void`.
    pub verdict: String,
    /// Why, in words.
    pub findings: String,
    /// When it was done.
    pub performed_at: DateTime<Utc>,
    /// By whom.
    pub performed_by: String,
    /// Whether a later entry replaces it.
    pub corrected: bool,
    /// Actions that it opened.
    pub actions: Vec<FollowUp>,
    /// What it put out of use.
    pub out_of_use: Vec<OutOfUse>,
}

/// A missed task.
#[derive(Clone, Debug)]
pub struct Gap {
    /// Clinic day.
    pub clinic_day: NaiveDate,
    /// The routine's name.
    pub routine: String,
    /// The subject's name.
    pub subject: String,
    /// When its window was over.
    pub missed_at: DateTime<Utc>,
    /// Why, in a person's words; none: nobody said.
    pub reason: Option<String>,
    /// Who said so.
    pub told_by: Option<String>,
}

/// An entry that replaces another, or that a lead should look at.
#[derive(Clone, Debug)]
pub struct Remark {
    /// The completion.
    pub completion_id: Uuid,
    /// Clinic day.
    pub clinic_day: NaiveDate,
    /// The routine's name.
    pub routine: String,
    /// The subject's name.
    pub subject: String,
    /// When it was done, as entered.
    pub performed_at: DateTime<Utc>,
    /// When it was entered.
    pub recorded_at: DateTime<Utc>,
    /// By whom.
    pub performed_by: String,
    /// The reason of a correction, or the names of the flags.
    pub words: String,
    /// What it replaces.
    pub corrects: Option<Uuid>,
}

/// A corrective action that stands open.
#[derive(Clone, Debug)]
pub struct OpenAction {
    /// Which chain.
    pub kind: String,
    /// What failed.
    pub subject: String,
    /// In words.
    pub reason: String,
    /// When it was opened.
    pub opened_at: DateTime<Utc>,
    /// Whose turn it is.
    pub owner: String,
    /// When that is due.
    pub due_by: Option<DateTime<Utc>>,
}

/// What is sealed of the period.
#[derive(Clone, Debug, Default)]
pub struct Sealed {
    /// Clinic days of the period that are sealed.
    pub days: usize,
    /// What is recorded from here on is not sealed; none: nothing is.
    pub until: Option<DateTime<Utc>>,
    /// The head of the chain.
    pub head: Option<ChainHead>,
}

/// What was learnt of a pack's records while their proofs were made.
#[derive(Clone, Debug, Default)]
pub struct Found {
    /// What is not as it was sealed, in words.
    pub not_as_sealed: Vec<String>,
    /// What is missing because it was purged, in words.
    pub purged: Vec<String>,
    /// Clinic days of the pack that no seal holds.
    pub unsealed: Vec<NaiveDate>,
    /// Rows whose records no seal holds yet; a record may be told by rows of several kinds.
    pub rows_not_sealed: u64,
}

/// A list that may be shown in part.
#[derive(Clone, Debug)]
pub struct Shown<T> {
    /// What is shown.
    pub rows: Vec<T>,
    /// How many there are.
    pub total: usize,
}

impl<T> Shown<T> {
    /// Of so many rows the first that were read.
    #[must_use]
    pub fn of(mut rows: Vec<T>, total: i64) -> Self {
        let total = usize::try_from(total).unwrap_or_default().max(rows.len());
        rows.truncate(MOST_SHOWN);
        Self { rows, total }
    }
}

/// What the page tells.
#[derive(Clone, Debug)]
pub struct Summary {
    /// Tasks by week.
    pub weeks: Vec<WeekCounts>,
    /// Results of water samples.
    pub water: Shown<Measured>,
    /// Readings, by routine and step.
    pub readings: Vec<Series>,
    /// How many series there are.
    pub series_count: usize,
    /// What did not pass, and what followed.
    pub failures: Shown<Failure>,
    /// What was missed.
    pub gaps: Shown<Gap>,
    /// Entries that replace others.
    pub corrections: Shown<Remark>,
    /// Entries that a lead should look at.
    pub flagged: Shown<Remark>,
    /// Corrective actions that stand open, as of the making.
    pub open_actions: Shown<OpenAction>,
    /// What else an inspector asks for; none where it says nothing of what the pack is narrowed to.
    pub tables: Vec<Table>,
    /// Seals.
    pub sealed: Sealed,
}

#[cfg(test)]
mod tests;
