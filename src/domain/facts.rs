//! What is known to have happened at a clinic, as far as plans ask for it.
//!
//! The rule of this file: facts are what people and systems recorded, never what was planned. Nothing about a patient
//! is among them.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Utc};
use uuid::Uuid;

use super::site_event::SiteEventKind;

/// What the front desk has posted about one clinic day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct PostedDay {
    /// When the day started.
    pub started_at: Option<DateTime<Utc>>,
    /// When the day ended.
    pub ended_at: Option<DateTime<Utc>>,
}

/// Which end of a visit a mark is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeatingEdge {
    /// A patient was seated.
    Seated,
    /// A patient left.
    Left,
}

/// A patient was seated at an operatory or left it. Nothing about the patient is known here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Seating {
    /// The desk's mark.
    pub mark_id: Uuid,
    /// Where the operatory stood then.
    pub clinic_id: Uuid,
    /// Which operatory.
    pub operatory_id: Uuid,
    /// Seated or left.
    pub edge: SeatingEdge,
    /// The clinic day it belongs to.
    pub clinic_day: NaiveDate,
    /// When.
    pub marked_at: DateTime<Utc>,
}

/// A piece of equipment ran a cycle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cycle {
    /// The mark.
    pub mark_id: Uuid,
    /// Which equipment.
    pub subject_id: Uuid,
    /// The clinic day it belongs to.
    pub clinic_day: NaiveDate,
    /// When it ended.
    pub ended_at: DateTime<Utc>,
}

/// Something that happened at the clinic or to one of its subjects.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SiteEvent {
    /// Its identity.
    pub event_id: Uuid,
    /// What.
    pub kind: SiteEventKind,
    /// To what; `None`: to the clinic.
    pub subject_id: Option<Uuid>,
    /// When.
    pub happened_at: DateTime<Utc>,
}

/// A time in which mains water may not be used at the clinic.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WaterPause {
    /// Its first instant.
    pub from: DateTime<Utc>,
    /// The first instant after it; `None`: it goes on.
    pub until: Option<DateTime<Utc>>,
    /// Whose notice it is.
    pub reason: String,
}

impl WaterPause {
    /// Whether an instant lies in it.
    #[must_use]
    pub fn holds(&self, at: DateTime<Utc>) -> bool {
        self.from <= at && self.until.is_none_or(|until| at < until)
    }
}

/// What a completion made of its task.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Finished {
    /// Done, and everything as its rules ask.
    Passed,
    /// Done, and a value outside its limits.
    DoneAndFailed,
    /// Sampled; the result is awaited.
    ResultPending,
    /// Not done as its rules ask: the task stays open.
    Failed,
    /// As its rules ask, and outside the window: the task stays open, or missed.
    OutsideWindow,
}

/// A completion that counts: no duplicate, and not corrected by another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Completed {
    /// Its identity.
    pub completion_id: Uuid,
    /// Of which routine.
    pub routine_id: Uuid,
    /// On what.
    pub subject_id: Uuid,
    /// When the work was done.
    pub performed_at: DateTime<Utc>,
    /// What it amounted to.
    pub finished: Finished,
    /// It brought the result of a sample that was recorded before.
    pub of_sample: bool,
}

impl Completed {
    /// Whether the task is done by it.
    #[must_use]
    pub fn is_done(&self) -> bool {
        matches!(self.finished, Finished::Passed | Finished::DoneAndFailed)
    }
}

/// The facts that plans of one clinic are made from. Lists may begin some months ago; of what lies before, the last use
/// of each operatory is known, the last done of each routine that asks for it, and the counts.
#[derive(Clone, Debug, Default)]
pub struct Facts {
    /// The desk's day starts and ends.
    pub posted: BTreeMap<NaiveDate, PostedDay>,
    /// Patients seated and gone.
    pub seatings: Vec<Seating>,
    /// The last day before that list begins on which an operatory was used.
    pub used_before: BTreeMap<Uuid, NaiveDate>,
    /// Cycles of equipment.
    pub cycles: Vec<Cycle>,
    /// What happened at the site.
    pub events: Vec<SiteEvent>,
    /// When mains water may not be used.
    pub water_pauses: Vec<WaterPause>,
    /// Completions.
    pub completions: Vec<Completed>,
    /// Marks before the lists begin that a counting routine has counted on a subject: (routine, subject) -> number.
    pub counted_before: BTreeMap<(Uuid, Uuid), u32>,
}
