//! What a subject's record lacked at any instant gone by.
//!
//! The rule of this file: an instant is answered by what had been recorded by then, from the same functions that answer
//! now ([`super::readiness`], [`super::standing`]). What a task was then follows from what each completion made of it.

use std::collections::BTreeMap;

use chrono::{DateTime, Days, NaiveDate, Utc};
use uuid::Uuid;

use super::quarantine::Quarantine;
use super::readiness::{BlockingTask, Lack, Readiness, readiness};
use super::standing::standing;
use super::subject::{ServiceState, Subject, WaterSource};
use super::task::{Outcome, TaskId, Times, state_at};
use super::water_advisory::WaterAdvisory;

/// How far back a record can be missing and still be asked for: a year and a month, so that the last occurrence of a
/// yearly routine does not fall silent before the next one is due.
pub const LOOK_BACK_DAYS: Days = Days::new(400);

/// What one completion made of its task.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Turn {
    /// When it was recorded.
    pub at: DateTime<Utc>,
    /// What the task was from then on; `None`: open.
    pub outcome: Option<Outcome>,
    /// What was recorded fell short.
    pub failed: bool,
}

/// A blocking task with what became of it.
#[derive(Clone, Debug)]
pub struct PastTask {
    /// Which task.
    pub id: TaskId,
    /// Which routine.
    pub routine_id: Uuid,
    /// The routine's name in the task's version.
    pub routine_name: String,
    /// Its window, and from when it blocks.
    pub times: Times,
    /// When the plan said that it is not required, if it says so.
    pub rests_from: Option<DateTime<Utc>>,
    /// The turns, in the order they were taken.
    pub turns: Vec<Turn>,
}

/// From when on a subject stood in a clinic, fed from a source.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Place {
    /// From when on.
    pub from: DateTime<Utc>,
    /// Where.
    pub clinic_id: Uuid,
    /// What fed it; `None`: it was not kept then, or it is no operatory.
    pub water_source: Option<WaterSource>,
}

/// A version of a routine, as far as it decides whether a record is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AskingVersion {
    /// Its number.
    pub version: i32,
    /// Its first day.
    pub effective_on: NaiveDate,
    /// It is in use and blocks.
    pub asks: bool,
}

/// All that decides what a subject's record lacked at the instants of some span.
#[derive(Clone, Debug)]
pub struct Past {
    /// As it is now, with its times out of service.
    pub subject: Subject,
    /// Where it stood, the oldest first.
    pub places: Vec<Place>,
    /// Its blocking tasks.
    pub tasks: Vec<PastTask>,
    /// Versions of their routines.
    pub versions: BTreeMap<Uuid, Vec<AskingVersion>>,
    /// What was put out of use.
    pub quarantines: Vec<Quarantine>,
    /// Notices not to use mains water.
    pub advisories: Vec<WaterAdvisory>,
}

/// A time in which nothing changed about what was lacking.
#[derive(Clone, Debug)]
pub struct Interval {
    /// Its first instant.
    pub from: DateTime<Utc>,
    /// The first instant after it.
    pub until: DateTime<Utc>,
    /// What its record lacked, as it was at the first instant.
    pub readiness: Readiness,
}

impl PastTask {
    /// The task as it was at `at`; `None`: its moment had not come, or it was too long ago to be asked for.
    fn at(&self, at: DateTime<Utc>) -> Option<BlockingTask> {
        let blocks_at = self.times.blocks_at.filter(|blocks_at| *blocks_at <= at)?;
        if at.date_naive() > self.id.clinic_day() + LOOK_BACK_DAYS {
            return None;
        }
        let turn = self.turns.iter().rev().find(|turn| turn.at <= at);
        let recorded = match turn {
            Some(turn) => turn.outcome.map(|outcome| (outcome, turn.at)),
            None => self.rests_from.filter(|from| *from <= at).map(|from| (Outcome::NotRequired, from)),
        };
        Some(BlockingTask {
            id: self.id,
            routine_id: self.routine_id,
            routine_name: self.routine_name.clone(),
            blocks_at,
            due_by: self.times.due_by,
            state: state_at(&self.times, recorded, at),
            failed: turn.is_some_and(|turn| turn.failed),
        })
    }
}

impl Past {
    /// What the record lacked at `at`.
    #[must_use]
    pub fn at(&self, at: DateTime<Utc>) -> Readiness {
        let blocking = self.tasks.iter().filter(|task| self.asks(task.routine_id, at)).filter_map(|task| task.at(at));
        readiness(standing(&self.subject_at(at), &self.quarantines, &self.advisories, at), blocking.collect())
    }

    fn asks(&self, routine_id: Uuid, at: DateTime<Utc>) -> bool {
        let versions = self.versions.get(&routine_id).map(Vec::as_slice).unwrap_or_default();
        let begun = versions.iter().filter(|v| v.effective_on <= at.date_naive());
        begun.max_by_key(|v| v.version).is_some_and(|v| v.asks)
    }

    fn subject_at(&self, at: DateTime<Utc>) -> Subject {
        let mut subject = self.subject.clone();
        if let Some(place) = self.places.iter().rev().find(|place| place.from <= at) {
            subject.clinic_id = place.clinic_id;
            subject.water_source = place.water_source.or(subject.water_source);
        }
        subject.service = match subject.out_of_service_at(at) {
            Some(spell) => ServiceState::OutOfService { reason: spell.reason.clone(), since: spell.from },
            None => ServiceState::InService,
        };
        subject
    }

    /// The span cut where something changed about what was lacking; together they are the span.
    #[must_use]
    pub fn intervals(&self, from: DateTime<Utc>, until: DateTime<Utc>) -> Vec<Interval> {
        let mut intervals: Vec<Interval> = Vec::new();
        for at in self.moments(from, until) {
            let now = self.at(at);
            match intervals.last() {
                Some(last) if says_the_same(&last.readiness, &now) => {}
                _ => intervals.push(Interval { from: at, until, readiness: now }),
            }
        }
        for i in 1..intervals.len() {
            intervals[i - 1].until = intervals[i].from;
        }
        intervals
    }

    /// Instants at which an answer may change, the first of the span among them.
    fn moments(&self, from: DateTime<Utc>, until: DateTime<Utc>) -> Vec<DateTime<Utc>> {
        let midnight = |day: NaiveDate| day.and_time(chrono::NaiveTime::MIN).and_utc();
        let mut moments = vec![from];
        for task in &self.tasks {
            moments.extend(task.times.blocks_at);
            moments.extend([task.times.missed_at, midnight(task.id.clinic_day() + LOOK_BACK_DAYS + Days::new(1))]);
            moments.extend(task.turns.iter().map(|turn| turn.at));
            moments.extend(task.rests_from);
        }
        moments.extend(self.places.iter().map(|place| place.from));
        moments.extend(self.subject.spells.iter().flat_map(|spell| [Some(spell.from), spell.until]).flatten());
        moments.extend(self.versions.values().flatten().map(|version| midnight(version.effective_on)));
        for quarantine in &self.quarantines {
            moments.push(quarantine.recorded_at);
            moments.extend(quarantine.release.as_ref().map(|release| release.recorded_at));
        }
        for advisory in &self.advisories {
            moments.push(advisory.recorded_at);
            moments.extend(advisory.lifting.as_ref().map(|lifting| lifting.recorded_at));
        }
        moments.retain(|at| (from..until).contains(at));
        moments.sort_unstable();
        moments.dedup();
        moments
    }
}

/// Whether two answers read alike; that a record which is missing became overdue changes nothing about readiness.
fn says_the_same(one: &Readiness, other: &Readiness) -> bool {
    let read = |readiness: &Readiness| -> Vec<(TaskId, Lack, DateTime<Utc>, usize)> {
        readiness.missing.iter().map(|m| (m.task.id, m.lack, m.since, m.occurrences)).collect()
    };
    one.standing == other.standing && read(one) == read(other)
}

#[cfg(test)]
mod tests;
