//! Subjects that were not used for a while.
//!
//! The rule of this file: use is what was recorded. Only for days to come is it expected, so that next week is planned
//! as an ordinary week; when the day has come, the record alone decides.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;
use uuid::Uuid;

use super::because::Fact;
use super::{Clinic, Occurrence, Planner, version_on};
use crate::domain::anchor::{Anchor, IdleOn, Place};
use crate::domain::routine::{RoutineVersion, in_force};
use crate::domain::subject::{Subject, SubjectKind};
use crate::domain::task::Slot;

/// The idle routine that a subject gets on a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Winner {
    pub(super) routine_id: Uuid,
    pub(super) unused: Unused,
}

/// How long a subject has not been used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Unused {
    pub(super) last_used_on: NaiveDate,
    pub(super) recorded: bool,
    pub(super) days: u32,
}

/// The days each subject was used on: seatings, departures, and completions of routines that count as use.
pub(super) fn recorded_uses(clinic: &Clinic) -> BTreeMap<Uuid, BTreeSet<NaiveDate>> {
    let mut uses: BTreeMap<Uuid, BTreeSet<NaiveDate>> = BTreeMap::new();
    for seating in &clinic.facts.seatings {
        uses.entry(seating.operatory_id).or_default().insert(seating.clinic_day);
    }
    for (operatory_id, used_on) in &clinic.facts.used_before {
        uses.entry(*operatory_id).or_default().insert(*used_on);
    }
    let routines: BTreeMap<Uuid, _> =
        clinic.routines.iter().filter_map(|versions| Some((versions.first()?.routine_id, versions))).collect();
    for done in clinic.facts.completions.iter().filter(|done| done.is_done()) {
        let day = clinic.hours.clinic_day_of(done.performed_at);
        let version = routines.get(&done.routine_id).and_then(|versions| in_force(versions, day));
        if version.is_some_and(|version| version.routine.counts_as_use) {
            uses.entry(done.subject_id).or_default().insert(day);
        }
    }
    uses
}

/// Which idle routines stand in for which routine: each is asked about on every day and for every subject.
pub(super) fn tiers(clinic: &Clinic) -> BTreeMap<Uuid, Vec<&[RoutineVersion]>> {
    let mut tiers: BTreeMap<Uuid, Vec<&[RoutineVersion]>> = BTreeMap::new();
    for versions in &clinic.routines {
        let families: BTreeSet<Uuid> = versions.iter().filter_map(family).map(|(family, _)| family).collect();
        for family in families {
            tiers.entry(family).or_default().push(versions);
        }
    }
    tiers
}

/// The routine that a version stands in for, and from how many unused days on.
fn family(version: &RoutineVersion) -> Option<(Uuid, u32)> {
    match version.routine.anchor {
        Anchor::Idle { unused_days, on: IdleOn::OpenDays, strengthens, .. } => {
            Some((strengthens.unwrap_or(version.routine_id), unused_days))
        }
        _ => None,
    }
}

impl Planner<'_> {
    /// How long the subject will not have been used on a day; `None` before it was there.
    pub(super) fn unused(&self, subject: &Subject, date: NaiveDate) -> Option<Unused> {
        let recorded = self.uses.get(&subject.id).and_then(|days| days.range(..date).next_back().copied());
        let commissioned = Some(subject.commissioned_on).filter(|day| *day < date);
        let recorded = recorded.max(commissioned);
        let expected = self.expected_use(subject, date, recorded);
        let last_used_on = recorded.max(expected)?;
        let days = u32::try_from((date - last_used_on).num_days() - 1).unwrap_or(0);
        Some(Unused { last_used_on, recorded: recorded == Some(last_used_on), days })
    }

    /// The last day from today on, before `date`, on which an operatory in service will have been used.
    fn expected_use(&self, subject: &Subject, date: NaiveDate, recorded: Option<NaiveDate>) -> Option<NaiveDate> {
        if subject.kind != SubjectKind::Operatory {
            return None;
        }
        let earliest = self.today.max(recorded.unwrap_or(self.today)).max(subject.commissioned_on);
        std::iter::successors(date.pred_opt(), NaiveDate::pred_opt).take_while(|day| *day >= earliest).find(|day| {
            let ends_at = self.days.day(*day).closes_at().or(self.posted(*day).started_at);
            ends_at.is_some_and(|at| subject.out_of_service_at(at).is_none())
        })
    }

    /// Of the idle routines that stand in for `strengthened` on a subject and a day, the one that wins.
    pub(super) fn winner(&self, strengthened: Uuid, subject: &Subject, date: NaiveDate) -> Option<Winner> {
        let tiers = self.tiers.get(&strengthened).filter(|_| self.is_open(date))?;
        let unused = self.unused(subject, date)?;
        let tiers = tiers.iter().filter_map(|versions| version_on(versions, date)).filter_map(|version| {
            let (family, unused_days) = family(version)?;
            let applies = family == strengthened
                && unused_days <= unused.days
                && version.routine.subject_kind == subject.kind
                && version.routine.selection.picks(subject);
            applies.then_some((unused_days, std::cmp::Reverse(version.routine_id)))
        });
        tiers.max().map(|(_, routine_id)| Winner { routine_id: routine_id.0, unused })
    }

    /// The occurrence of an idle routine on a subject and a day, if it wins there.
    pub(super) fn idle(
        &self,
        routine_id: Uuid,
        strengthens: Option<Uuid>,
        subject: &Subject,
        date: NaiveDate,
    ) -> Option<Occurrence> {
        let winner = self.winner(strengthens.unwrap_or(routine_id), subject, date)?;
        if winner.routine_id != routine_id {
            return None;
        }
        let before_first_patient = strengthens
            .and_then(|id| self.clinic.routines.iter().find(|v| v.first().is_some_and(|v| v.routine_id == id)))
            .and_then(|versions| version_on(versions, date))
            .is_some_and(|version| version.routine.anchor == Anchor::FirstPatient {});
        let moment = if before_first_patient { self.first_patient(subject, date) } else { self.opening(date) }?;
        let fact = unused_fact(winner.unused, strengthens);
        Some(self.occurrence(Slot::Idle, date, moment.at, fact, None))
    }

    /// The dates on which a subject has been idle for so long again and again, open days or not.
    pub(super) fn idle_dates(
        &self,
        subject: &Subject,
        unused_days: u32,
        place: Place,
        is_in_force: impl Fn(NaiveDate) -> bool,
    ) -> Vec<Occurrence> {
        let dates = self.from.iter_days().take_while(|date| *date <= self.to);
        let step = u64::from(unused_days) + 1;
        dates
            .filter(|date| is_in_force(*date))
            .filter_map(|date| {
                let unused = self.unused(subject, date)?;
                if !(u64::from(unused.days) + 1).is_multiple_of(step) {
                    return None;
                }
                let at = self.place_at(place, date);
                Some(self.occurrence(Slot::IdleDate(date), date, at, unused_fact(unused, None), None))
            })
            .collect()
    }
}

fn unused_fact(unused: Unused, instead_of: Option<Uuid>) -> Fact {
    let Unused { last_used_on, recorded, days } = unused;
    Fact::Unused { last_used_on, recorded, unused_days: days, instead_of }
}
