//! What somebody enters at a tablet about a task: plausible answers, step by step.
//!
//! The rule of this file: it knows of a task what the service's list says about it and no more, and it decides nothing
//! about verdicts. Whether an answer passes is the service's business, here as in a clinic.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use rust_decimal::prelude::ToPrimitive as _;
use serde::Deserialize;
use serde_json::{Map, Value, json};
use uuid::Uuid;

use super::agenda::seconds_within;
use super::dice::Dice;
use super::given::{counted, drawn, given};
use super::stock::{OnShelf, open_lot};
use super::story::Story;
use crate::domain::evidence::Given;
use crate::domain::step::StepEvidence;
use crate::domain::subject::SubjectKind;
use crate::domain::task::State;

/// Longest anybody who is late comes after a task was due.
const LATEST_MINUTES: i64 = 150;

/// What is due, as the service lists it.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct DueList {
    /// The tasks.
    pub tasks: Vec<DueTask>,
}

/// A task on the list; what the demo has no use for is left out.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct DueTask {
    /// Its id.
    pub task_id: Uuid,
    /// Its clinic day.
    pub clinic_day: NaiveDate,
    /// On what.
    pub subject: DueSubject,
    /// Which routine.
    pub routine_id: Uuid,
    /// Which occurrence.
    pub slot: String,
    /// What it is now.
    pub state: State,
    /// The work may start.
    pub due_from: DateTime<Utc>,
    /// The work is due by then.
    pub due_by: DateTime<Utc>,
    /// Without evidence by then it is missed.
    pub missed_at: DateTime<Utc>,
    /// What it asks for.
    pub steps: Vec<DueStep>,
}

impl DueTask {
    /// Whether some step is a timed hold.
    pub(super) fn wants_hold(&self) -> bool {
        self.steps.iter().any(|step| matches!(step.evidence, StepEvidence::Hold { .. }))
    }

    /// When somebody who is late gets to it.
    pub(super) fn late_at(&self, dice: &mut Dice) -> DateTime<Utc> {
        let window = (self.missed_at - self.due_by).num_minutes();
        let latest = (window * 18 / 100).min(LATEST_MINUTES);
        self.due_by + seconds_within(dice, (latest / 4).max(1), latest.max(2))
    }
}

/// What a task is about.
#[derive(Clone, Copy, Debug, Deserialize)]
pub(super) struct DueSubject {
    /// Its id.
    pub subject_id: Uuid,
    /// What it is.
    pub kind: SubjectKind,
}

/// A step of a task on the list.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct DueStep {
    /// The key to answer it by.
    pub step: String,
    /// The task cannot be completed without it.
    pub required: bool,
    /// What it wants.
    pub evidence: StepEvidence,
}

/// How a piece of work goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Manner {
    /// As it should.
    Whole,
    /// The first timed hold is ended too early.
    CutShort,
    /// The result of a test is read and entered.
    WithResult,
}

/// A press on the tablet's timer.
#[derive(Clone, Debug)]
pub(super) struct TimerPress {
    /// The task.
    pub task_id: Uuid,
    /// The hold.
    pub hold_id: Uuid,
    /// The step it times; `None` ends the hold.
    pub starts: Option<String>,
    /// Who pressed.
    pub performed_by: String,
}

/// A piece of work as it was done.
#[derive(Clone, Debug)]
pub(super) struct Done {
    /// When the timer was pressed, where the server times the holds.
    pub presses: Vec<(DateTime<Utc>, TimerPress)>,
    /// What is entered.
    pub completion: Value,
    /// When it was over.
    pub ended_at: DateTime<Utc>,
    /// Whether a result is still awaited.
    pub awaits_result: bool,
}

/// Somebody with a tablet.
#[derive(Debug)]
pub(super) struct Tablet<'a> {
    /// What is told.
    pub story: &'a Story,
    /// The lots that stand there.
    pub shelf: &'a [OnShelf],
    /// The lines of the operatory the work is about.
    pub lines: &'a [String],
    /// Chance.
    pub dice: &'a mut Dice,
    /// Who holds it.
    pub performed_by: &'a str,
    /// Whether the server times the holds; a tablet without a network times them itself.
    pub online: bool,
}

/// What a tablet notes of a hold that it times by itself: its counter and its clock at both ends.
fn noted(started_at: DateTime<Utc>, held_seconds: i64) -> Value {
    // It was last started some days ago, whenever it is asked.
    let counted_ms = started_at.timestamp_millis().rem_euclid(900_000_000);
    let moment = |after: i64| {
        json!({ "counter_ms": counted_ms + after * 1_000, "boot_id": "tablet-run-12",
                "clock_at": started_at + TimeDelta::seconds(after) })
    };
    json!({ "started": moment(0), "ended": moment(held_seconds) })
}

impl Tablet<'_> {
    /// Works through a task from `begins_at` on.
    pub(super) fn work(&mut self, task: &DueTask, begins_at: DateTime<Utc>, manner: Manner) -> Done {
        let mut at = begins_at;
        let mut presses = Vec::new();
        let mut answers = Vec::new();
        let mut awaits_result = false;
        let mut cut = manner == Manner::CutShort;
        let online = self.online;
        for step in &task.steps {
            let mut answer =
                Map::from_iter([("step".to_owned(), json!(step.step)), ("status".to_owned(), json!("done"))]);
            match &step.evidence {
                StepEvidence::Confirmation {} => at += TimeDelta::seconds(self.dice.between(5, 20)),
                StepEvidence::Hold { minimum_seconds, .. } => {
                    let minimum = i64::from(*minimum_seconds);
                    let held = if std::mem::take(&mut cut) {
                        minimum * self.dice.between(35, 85) / 100
                    } else {
                        minimum + self.dice.between(1, 3 + minimum / 15)
                    };
                    let often = if minimum >= 300 { 500 } else { self.story.fates_permille.timed_by_server };
                    if online && self.dice.happens(often) {
                        let hold_id = self.dice.uuid();
                        let mut press = |at, starts| {
                            let performed_by = self.performed_by.to_owned();
                            presses.push((at, TimerPress { task_id: task.task_id, hold_id, starts, performed_by }));
                        };
                        press(at, Some(step.step.clone()));
                        press(at + TimeDelta::seconds(held), None);
                        answer.insert("hold_id".to_owned(), json!(hold_id));
                    } else {
                        answer.insert("elapsed_seconds".to_owned(), json!(held));
                        answer.insert("hold_record".to_owned(), noted(at, held));
                    }
                    at += TimeDelta::seconds(held + self.dice.between(1, 4));
                }
                StepEvidence::Product { product_ids, .. } => {
                    at += TimeDelta::seconds(self.dice.between(10, 30));
                    let Some(lot_id) = open_lot(self.shelf, task.subject.subject_id, product_ids, at) else { continue };
                    answer.insert("lot_id".to_owned(), json!(lot_id));
                }
                StepEvidence::Reading { unit, result_may_follow, .. } => {
                    at += TimeDelta::seconds(self.dice.between(20, 60));
                    let pending = *result_may_follow && manner != Manner::WithResult;
                    if pending {
                        answer.insert("status".to_owned(), json!("result_pending"));
                        awaits_result = true;
                    } else {
                        let Some(reading) = self.reading(task, step, unit) else { continue };
                        answer.insert("reading".to_owned(), reading);
                    }
                }
                other => {
                    at += TimeDelta::seconds(self.dice.between(10, 40));
                    let is_read = manner == Manner::WithResult;
                    if other.result_may_follow() && !is_read {
                        answer.insert("status".to_owned(), json!("result_pending"));
                        awaits_result = true;
                    }
                    let given = match other {
                        StepEvidence::WaterSample { .. } if is_read => Some(self.counts(task, step)),
                        StepEvidence::WaterSample { .. } => Some(drawn(self.lines)),
                        other => given(other, at.date_naive(), is_read),
                    };
                    if let Some(given) = given {
                        answer.insert("given".to_owned(), json!(given));
                    }
                }
            }
            answers.push(Value::Object(answer));
        }
        let completion = json!({
            "completion_id": self.dice.uuid(),
            "task_id": task.task_id,
            "performed_at": at,
            "entered_at": at,
            "performed_by": self.performed_by,
            "steps": answers,
        });
        Done { presses, completion, ended_at: at, awaits_result }
    }

    /// An ordinary reading, or the one the story tells; `None` where nobody takes it.
    fn reading(&mut self, task: &DueTask, step: &DueStep, unit: &str) -> Option<Value> {
        let reading = |value: String| json!({ "qualifier": "eq", "value": value, "unit": unit });
        if let Some(told) = self.story.over_limit(task, &step.step, None) {
            return Some(reading(told.to_string()));
        }
        let range = self.story.range(task.routine_id, &step.step)?;
        let given = step.required || self.dice.happens(range.given_percent * 10);
        given.then(|| reading(range.throw(self.dice).to_string()))
    }

    /// Ordinary counts of each line, or the one the story tells.
    fn counts(&mut self, task: &DueTask, step: &DueStep) -> Given {
        let mut counts = Vec::with_capacity(self.lines.len());
        for line in self.lines {
            let told = self.story.over_limit(task, &step.step, Some(line));
            let thrown = self.story.range(task.routine_id, &step.step).map(|range| range.throw(self.dice));
            let count = told.or(thrown).and_then(|count| count.to_u32()).unwrap_or_default();
            counts.push((line.clone(), count));
        }
        counted(&counts, task.clinic_day)
    }
}
