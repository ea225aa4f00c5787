//! What an operatory's record lacks.
//!
//! The rule of this file: it answers what is *missing*, never that anything is safe. Work that blocks stands in the
//! way until it, or a later occurrence of the same routine, is recorded as its rules ask; what stands against the
//! subject ([`super::standing`]) does so whatever was recorded.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::standing::{Obstacle, ObstacleKind, Solver};
use super::task::{State, TaskId};

/// A blocking task whose moment has come, as the store finds it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BlockingTask {
    /// Which task.
    pub id: TaskId,
    /// Which routine.
    pub routine_id: Uuid,
    /// The routine's name in the version in force.
    pub routine_name: String,
    /// From when it blocks.
    pub blocks_at: DateTime<Utc>,
    /// When it is due.
    pub due_by: DateTime<Utc>,
    /// What it is now.
    pub state: State,
    /// Its latest attempt or result did not pass.
    pub failed: bool,
}

/// Why something is missing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Lack {
    /// No record yet, and there is still time.
    RecordMissing,
    /// The window passed without a record.
    Missed,
    /// Recorded, but not as the rules ask.
    Failed,
    /// Sampled; the result is awaited.
    ResultAwaited,
}

impl Lack {
    /// Who can put it right. What was missed or failed takes a judgement, and that is the lead's.
    #[must_use]
    pub fn solved_by(self) -> Solver {
        match self {
            Self::RecordMissing => Solver::Chairside,
            Self::Missed | Self::Failed => Solver::ClinicLead,
            Self::ResultAwaited => Solver::Laboratory,
        }
    }
}

/// One thing that is missing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Missing {
    /// The latest occurrence that lacks a record.
    pub task: BlockingTask,
    /// Why it counts as missing.
    pub lack: Lack,
    /// Since when the routine has been without a record.
    pub since: DateTime<Utc>,
    /// How many occurrences in a row.
    pub occurrences: usize,
}

/// Readiness by record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Readiness {
    /// Out of service, with reason and since when.
    pub out_of_service: Option<(String, DateTime<Utc>)>,
    /// What is missing, longest first.
    pub missing: Vec<Missing>,
    /// What stands against it, longest first; that it is out of service too.
    pub standing: Vec<Obstacle>,
}

impl Readiness {
    /// Nothing that blocks is missing, and nothing stands against it.
    #[must_use]
    pub fn is_ready(&self) -> bool {
        self.standing.is_empty() && self.missing.is_empty()
    }
}

/// What is in the way of using a subject. `blocking` holds its blocking tasks whose moment has come, in any order;
/// `standing` what stands against it.
#[must_use]
pub fn readiness(standing: Vec<Obstacle>, blocking: Vec<BlockingTask>) -> Readiness {
    let mut by_routine: BTreeMap<Uuid, Vec<BlockingTask>> = BTreeMap::new();
    for task in blocking {
        by_routine.entry(task.routine_id).or_default().push(task);
    }
    let mut missing: Vec<Missing> = by_routine.into_values().filter_map(missing_of).collect();
    missing.sort_by_key(|m| (m.since, m.task.id));
    let out_of_service = standing
        .iter()
        .find(|obstacle| obstacle.kind == ObstacleKind::OutOfService)
        .map(|obstacle| (obstacle.reason.clone(), obstacle.since));
    Readiness { out_of_service, missing, standing }
}

/// The run of occurrences without a record since the last one that has it.
fn missing_of(mut tasks: Vec<BlockingTask>) -> Option<Missing> {
    tasks.sort_by_key(|t| (t.blocks_at, t.id));
    let recorded = tasks.iter().rposition(|t| t.state == State::Done && !t.failed);
    let lacking: Vec<(BlockingTask, Lack)> =
        tasks.into_iter().skip(recorded.map_or(0, |i| i + 1)).filter_map(|t| lack(&t).map(|lack| (t, lack))).collect();
    let since = lacking.first()?.0.blocks_at;
    let occurrences = lacking.len();
    let (task, lack) = lacking.into_iter().last()?;
    Some(Missing { task, lack, since, occurrences })
}

fn lack(task: &BlockingTask) -> Option<Lack> {
    match task.state {
        // A void test has its repeat as a task of its own; what is not required does not block.
        State::Void | State::NotRequired => None,
        State::Done => task.failed.then_some(Lack::Failed),
        State::ResultPending => Some(Lack::ResultAwaited),
        State::Missed => Some(Lack::Missed),
        State::Upcoming | State::Due | State::Grace | State::Overdue if task.failed => Some(Lack::Failed),
        State::Upcoming | State::Due | State::Grace | State::Overdue => Some(Lack::RecordMissing),
    }
}

#[cfg(test)]
mod tests;
