//! Rules that can be kept and still never do what they say, at the clinics as they are.
//!
//! The rule of this file: a warning is what the planner's own functions say of days to come, so that it can never
//! disagree with the plan; and the work is bounded, with a count of what was left out.

pub mod finding;

use std::collections::BTreeMap;

use chrono::{Days, NaiveDate};
use uuid::Uuid;

pub use self::finding::PlanFinding;
use super::landing::Landed;
use super::recurring::interval_dates;
use super::{Clinic, Planner, version_on};
use crate::domain::anchor::{Anchor, ClosedDayRule, Every};
use crate::domain::hours::Hours;
use crate::domain::period::Period;
use crate::domain::routine::{RoutineVersion, Selection};
use crate::domain::subject::Subject;

/// How many days are looked at, today included.
pub const LOOK_AHEAD_DAYS: u64 = 400;
/// Most warnings that are told of one clinic.
pub const MOST_WARNINGS: usize = 200;
/// Most dates that are looked at for one clinic: two hundred routines or subjects with work on every day.
const MOST_DATES: usize = 100_000;
/// How many dates of a kind are named.
const NAMED_DATES: usize = 3;

/// Something that a clinic's plan is warned about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlanWarning {
    /// The routine; `None`: the clinic itself.
    pub routine_id: Option<Uuid>,
    /// The subject, where it depends on one.
    pub subject_id: Option<Uuid>,
    /// What was found.
    pub finding: PlanFinding,
}

/// What was found, and how much was not.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Warnings {
    /// The warnings: the clinic's first, then routine by routine.
    pub warnings: Vec<PlanWarning>,
    /// Further ones.
    pub warnings_left_out: usize,
    /// Routines of which not every date was looked at.
    pub routines_left_out: usize,
}

impl Warnings {
    fn add(&mut self, routine_id: Option<Uuid>, subject_id: Option<Uuid>, finding: PlanFinding) {
        if self.warnings.len() < MOST_WARNINGS {
            self.warnings.push(PlanWarning { routine_id, subject_id, finding });
        } else {
            self.warnings_left_out += 1;
        }
    }
}

/// The first and the last day that are looked at.
#[must_use]
pub fn days_looked_at(today: NaiveDate) -> (NaiveDate, NaiveDate) {
    (today, today + Days::new(LOOK_AHEAD_DAYS - 1))
}

/// What a clinic's plan of the coming 400 days is warned about.
#[must_use]
pub fn of_clinic(clinic: &Clinic, clinic_id: Uuid, today: NaiveDate) -> Warnings {
    let unshut = Hours { closures: Vec::new(), ..clinic.hours.clone() };
    let (from, to) = days_looked_at(today);
    let planner = Planner::new(clinic, &unshut, from, to, today);
    let mut found = Warnings::default();
    let is_open = from.iter_days().take_while(|date| *date <= to).any(|date| planner.days.day(date).is_open());
    if !clinic.hours.are_set() {
        found.add(None, None, PlanFinding::NoHours {});
    } else if !is_open {
        found.add(None, None, PlanFinding::NeverOpen {});
    }
    // Where no day is open, each routine would only say so once more.
    let are_days_told_apart = clinic.hours.are_set() && is_open;
    let mut look = Look { planner: &planner, clinic_id, are_days_told_apart, dates_left: MOST_DATES, found };
    for versions in &clinic.routines {
        look.at_routine(versions);
    }
    look.found
}

/// Routines in use that select nothing in the whole group.
#[must_use]
pub fn of_group(routines: &[Vec<RoutineVersion>], subjects: &[Subject], today: NaiveDate) -> Warnings {
    let mut found = Warnings::default();
    let selects = |version: &RoutineVersion| {
        let routine = &version.routine;
        subjects.iter().any(|s| s.kind == routine.subject_kind && routine.selection.picks(s))
    };
    for versions in routines {
        let planning = that_plan(versions, days_looked_at(today));
        if let Some(version) = planning.first()
            && !planning.iter().any(|version| selects(version))
        {
            found.add(Some(version.routine_id), None, PlanFinding::SelectsNothing {});
        }
    }
    found
}

/// The versions that plan some day of a span.
fn that_plan(versions: &[RoutineVersion], (from, to): (NaiveDate, NaiveDate)) -> Vec<&RoutineVersion> {
    let dates = from.iter_days().take_while(|date| *date <= to);
    let by_number: BTreeMap<i32, _> =
        dates.filter_map(|date| version_on(versions, date)).map(|v| (v.version, v)).collect();
    by_number.into_values().collect()
}

/// Whether a routine is meant for a clinic, as far as its selection names clinics or subjects.
fn is_meant_for(selection: &Selection, clinic_id: Uuid) -> bool {
    selection.subject_ids.is_none() && selection.clinic_ids.as_ref().is_none_or(|ids| ids.contains(&clinic_id))
}

/// A look at one clinic.
struct Look<'l, 'c> {
    planner: &'l Planner<'c>,
    clinic_id: Uuid,
    are_days_told_apart: bool,
    dates_left: usize,
    found: Warnings,
}

/// A date with the rule for closed days that goes with it.
type Dated = (NaiveDate, ClosedDayRule);

impl Look<'_, '_> {
    fn at_routine(&mut self, versions: &[RoutineVersion]) {
        let planner = self.planner;
        let mut planning = that_plan(versions, (planner.from, planner.to));
        let Some(routine_id) = planning.first().map(|version| version.routine_id) else { return };
        let is_meant = planning.iter().any(|version| is_meant_for(&version.routine.selection, self.clinic_id));
        planning.retain(|version| !planner.subjects(version).is_empty());
        if planning.is_empty() {
            if is_meant {
                self.found.add(Some(routine_id), None, PlanFinding::SelectsNothingHere {});
            }
            return;
        }
        self.at_what_it_follows(&planning);
        if self.are_days_told_apart {
            self.at_dates(versions, &planning);
            self.at_periods(versions, &planning);
            self.at_opening_hours(&planning);
        }
    }

    /// The dates of its rules, and of its intervals on each subject.
    fn at_dates(&mut self, versions: &[RoutineVersion], planning: &[&RoutineVersion]) {
        let Some(routine_id) = planning.first().map(|version| version.routine_id) else { return };
        let has_dates = |v: &&RoutineVersion| {
            matches!(v.routine.anchor, Anchor::Calendar { .. } | Anchor::Interval { every: Every::Days(_), .. })
        };
        if self.dates_left == 0 {
            self.found.routines_left_out += usize::from(planning.iter().any(has_dates));
            return;
        }
        let planner = self.planner;
        let span = planner.nominal_span();
        let mut dates: BTreeMap<Option<Uuid>, Vec<Dated>> = BTreeMap::new();
        for version in planning {
            let is_in_force =
                |date: &NaiveDate| version_on(versions, *date).is_some_and(|v| v.version == version.version);
            match &version.routine.anchor {
                Anchor::Calendar { dates: rule, closed_day, .. } => {
                    let of_rule = rule.dates_between(span.0, span.1).unwrap_or_default();
                    let of_rule = of_rule.into_iter().filter(is_in_force).map(|date| (date, *closed_day));
                    dates.entry(None).or_default().extend(of_rule);
                }
                Anchor::Interval { every: Every::Days(days), closed_day: Some(closed_day), .. } => {
                    let first_on = planner.first_day(versions);
                    for subject in planner.subjects(version) {
                        let last_done = planner.last_done(version, subject);
                        let counted_from = planner.counted_from(last_done, subject.commissioned_on.max(first_on));
                        let of_subject = interval_dates(counted_from, last_done.is_some(), *days, span)
                            .map(|(_, date)| date)
                            .filter(is_in_force)
                            .map(|date| (date, *closed_day));
                        dates.entry(Some(subject.id)).or_default().extend(of_subject);
                    }
                }
                _ => {}
            }
        }
        for (subject_id, dates) in dates {
            if dates.len() > self.dates_left {
                self.found.routines_left_out += 1;
                self.dates_left = 0;
                return;
            }
            self.dates_left -= dates.len();
            for finding in landing_findings(planner, &dates) {
                self.found.add(Some(routine_id), subject_id, finding);
            }
        }
    }

    fn at_periods(&mut self, versions: &[RoutineVersion], planning: &[&RoutineVersion]) {
        let planner = self.planner;
        let (mut periods, mut closed, mut first) = (0, 0, None);
        for version in planning {
            let Anchor::Period { each, .. } = version.routine.anchor else { continue };
            let decides = |period: &Period| {
                let in_force = version_on(versions, period.last_on());
                period.last_on() <= planner.to && in_force.is_some_and(|v| v.version == version.version)
            };
            for period in Period::overlapping(each, planner.from, planner.to).filter(decides) {
                periods += 1;
                if planner.last_open_day_from(period, period.first_on()).is_none() {
                    closed += 1;
                    first.get_or_insert((version.routine_id, period));
                }
            }
        }
        if let Some((routine_id, period)) = first {
            let finding = PlanFinding::PeriodsClosed { closed, periods, first: period.to_string() };
            self.found.add(Some(routine_id), None, finding);
        }
    }

    /// Whether the opening time of the days that are looked at reaches the interval.
    fn at_opening_hours(&mut self, planning: &[&RoutineVersion]) {
        let planner = self.planner;
        for version in planning {
            let Anchor::Interval { every: Every::OpeningHours(hours), .. } = version.routine.anchor else { continue };
            let from = planner.hour(planner.from, 0);
            if planner.days.after_opening_time(from, hours * 60, planner.to).is_none() {
                let finding = PlanFinding::HoursNotReached { opening_hours: hours, within_days: LOOK_AHEAD_DAYS };
                self.found.add(Some(version.routine_id), None, finding);
            }
        }
    }

    fn at_what_it_follows(&mut self, planning: &[&RoutineVersion]) {
        let planner = self.planner;
        for version in planning {
            let Anchor::Follows { routine_id, .. } = version.routine.anchor else { continue };
            let followed =
                planner.clinic.routines.iter().find(|v| v.first().is_some_and(|v| v.routine_id == routine_id));
            let subjects = planner.subjects(version);
            let meets = |other: &RoutineVersion| planner.subjects(other).iter().any(|s| subjects.contains(s));
            let others = followed.map(|versions| that_plan(versions, (planner.from, planner.to))).unwrap_or_default();
            if !others.into_iter().any(meets) {
                self.found.add(Some(version.routine_id), None, PlanFinding::NothingToFollow { routine_id });
            }
        }
    }
}

/// What happens to dates on closed days.
fn landing_findings(planner: &Planner<'_>, dates: &[Dated]) -> Vec<PlanFinding> {
    let landed = dates.iter().filter_map(|(date, rule)| Some((*date, planner.land(*date, *rule)?)));
    let landed: Vec<(NaiveDate, Landed)> = landed.collect();
    let mut findings = Vec::new();

    let coming: Vec<_> = landed.iter().filter(|(date, _)| planner.holds(*date)).collect();
    let is_closed = |landed: &Landed| landed.moved.is_some() || landed.not_required.is_some();
    if !coming.is_empty() && coming.iter().all(|(_, landed)| is_closed(landed)) {
        findings.push(PlanFinding::EveryDateClosed {
            dates: number(coming.len()),
            moved: number(coming.iter().filter(|(_, landed)| landed.moved.is_some()).count()),
            first_dates: coming.iter().map(|(date, _)| *date).take(NAMED_DATES).collect(),
        });
    }

    let mut days: BTreeMap<NaiveDate, usize> = BTreeMap::new();
    for (_, landed) in landed.iter().filter(|(_, landed)| landed.not_required.is_none() && planner.holds(landed.on)) {
        *days.entry(landed.on).or_default() += 1;
    }
    days.retain(|_, dates| *dates > 1);
    if let Some((first_on, dates)) = days.first_key_value() {
        let (days, dates_on_first) = (number(days.len()), number(*dates));
        findings.push(PlanFinding::DatesMeet { days, first_on: *first_on, dates_on_first });
    }
    findings
}

fn number(count: usize) -> u32 {
    u32::try_from(count).unwrap_or(u32::MAX)
}

#[cfg(test)]
mod tests;
