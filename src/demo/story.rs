//! What is to happen in the weeks behind, beside the ordinary day.
//!
//! The rule of this file: what chance does and what is told on purpose are both data (`story.json`), so that the demo
//! can be changed without a build, and so that nobody takes one of its figures for a measured one.

use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::Deserialize;
use uuid::Uuid;

use super::dice::Dice;
use super::seed::date_from;
use super::tablet::DueTask;
use crate::domain::chain::ChainKind;
use crate::domain::site_event::SiteEventKind;

/// The story.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Story {
    /// How often chance strikes.
    pub fates_permille: Fates,
    /// Routines that nobody got to of late, so that something is overdue at whatever hour the demo is loaded.
    pub left_undone: Vec<LeftUndone>,
    /// Tests whose result comes later.
    pub results_follow: Vec<ResultFollows>,
    /// Values outside their limit.
    pub over_limit: Vec<OverLimit>,
    /// Routines that somebody signs with a PIN.
    pub signed: Vec<Uuid>,
    /// Routines whose misses open an action since the day of the load; before, they were only counted.
    pub followed_when_missed: Vec<Uuid>,
    /// What people do about failures.
    pub worked: Vec<Worked>,
    /// Tests that turn out void and are repeated.
    pub void_tests: Vec<Declared>,
    /// Tasks the manager declares not required.
    pub not_required: Vec<Declared>,
    /// Tablets that lose the network for a morning.
    pub offline_tablets: Vec<OfflineTablet>,
    /// Days whose start the front desk forgot.
    pub forgotten_day_starts: Vec<Forgotten>,
    /// What happened besides the daily work.
    pub site_events: Vec<Occasion>,
    /// Subjects that were in service until a day.
    pub taken_out_of_service: Vec<TakenOut>,
    /// Between which figures an ordinary reading lies.
    pub readings: Vec<ReadingRange>,
}

/// How often chance strikes, in a thousand tasks.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Fates {
    /// Done after it was due.
    pub late: u32,
    /// Never recorded.
    pub never: u32,
    /// A hold ended too early, and the task done again.
    pub cut_short: u32,
    /// Short holds that the server times; long ones are timed by it every other time.
    pub timed_by_server: u32,
}

/// A routine that nobody got to in the last days.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct LeftUndone {
    /// The routine.
    pub routine_id: Uuid,
    /// How many days before the load its tasks stay undone.
    pub last_days: i64,
}

/// A test whose result comes later.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ResultFollows {
    /// The routine.
    pub routine_id: Uuid,
    /// How many hours after the sample.
    pub after_hours: i64,
}

/// A value outside its limit.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct OverLimit {
    /// The routine.
    pub routine_id: Uuid,
    /// On what.
    pub subject_id: Uuid,
    /// The wanted step.
    pub step: String,
    /// The line, where each has a value of its own.
    #[serde(default)]
    pub line: Option<String>,
    /// The value.
    pub value: Decimal,
}

impl OverLimit {
    fn is_of(&self, task: &DueTask) -> bool {
        (self.routine_id, self.subject_id) == (task.routine_id, task.subject.subject_id)
    }
}

/// Something that is declared once, about the first task of a routine on a subject from a day on.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Declared {
    /// The routine.
    pub routine_id: Uuid,
    /// On what.
    pub subject_id: Uuid,
    /// From which day on.
    pub from_days: i64,
    /// In which words.
    pub reason: String,
}

/// A tablet that loses the network, on the first open day from a day on.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct OfflineTablet {
    /// Where.
    pub clinic_id: Uuid,
    /// At which chair.
    pub operatory_id: Uuid,
    /// From which day on.
    pub from_days: i64,
    /// For how long after opening.
    pub minutes: i64,
    /// Nobody noted when the work was done: it is all ticked off within minutes once the tablet is there.
    #[serde(default)]
    pub ticked_at_once: bool,
}

/// What people do about a failure, once its corrective action stands.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Worked {
    /// About what.
    pub subject_id: Uuid,
    /// Which chain.
    pub kind: ChainKind,
    /// Its steps, as far as they get.
    pub steps: Vec<WorkedStep>,
}

/// A step of a corrective action that somebody does.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WorkedStep {
    /// Which.
    pub step: String,
    /// How long after the action was opened; on a closed day, the next open one.
    pub after_minutes: i64,
    /// Who.
    pub performed_by: String,
    /// What was found or decided.
    pub note: String,
}

/// A day whose start the front desk forgot: the first open one from a day on.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Forgotten {
    /// Where.
    pub clinic_id: Uuid,
    /// From which day on.
    pub from_days: i64,
}

/// Something that happened at a clinic and makes work.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Occasion {
    /// Its identity.
    pub event_id: Uuid,
    /// Where.
    pub clinic_id: Uuid,
    /// To what; absent: to the clinic.
    pub subject_id: Option<Uuid>,
    /// What.
    pub kind: SiteEventKind,
    /// On which day.
    pub from_days: i64,
    /// More about it.
    pub note: String,
}

/// A subject that was in service until a day, whatever its file says about today.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct TakenOut {
    /// The subject.
    pub subject_id: Uuid,
    /// The first day out of service.
    pub from_days: i64,
}

/// Between which figures an ordinary reading lies.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct ReadingRange {
    /// The routine.
    pub routine_id: Uuid,
    /// The step's key, without the part.
    pub step: String,
    /// Lowest value; its decimals are those of every reading.
    pub low: Decimal,
    /// Highest value, with the decimals of the lowest.
    pub high: Decimal,
    /// How often somebody takes the reading, where the step leaves it open.
    #[serde(default = "always")]
    pub given_percent: u32,
}

fn always() -> u32 {
    100
}

impl ReadingRange {
    /// An ordinary value.
    pub(super) fn throw(&self, dice: &mut Dice) -> Decimal {
        let scale = self.low.scale();
        let mantissa = |value: Decimal| {
            let mut value = value;
            value.rescale(scale);
            value.mantissa().to_i64().unwrap_or(0)
        };
        Decimal::new(dice.between(mantissa(self.low), mantissa(self.high)), scale)
    }
}

impl Story {
    /// The figures of a step.
    #[must_use]
    pub(super) fn range(&self, routine_id: Uuid, step: &str) -> Option<&ReadingRange> {
        let key = step.split_once(':').map_or(step, |(key, _)| key);
        self.readings.iter().find(|r| r.routine_id == routine_id && r.step == key)
    }

    /// Whether a value of this task lies outside its limit.
    #[must_use]
    pub(super) fn is_over_limit(&self, task: &DueTask) -> bool {
        self.over_limit.iter().any(|o| o.is_of(task))
    }

    /// The value outside its limit that is told of a step, or of one line of it.
    #[must_use]
    pub(super) fn over_limit(&self, task: &DueTask, step: &str, line: Option<&str>) -> Option<Decimal> {
        let told = self.over_limit.iter().find(|o| o.is_of(task) && o.step == step && o.line.as_deref() == line);
        told.map(|o| o.value)
    }

    /// Whether nobody gets to a task of this routine that falls on this day.
    #[must_use]
    pub(super) fn stays_undone(&self, routine_id: Uuid, clinic_day: NaiveDate, today: NaiveDate) -> bool {
        self.left_undone
            .iter()
            .any(|left| left.routine_id == routine_id && clinic_day >= date_from(today, -left.last_days))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reading_keeps_the_decimals_and_the_bounds_of_its_range() {
        let range = ReadingRange {
            routine_id: Uuid::nil(),
            step: "ph".to_owned(),
            low: "6.7".parse().expect("a decimal"),
            high: "7".parse().expect("a decimal"),
            given_percent: 100,
        };
        let mut dice = Dice::new(1);
        let thrown: std::collections::BTreeSet<String> = (0..100).map(|_| range.throw(&mut dice).to_string()).collect();
        assert_eq!(thrown.into_iter().collect::<Vec<_>>(), ["6.7", "6.8", "6.9", "7.0"]);
    }
}
