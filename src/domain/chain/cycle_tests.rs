//! Which tests of a machine count for a step that asks for the cycle they ran in.
//!
//! The rule of this file: growth counts in whatever cycle it was found; a test that passed counts only where it is recorded
//! that it ran as the step asks, and where that is not recorded the answer says what is missing. A repeat runs in the
//! program that failed, and three empty cycles are three cycles with none between them (CDC, MMWR 52(RR-17) 2003, p. 24-25,
//! read in a quotation).

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use uuid::Uuid;

use super::ChainEvidence;
use crate::domain::corrective_action::{TestRun, TestsInARow, passed_in_a_row};
use crate::domain::cycle_load::Chamber;

/// What a step asks of the cycles that its tests ran in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CycleDemand {
    /// In the program of the test that failed.
    pub same_program: bool,
    /// With the chamber like this.
    pub chamber: Option<Chamber>,
    /// Each in a cycle of its own, with none between.
    pub consecutive: bool,
}

/// What a test says of the cycle it ran in.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct TestedIn {
    /// The cycle.
    pub cycle_id: Option<Uuid>,
    /// What was in the chamber.
    pub chamber: Option<Chamber>,
    /// The program, where the cycle's record names none.
    pub program: Option<String>,
}

/// A cycle of the machine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RanCycle {
    /// Its identity.
    pub cycle_id: Uuid,
    /// When it ended.
    pub ended_at: DateTime<Utc>,
    /// What the machine calls its program; may be empty.
    pub program: String,
    /// What was in the chamber, by its record.
    pub chamber: Option<Chamber>,
    /// Its record falls short.
    pub failed: bool,
}

/// The program that the test which opened the action ran in.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum FailedIn {
    /// No test opened it.
    #[default]
    NoTest,
    /// It is not recorded.
    NotRecorded,
    /// As the cycle's record, or the test, names it.
    Program(String),
}

/// The tests that were made for a step since its window is counted.
#[derive(Clone, Debug, Default)]
pub struct StepTests {
    /// The decided ones, the oldest first.
    pub tests: Vec<TestRun>,
    /// What they say of their cycles, by completion; asked for only where the step asks.
    pub tested_in: BTreeMap<Uuid, TestedIn>,
    /// The cycles that the machine ended since then, the oldest first; likewise.
    pub cycles: Vec<RanCycle>,
    /// Where the test failed that opened the action; likewise.
    pub failed_in: FailedIn,
}

impl StepTests {
    /// The test that decides a step which asks for one result, and why others that passed do not.
    #[must_use]
    pub fn first_that_counts(&self, evidence: &ChainEvidence) -> (Option<&TestRun>, Vec<String>) {
        let mut left_out = Vec::new();
        for test in &self.tests {
            if !test.decides() {
                left_out.extend(test.says_too_little());
                continue;
            }
            match evidence.cycle_demand().filter(|_| test.passed).and_then(|demand| self.objection(test, demand)) {
                None => return (Some(test), left_out),
                Some(why) => left_out.push(does_not_count(test, &why)),
            }
        }
        (None, left_out)
    }

    /// How many tests in a row passed as a step asks, made after `since`.
    #[must_use]
    pub fn in_a_row(&self, evidence: &ChainEvidence, since: DateTime<Utc>) -> TestsInARow {
        let apart = evidence.apart();
        let Some(demand) = evidence.cycle_demand() else { return passed_in_a_row(&self.tests, since, apart) };
        let mut made: Vec<(DateTime<Utc>, &TestRun)> = self
            .tests
            .iter()
            .map(|test| (self.cycle_of(test).map_or(test.made_at, |cycle| cycle.ended_at), test))
            .collect();
        // Of one instant, the failed one comes last: it starts the count again.
        made.sort_by_key(|(ran_at, test)| (*ran_at, !test.passed, test.completion_id));
        let mut row = TestsInARow::default();
        let mut counted: Vec<Option<&RanCycle>> = Vec::new();
        for (ran_at, test) in made {
            if !test.passed {
                row.begin_anew();
                counted.clear();
                continue;
            }
            if !test.decides() {
                row.left_out.extend(test.says_too_little());
                continue;
            }
            if let Some(why) = self.objection(test, demand) {
                row.left_out.push(does_not_count(test, &why));
                continue;
            }
            let cycle = self.cycle_of(test);
            if demand.consecutive && counted.contains(&cycle) {
                row.left_out.push(does_not_count(test, "its cycle was counted with an earlier test"));
                continue;
            }
            if let (true, Some(Some(last)), Some(this)) = (demand.consecutive, counted.last(), cycle)
                && let Some(between) = self.between(last, this)
            {
                row.left_out.push(format!(
                    "the tests before that made at {} do not count: the cycle that ended at {} came between, and it is not \
                     recorded that its chamber was empty and that it fell not short",
                    test.made_at, between.ended_at
                ));
                row.begin_anew();
                counted.clear();
            }
            if row.count(test, ran_at, apart) {
                counted.push(cycle);
            }
        }
        row
    }

    fn cycle_of(&self, test: &TestRun) -> Option<&RanCycle> {
        let cycle_id = self.tested_in.get(&test.completion_id)?.cycle_id?;
        self.cycles.iter().find(|cycle| cycle.cycle_id == cycle_id)
    }

    /// A cycle between two others that breaks a row: any but one that is recorded as empty and does not fall short.
    fn between(&self, first: &RanCycle, second: &RanCycle) -> Option<&RanCycle> {
        let said_empty = |cycle: &RanCycle| {
            let tested_empty =
                |said: &TestedIn| said.cycle_id == Some(cycle.cycle_id) && said.chamber == Some(Chamber::Empty);
            match cycle.chamber {
                Some(chamber) => chamber == Chamber::Empty,
                None => self.tested_in.values().any(tested_empty),
            }
        };
        self.cycles.iter().find(|cycle| {
            let is_other = cycle.cycle_id != first.cycle_id && cycle.cycle_id != second.cycle_id;
            let is_between = (first.ended_at..=second.ended_at).contains(&cycle.ended_at);
            is_other && is_between && (cycle.failed || !said_empty(cycle))
        })
    }

    /// Why a test that passed does not count.
    fn objection(&self, test: &TestRun, demand: CycleDemand) -> Option<String> {
        let Some(said) = self.tested_in.get(&test.completion_id) else {
            return Some("it says nothing of the cycle it ran in".to_owned());
        };
        let cycle = self.cycle_of(test);
        match (said.cycle_id, cycle) {
            (Some(_), Some(cycle)) if cycle.failed => return Some("the record of its cycle falls short".to_owned()),
            (Some(id), None) => {
                return Some(format!("no cycle {id} is recorded that this machine ended since then"));
            }
            (None, _) if demand.consecutive || said.program.is_none() => {
                return Some("the cycle it ran in is not named".to_owned());
            }
            (Some(_), Some(_)) | (None, _) => {}
        }
        if let Some(wanted) = demand.chamber {
            for chamber in [said.chamber, cycle.and_then(|cycle| cycle.chamber)].into_iter().flatten() {
                if chamber != wanted {
                    return Some(format!("its chamber was {}, and has to be {}", chamber.as_str(), wanted.as_str()));
                }
            }
            if said.chamber.is_none() {
                return Some("whether its chamber was loaded or empty is not recorded".to_owned());
            }
        }
        if demand.same_program { self.program_objection(said, cycle) } else { None }
    }

    fn program_objection(&self, said: &TestedIn, cycle: Option<&RanCycle>) -> Option<String> {
        let failed_in = match &self.failed_in {
            FailedIn::NoTest => return None,
            FailedIn::NotRecorded => {
                return Some(
                    "in which program the failed test ran is not recorded; correct that test so that it names its cycle, \
                     or its program"
                        .to_owned(),
                );
            }
            FailedIn::Program(program) => program,
        };
        match program_of(cycle.map(|cycle| cycle.program.as_str()), said) {
            None => Some(format!(
                "its program is not recorded, and the test that failed ran in \u{201c}{failed_in}\u{201d}"
            )),
            Some(program) if !is_same(program, failed_in) => Some(format!(
                "it ran in \u{201c}{program}\u{201d}, and the test that failed in \u{201c}{failed_in}\u{201d}"
            )),
            Some(_) => None,
        }
    }
}

/// The program of a test: as its cycle's record names it, else as the test does.
#[must_use]
pub fn program_of<'a>(of_cycle: Option<&'a str>, said: &'a TestedIn) -> Option<&'a str> {
    let named = |program: &&str| !program.trim().is_empty();
    of_cycle.filter(named).or(said.program.as_deref().filter(named))
}

/// A slip of the pen is no other program.
fn is_same(one: &str, other: &str) -> bool {
    one.trim().to_lowercase() == other.trim().to_lowercase()
}

fn does_not_count(test: &TestRun, why: &str) -> String {
    format!("the test made at {} does not count: {why}", test.made_at)
}

#[cfg(test)]
mod tests;
