//! What a completion is judged by: what it says, the task it is about, and what is known beside.
//!
//! The rule of this file: everything that decides is handed over; nothing is looked up while judging.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, Utc};
use uuid::Uuid;

use super::{CompletionKind, LotsAsked, SporeStrips, StepAnswer, TimedHold, WaterDrawn};
use crate::domain::instrument::Instrument;
use crate::domain::limit::Limit;
use crate::domain::step::{Step, WantedStep};
use crate::domain::task::Times;
use crate::domain::zone::Zone;

/// A completion as it came in.
#[derive(Clone, Debug)]
pub struct Submission<'a> {
    /// What it says.
    pub kind: CompletionKind,
    /// When the work was done, as the person says.
    pub performed_at: DateTime<Utc>,
    /// The answers, in any order.
    pub answers: &'a [StepAnswer],
    /// Reason of a not-required or void.
    pub reason: &'a str,
}

/// The task a completion is judged against.
#[derive(Clone, Debug)]
pub struct Asked<'a> {
    /// The clinic day, which decides the limits in force.
    pub clinic_day: NaiveDate,
    /// Its window.
    pub times: &'a Times,
    /// The routine's steps.
    pub steps: &'a [Step],
    /// The steps the subject's parts make of them.
    pub wanted: &'a [WantedStep<'a>],
    /// Holds the server timed for this task.
    pub holds: &'a BTreeMap<Uuid, TimedHold>,
    /// The lots its answers name, and the place they are used at.
    pub lots: &'a LotsAsked,
    /// The sample was taken before and its result is awaited: the window, which is the sample's, no longer binds.
    pub sampled_before: bool,
    /// What else is known that decides.
    pub known: &'a Known,
}

/// What is known beside the task: of the clinic, and of what was recorded before.
#[derive(Clone, Debug, Default)]
pub struct Known {
    /// Whose law applies, by ISO 3166.
    pub place: String,
    /// The lines of the operatory.
    pub lines: Vec<String>,
    /// Limits that the group, a maker or the clinic set beside those of the routine.
    pub own_limits: Vec<OwnLimit>,
    /// The clinic's instruments.
    pub instruments: BTreeMap<Uuid, Instrument>,
    /// Server-timed holds that an earlier completion of the task used, which this one does not correct.
    pub spent_holds: BTreeSet<Uuid>,
    /// Water that was drawn for the task, by the step it was drawn for.
    pub drawn: BTreeMap<String, WaterDrawn>,
    /// Spore tests that were run for the task, by their step.
    pub ran: BTreeMap<String, SporeRun>,
    /// This completion corrects another.
    pub corrects: bool,
    /// The clinic's zone; asked for where a last day counts.
    pub zone: Option<Zone>,
    /// Loads that are not to be laid out, by the labels that are named at a chair.
    pub held_loads: BTreeMap<String, LoadHeld>,
}

/// Since when a load is not to be laid out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LoadHeld {
    /// As its packs were laid out it was out of use, or had been discarded or processed again.
    Before,
    /// It was put out of use since.
    Since,
}

/// A spore test as it was run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SporeRun {
    /// What was said of it.
    pub strips: SporeStrips,
    /// When it was run; `None`: that was not recorded before its result.
    pub ran_at: Option<DateTime<Utc>>,
}

/// A limit that is set beside a routine's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OwnLimit {
    /// The step's key within the routine.
    pub step: String,
    /// The limit.
    pub limit: Limit,
}
