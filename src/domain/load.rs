//! How much work falls on which day: rough minutes of required tasks.
//!
//! The rule of this file: work weighs on the local date and hour it is due by, whatever clinic day it belongs to, since
//! that is when somebody has to have done it.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, Timelike, Utc};

use super::plan::PlannedTask;
use super::reconcile::Change;
use super::task::TaskId;
use super::zone::{self, Zone};

/// A required task as a weight on a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Weight {
    /// When it is due.
    pub due_by: DateTime<Utc>,
    /// Its routine's rough minutes.
    pub rough_minutes: u32,
}

impl Weight {
    /// The weight of a planned task; `None` when it is not required.
    #[must_use]
    pub fn of(task: &PlannedTask) -> Option<Self> {
        let weight = Self { due_by: task.times.due_by, rough_minutes: task.rough_minutes };
        task.not_required.is_none().then_some(weight)
    }

    /// The local date and hour it weighs on.
    #[must_use]
    pub fn local(self, zone: &Zone) -> (NaiveDate, u32) {
        let local = zone::local(zone, self.due_by);
        (local.date(), local.hour())
    }
}

/// Required tasks by id.
pub type Weights = BTreeMap<TaskId, Weight>;

/// The weights that stand once the changes are carried out.
#[must_use]
pub fn after(mut standing: Weights, changes: &[Change]) -> Weights {
    for change in changes {
        let (id, weight) = match change {
            Change::Add(task) | Change::Set(task) => (task.id, Weight::of(task)),
            Change::Remove(id) | Change::Withdraw(id) => (*id, None),
        };
        match weight {
            Some(weight) => standing.insert(id, weight),
            None => standing.remove(&id),
        };
    }
    standing
}

/// The minutes of each local date.
#[must_use]
pub fn minutes_by_day<'a>(zone: &Zone, weights: impl IntoIterator<Item = &'a Weight>) -> BTreeMap<NaiveDate, u64> {
    let mut days = BTreeMap::new();
    for weight in weights {
        *days.entry(weight.local(zone).0).or_default() += u64::from(weight.rough_minutes);
    }
    days
}
