//! A recurring job: on what, at which moment, in which window, with which steps and on whose authority.
//!
//! The rule of this file: a routine is a document that is checked whole before it is kept, so that the planner never
//! meets one it cannot plan. Its versions are kept for ever; a clinic day is planned and judged by the version in
//! force on that day.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::anchor::{Anchor, Season};
use super::chain::ChainKind;
use super::fault::{Fault, check_text};
use super::ladder::Ladder;
use super::limit::Source;
use super::period::{Period, PeriodLength};
use super::staff::is_family_key;
use super::step::{self, Step, StepEvidence};
use super::subject::{Subject, SubjectKind, WaterSource};
use super::water_sample::WaterCount;

/// Windows are kept within this many days of their anchor, so that open work is found in a few partitions.
const LONGEST_WINDOW_MINUTES: i32 = 90 * 1440;

/// The content of a routine.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Routine {
    /// What people call it.
    #[schema(example = "Flush waterlines before the first patient")]
    pub name: String,
    /// Kind of subject it is about.
    pub subject_kind: SubjectKind,
    /// Which subjects of that kind.
    #[serde(default)]
    pub selection: Selection,
    /// The moment it hangs on.
    pub anchor: Anchor,
    /// When it may and must be done, relative to the anchor. Left out where the anchor is a period.
    #[serde(default)]
    pub window: Window,
    /// Whether, and from which moment, the subject is not ready by record while it is not recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub blocks_from: Option<BlocksFrom>,
    /// The steps, in order.
    pub steps: Vec<Step>,
    /// On whose authority.
    pub sources: Vec<Source>,
    /// What can hurt.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// Rough working time for one experienced person, in minutes; an estimate.
    #[schema(minimum = 0, maximum = 1440)]
    pub rough_minutes: u32,
    /// The family of work it belongs to: who does it needs a competence for the family or for this routine, and a
    /// completion without one is flagged. Left out: it takes one only where somebody's competence is for this routine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(pattern = "^[a-z][a-z0-9_-]{0,39}$", example = "waterlines")]
    pub family: Option<String>,
    /// Its own ladder in place of the group's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ladder: Option<Ladder>,
    /// The part of the year it is for; absent: all of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub season: Option<Season>,
    /// Which corrective action a completion opens that falls short; absent: the one of a positive spore test where a step is
    /// a spore test, the one of water over its limit where a step is a water sample, and else none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on_fail: Option<ChainKind>,
    /// Which corrective action a missed task opens; only `missed_routine`, and only where the work blocks, belongs between
    /// two patients, or opens an action when it falls short, as a test does. Absent: none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub on_miss: Option<ChainKind>,
    /// Whether a completion counts as use of its subject, e.g. a flush: idle routines count from it.
    #[serde(default)]
    pub counts_as_use: bool,
    /// Whether it runs mains water where its subject is fed from the mains: it is not required then while a water advisory
    /// stands. An operatory with a reservoir of its own is spared.
    #[serde(default)]
    pub runs_mains_water: bool,
    /// A routine that is no longer used plans nothing and keeps its history.
    #[serde(default = "in_use_by_default")]
    #[schema(default = true)]
    pub in_use: bool,
}

fn in_use_by_default() -> bool {
    true
}

/// Which subjects of the routine's kind it applies to: all conditions that are given must hold.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Selection {
    /// Only subjects in these clinics.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clinic_ids: Option<BTreeSet<Uuid>>,
    /// Only these subjects.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub subject_ids: Option<BTreeSet<Uuid>>,
    /// Only operatories with one of these water sources.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub water_sources: Option<Vec<WaterSource>>,
}

impl Selection {
    /// Whether it picks the subject.
    #[must_use]
    pub fn picks(&self, subject: &Subject) -> bool {
        self.clinic_ids.as_ref().is_none_or(|ids| ids.contains(&subject.clinic_id))
            && self.subject_ids.as_ref().is_none_or(|ids| ids.contains(&subject.id))
            && self
                .water_sources
                .as_ref()
                .is_none_or(|sources| subject.water_source.is_some_and(|source| sources.contains(&source)))
    }
}

/// When a task may start, is due, becomes overdue and is missed: elapsed minutes after the anchor (negative: before).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Window {
    /// The work may start.
    #[schema(minimum = -129_600, maximum = 129_600, example = -60)]
    pub may_start_minutes: i32,
    /// The work is due by then.
    #[schema(minimum = -129_600, maximum = 129_600, example = 0)]
    pub due_by_minutes: i32,
    /// Grace is over; the ladder starts.
    #[schema(minimum = -129_600, maximum = 129_600, example = 10)]
    pub overdue_minutes: i32,
    /// Without evidence by then it is missed.
    #[schema(minimum = -129_600, maximum = 129_600, example = 240)]
    pub missed_minutes: i32,
}

/// From which moment an open task stands in the way of using its subject.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BlocksFrom {
    /// As soon as the work may start: for what must be done before the next use.
    MayStart,
    /// From the moment it is due: for work whose window opens while the subject is still in use.
    DueBy,
}

impl Routine {
    /// The chain that a completion opens which falls short: what the routine says, or what its steps test. Growth and water
    /// over its limit are never without consequence because nobody wrote one down.
    #[must_use]
    pub fn chain_on_fail(&self) -> Option<ChainKind> {
        let by_steps = || {
            self.steps.iter().find_map(|step| match step.evidence {
                StepEvidence::SporeTest {} => Some(ChainKind::PositiveSporeTest),
                StepEvidence::WaterSample { .. } => Some(ChainKind::WaterOverLimit),
                _ => None,
            })
        };
        self.on_fail.or_else(by_steps)
    }

    /// What its water samples count, in order and without repeats.
    #[must_use]
    pub fn water_counts(&self) -> Vec<WaterCount> {
        let counts = self.steps.iter().filter_map(|step| match step.evidence {
            StepEvidence::WaterSample { counts, .. } => Some(counts),
            _ => None,
        });
        counts.collect::<BTreeSet<_>>().into_iter().collect()
    }

    /// Every broken rule, with pointers into the document.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/name", &self.name, 120);
        faults.extend(self.selection_faults());
        faults.extend(self.anchor.faults(self.subject_kind).into_iter().map(|f| f.under("/anchor")));
        faults.extend(self.season_fault());
        faults.extend(self.window_faults().into_iter().map(|f| f.under("/window")));
        faults.extend(step::faults(&self.steps).into_iter().map(|f| f.under("/steps")));
        for (i, step) in self.steps.iter().enumerate() {
            if step.for_each.is_some() && self.subject_kind != SubjectKind::Operatory {
                faults.push(Fault::new(
                    format!("/steps/{i}/for_each"),
                    "only an operatory has circuits and suction lines",
                ));
            }
        }
        if self.sources.is_empty() || self.sources.len() > 20 {
            faults.push(Fault::new("/sources", "must name 1 to 20 sources; common practice counts as one"));
        }
        for (i, source) in self.sources.iter().enumerate() {
            faults.extend(source.faults().into_iter().map(|f| f.under(&format!("/sources/{i}"))));
        }
        if self.cautions.len() > 20 {
            faults.push(Fault::new("/cautions", "must have at most 20 cautions"));
        }
        for (i, caution) in self.cautions.iter().enumerate() {
            check_text(&mut faults, &format!("/cautions/{i}"), caution, 400);
        }
        if self.rough_minutes > 1440 {
            faults.push(Fault::new("/rough_minutes", "must be from 0 to 1440"));
        }
        faults.extend(self.on_miss_fault());
        if self.family.as_deref().is_some_and(|family| !is_family_key(family)) {
            faults.push(Fault::new("/family", "must be a lower-case key of at most 40 letters, digits, _ or -"));
        }
        if let Some(ladder) = &self.ladder {
            faults.extend(ladder.faults().into_iter().map(|f| f.under("/ladder")));
        }
        faults
    }

    fn selection_faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        let selection = &self.selection;
        if selection.water_sources.is_some() && self.subject_kind != SubjectKind::Operatory {
            faults.push(Fault::new("/selection/water_sources", "only an operatory has a water source"));
        }
        let sizes = [
            ("/selection/clinic_ids", selection.clinic_ids.as_ref().map(BTreeSet::len)),
            ("/selection/subject_ids", selection.subject_ids.as_ref().map(BTreeSet::len)),
            ("/selection/water_sources", selection.water_sources.as_ref().map(Vec::len)),
        ];
        for (pointer, size) in sizes {
            if size.is_some_and(|n| n == 0 || n > 1000) {
                faults.push(Fault::new(pointer, "must name 1 to 1000; leave it out to pick all"));
            }
        }
        // A clinic is a subject under its own id.
        if let (SubjectKind::Clinic, Some(clinics), Some(subjects)) =
            (self.subject_kind, &selection.clinic_ids, &selection.subject_ids)
            && clinics.is_disjoint(subjects)
        {
            faults.push(Fault::new("/selection/subject_ids", "names none of clinic_ids, so no clinic is ever picked"));
        }
        faults
    }

    /// Whether its calendar rule gives no date in its season from a day on: then nothing of it is due from that day.
    #[must_use]
    pub fn gives_no_date_from(&self, first_on: NaiveDate) -> bool {
        let Anchor::Calendar { dates, .. } = &self.anchor else { return false };
        let in_season = |date| self.season.is_none_or(|season| season.holds(date));
        // What cannot be read gives no date either, and is told of where it is.
        matches!(dates.first_date(first_on, in_season), Ok(None))
    }

    /// A season in which nothing that has dates of its own ever falls.
    fn season_fault(&self) -> Option<Fault> {
        let season = self.season?;
        let rule = match &self.anchor {
            Anchor::Calendar { dates, .. } if dates.check().is_ok() && self.gives_no_date_from(dates.starts_on) => {
                "holds no date of the rule, so nothing would ever be due"
            }
            Anchor::Period { each, .. } if every_period(*each).all(|period| !season.holds(period.last_on())) => {
                "holds the last date of no period, which decides, so nothing would ever be due"
            }
            _ => return None,
        };
        Some(Fault::new("/season", rule))
    }

    /// The routine it names, and where it names it.
    #[must_use]
    pub fn names_routine(&self) -> Option<(Uuid, &'static str)> {
        match self.anchor {
            Anchor::Follows { routine_id, .. } => Some((routine_id, "/anchor/routine_id")),
            Anchor::Idle { strengthens: Some(routine_id), .. } => Some((routine_id, "/anchor/strengthens")),
            _ => None,
        }
    }

    /// Why it can make nothing of the routine it names, whose newest content is `other`.
    #[must_use]
    pub fn fault_with(&self, other: &Self) -> Option<&'static str> {
        if other.subject_kind != self.subject_kind {
            return Some("names a routine about another kind of subject, so the two never meet");
        }
        let is_idle = matches!(self.anchor, Anchor::Idle { .. });
        let begins_a_day = matches!(other.anchor, Anchor::Opening {} | Anchor::FirstPatient {});
        (is_idle && !begins_a_day)
            .then_some("names a routine that hangs neither on the opening nor on the first patient: it stays as it is")
    }

    /// An action for each miss of any work would bury those that matter.
    fn on_miss_fault(&self) -> Option<Fault> {
        let kind = self.on_miss?;
        if kind != ChainKind::MissedRoutine {
            return Some(Fault::new("/on_miss", "must be missed_routine"));
        }
        let matters = self.blocks_from.is_some()
            || self.chain_on_fail().is_some()
            || matches!(self.anchor, Anchor::Turnover { .. });
        let rule =
            "is for work that blocks its subject, belongs between two patients, or opens an action as it falls short";
        (!matters).then(|| Fault::new("/on_miss", rule))
    }

    fn window_faults(&self) -> Vec<Fault> {
        if !self.anchor.is_period() {
            return self.window.faults();
        }
        let brought = "must be left out: a period brings its own window";
        if self.window == Window::default() { Vec::new() } else { vec![Fault::new("", brought)] }
    }
}

/// Periods that have every last date there can be: in 28 years each date of the year falls on each day of the week.
fn every_period(each: PeriodLength) -> impl Iterator<Item = Period> {
    let day = |year, month, day| NaiveDate::from_ymd_opt(year, month, day).expect("a date of the calendar");
    Period::overlapping(each, day(2000, 1, 1), day(2027, 12, 31))
}

impl Window {
    fn faults(&self) -> Vec<Fault> {
        let marks = [
            ("/may_start_minutes", self.may_start_minutes),
            ("/due_by_minutes", self.due_by_minutes),
            ("/overdue_minutes", self.overdue_minutes),
            ("/missed_minutes", self.missed_minutes),
        ];
        let mut faults = Vec::new();
        for (pointer, minutes) in marks {
            if !(-LONGEST_WINDOW_MINUTES..=LONGEST_WINDOW_MINUTES).contains(&minutes) {
                faults.push(Fault::new(pointer, "must be within 90 days (129600 minutes) of the anchor"));
            }
        }
        for pair in marks.windows(2) {
            if pair[1].1 < pair[0].1 {
                faults.push(Fault::new(pair[1].0, format!("must not be before {}", &pair[0].0[1..])));
            }
        }
        if self.missed_minutes <= self.may_start_minutes {
            faults.push(Fault::new("/missed_minutes", "must be after may_start_minutes, or nobody could ever do it"));
        }
        faults
    }
}

/// One version of a routine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RoutineVersion {
    /// The routine's identity, kept over its versions.
    pub routine_id: Uuid,
    /// 1, 2, 3 …
    pub version: i32,
    /// First clinic day it is in force for.
    pub effective_on: NaiveDate,
    /// Its content.
    pub routine: Routine,
}

/// The version in force on a clinic day: the highest one whose date has come.
#[must_use]
pub fn in_force(versions: &[RoutineVersion], on: NaiveDate) -> Option<&RoutineVersion> {
    versions.iter().filter(|v| v.effective_on <= on).max_by_key(|v| v.version)
}

#[cfg(test)]
mod tests;
