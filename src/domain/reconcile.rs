//! What a new plan does to the tasks that exist already.
//!
//! The rule of this file: what was started, recorded or has passed is never touched, and nothing that somebody may
//! have seen on a list vanishes: a task the plan no longer holds stays, as not required, with the reason.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use uuid::Uuid;

use super::plan::PlannedTask;
use super::plan::because::Because;
use super::task::{Outcome, Slot, TaskId, Times};

/// A task as the store holds it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ExistingTask {
    /// Derived identity.
    pub id: TaskId,
    /// Which occurrence.
    pub slot: Slot,
    /// Its instants.
    pub times: Times,
    /// The version it was planned by.
    pub routine_version: i32,
    /// First hold or completion.
    pub started_at: Option<DateTime<Utc>>,
    /// Its outcome.
    pub outcome: Option<Outcome>,
    /// The reason of the outcome.
    pub outcome_reason: String,
    /// The plan gave the outcome, and may take it back.
    pub outcome_by_plan: bool,
    /// Why it hangs on its instant, as far as it is known.
    pub because: Option<Because>,
    /// It stands at the clinic its subject has left: this plan takes it over, and only that clinic's may drop it.
    pub elsewhere: bool,
}

impl ExistingTask {
    fn is_fixed(&self, now: DateTime<Utc>) -> bool {
        let recorded = self.outcome.is_some() && !self.outcome_by_plan;
        recorded || self.started_at.is_some() || self.times.missed_at <= now || matches!(self.slot, Slot::Repeat(_))
    }
}

/// Reason of a task that somebody may have seen when the plan stopped holding it.
pub const WITHDRAWN: &str = "withdrawn: the plan changed after it could be seen as due";

/// How far ahead of its window a tablet may fetch a task. What lies further ahead nobody has taken along, so it can
/// go without a trace; what lies nearer may come back as evidence, and stays.
pub const LONGEST_LOOK_AHEAD: TimeDelta = TimeDelta::days(2);

/// One change to the stored tasks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Change {
    /// A task that did not exist.
    Add(PlannedTask),
    /// Other times, version or requirement for one that does.
    Set(PlannedTask),
    /// One that nobody can have seen: gone.
    Remove(TaskId),
    /// One that somebody may have seen: kept, not required.
    Withdraw(TaskId),
}

/// The changes that turn `existing` into `planned`, both over the same clinic days, ordered by task id.
#[must_use]
pub fn reconcile(existing: &[ExistingTask], planned: Vec<PlannedTask>, now: DateTime<Utc>) -> Vec<Change> {
    let mut wanted: BTreeMap<TaskId, PlannedTask> = planned.into_iter().map(|p| (p.id, p)).collect();
    let mut changes: BTreeMap<TaskId, Change> = BTreeMap::new();
    for task in existing {
        let plan = wanted.remove(&task.id);
        if task.is_fixed(now) {
            continue;
        }
        let change = match plan {
            Some(plan) if is_same(task, &plan) => continue,
            // News that comes too late makes nothing missed that somebody may still do.
            Some(plan) if plan.times.missed_at <= now => continue,
            Some(plan) => Change::Set(plan),
            None if task.elsewhere => continue,
            None if task.times.due_from > now + LONGEST_LOOK_AHEAD => Change::Remove(task.id),
            None if task.outcome.is_some() => continue,
            None => Change::Withdraw(task.id),
        };
        changes.insert(task.id, change);
    }
    for (id, plan) in wanted {
        // A task whose whole window lies in the past could only ever be missed: nobody was asked to do it.
        if plan.times.missed_at > now {
            changes.insert(id, Change::Add(plan));
        }
    }
    changes.into_values().collect()
}

/// The tasks of a turnover that was reported too late for anybody to do them. They are kept and count as missed: the
/// patient was there, whenever the desk says so.
#[must_use]
pub fn too_late(existing: &[ExistingTask], planned: &[PlannedTask], mark_id: Uuid, now: DateTime<Utc>) -> Vec<Change> {
    planned
        .iter()
        .filter(|plan| plan.slot == Slot::Turnover(mark_id) && plan.times.missed_at <= now)
        .filter(|plan| existing.iter().all(|task| task.id != plan.id))
        .cloned()
        .map(Change::Add)
        .collect()
}

fn is_same(task: &ExistingTask, plan: &PlannedTask) -> bool {
    let reason = plan.not_required.as_ref().map(|n| n.reason.as_str());
    !task.elsewhere
        && task.times == plan.times
        && task.routine_version == plan.routine_version
        && task.because.as_ref() == Some(&plan.because)
        && task.outcome.is_some() == reason.is_some()
        && reason.is_none_or(|reason| task.outcome_reason == reason)
}

#[cfg(test)]
mod edit_laws;
#[cfg(test)]
mod tests;
