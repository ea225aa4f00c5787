//! Which day of its period a subject's work is planned for, so that no day of a clinic is much heavier than another.
//!
//! The rule of this file: a chosen day is a function of the configuration alone, and of no day's work but the clinic's
//! own. Each item keeps an order of days of its own, by hash, and moves on only where a day is full, and what is then
//! still uneven is evened out by single moves: so when a chair comes or goes, few others move. This is consistent hashing with bounded loads (Mirrokni, Thorup, Zadimoghaddam:
//! "Consistent Hashing with Bounded Loads", 2016, read in outline), with the level of the load as the bound.

use std::cell::RefCell;
use std::cmp::Reverse;
use std::collections::{BTreeMap, BTreeSet};
use std::rc::Rc;

use chrono::NaiveDate;
use sha2::{Digest, Sha256};
use uuid::Uuid;

use super::{Planner, version_on};
use crate::domain::anchor::Anchor;
use crate::domain::period::{Period, PeriodLength};

/// The chosen day of each routine and subject.
type Chosen = BTreeMap<(Uuid, Uuid), Placed>;

#[derive(Clone, Copy)]
struct Placed {
    day: NaiveDate,
    minutes: u64,
}

/// What was worked out already.
#[derive(Default)]
pub(super) struct Levelling {
    chosen: RefCell<BTreeMap<Period, Rc<Chosen>>>,
    standing: RefCell<BTreeMap<NaiveDate, u64>>,
}

/// One piece of work to be placed.
struct Item {
    routine_id: Uuid,
    subject_id: Uuid,
    minutes: u64,
    candidates: Vec<NaiveDate>,
}

impl Planner<'_> {
    /// The day that levelling chooses for a routine and a subject in a period.
    pub(super) fn chosen_day(&self, period: Period, routine_id: Uuid, subject_id: Uuid) -> Option<NaiveDate> {
        self.level(period).get(&(routine_id, subject_id)).map(|placed| placed.day)
    }

    fn level(&self, period: Period) -> Rc<Chosen> {
        if let Some(known) = self.levelling.chosen.borrow().get(&period) {
            return Rc::clone(known);
        }
        let mut items = self.items(period);
        let days: BTreeSet<NaiveDate> = items.iter().flat_map(|item| &item.candidates).copied().collect();
        self.weigh(period);
        let mut loads: BTreeMap<NaiveDate, u64> =
            days.into_iter().map(|day| (day, self.load_below(period.length(), day))).collect();
        let level = level_of(loads.values().copied(), items.iter().map(|item| item.minutes).sum());
        items.sort_by_cached_key(|item| (Reverse(item.minutes), item.rank(period, None)));
        let mut chosen = Chosen::new();
        for item in &items {
            let mut days = item.candidates.clone();
            days.sort_by_cached_key(|day| item.rank(period, Some(*day)));
            let fits = |day: &&NaiveDate| 2 * loads[*day] + item.minutes <= 2 * level;
            let day = days.iter().find(fits).or_else(|| days.iter().min_by_key(|day| loads[*day])).copied();
            let Some(day) = day else { continue };
            *loads.entry(day).or_default() += item.minutes;
            chosen.insert((item.routine_id, item.subject_id), Placed { day, minutes: item.minutes });
        }
        even_out(period, &items, &mut chosen, &mut loads);
        let chosen = Rc::new(chosen);
        self.levelling.chosen.borrow_mut().insert(period, Rc::clone(&chosen));
        chosen
    }

    fn items(&self, period: Period) -> Vec<Item> {
        let last_on = period.last_on();
        let open: Vec<NaiveDate> = period.dates().filter(|day| self.days.day(*day).is_open()).collect();
        let mut items = Vec::new();
        for version in self.clinic.routines.iter().filter_map(|versions| version_on(versions, last_on)) {
            if version.routine.anchor != (Anchor::Period { each: period.length(), spread: true }) {
                continue;
            }
            for subject in self.subjects(version) {
                let there: Vec<_> = open.iter().copied().filter(|day| *day >= subject.commissioned_on).collect();
                let mut candidates: Vec<_> =
                    there.iter().copied().filter(|day| !self.clinic.full_days.contains(day)).collect();
                if candidates.is_empty() {
                    candidates = there;
                }
                if !candidates.is_empty() {
                    let minutes = version.routine.rough_minutes.into();
                    items.push(Item { routine_id: version.routine_id, subject_id: subject.id, minutes, candidates });
                }
            }
        }
        items
    }

    /// What stands on a day before the periods of this length are levelled.
    fn load_below(&self, length: PeriodLength, day: NaiveDate) -> u64 {
        let standing = self.levelling.standing.borrow().get(&day).copied().unwrap_or(0);
        let longer = PeriodLength::LONGEST_FIRST.into_iter().take_while(|longer| *longer != length);
        let placed: u64 = longer
            .map(|longer| {
                let chosen = self.level(Period::holding(longer, day));
                chosen.values().filter(|placed| placed.day == day).map(|placed| placed.minutes).sum::<u64>()
            })
            .sum();
        standing + placed
    }

    /// Weighs what configuration alone puts on the days of a period.
    fn weigh(&self, period: Period) {
        let (first, last) = (period.first_on(), period.last_on());
        let mut loads: BTreeMap<NaiveDate, u64> = BTreeMap::new();
        for versions in &self.clinic.routines {
            for date in period.dates() {
                let Some(version) = version_on(versions, date) else { continue };
                let day = self.days.day(date);
                let times = match &version.routine.anchor {
                    Anchor::Opening {} | Anchor::Closing {} | Anchor::FirstPatient {} => u64::from(day.is_open()),
                    Anchor::SessionEnd {} => day.sessions.len() as u64,
                    _ => continue,
                };
                let there = self.subjects(version).iter().filter(|s| s.commissioned_on <= date).count() as u64;
                *loads.entry(date).or_default() += times * there * u64::from(version.routine.rough_minutes);
            }
            for version in versions {
                let is_in_force = |date| version_on(versions, date).is_some_and(|v| v.version == version.version);
                let minutes = u64::from(version.routine.rough_minutes);
                match &version.routine.anchor {
                    Anchor::Calendar { dates, closed_day, .. } => {
                        let beyond = chrono::Days::new(super::LONGEST_MOVE_DAYS);
                        let nominal = dates.dates_between(first - beyond, last + beyond).unwrap_or_default();
                        for date in nominal.into_iter().filter(|date| is_in_force(*date)) {
                            let is_open = |day| self.days.day(day).is_open();
                            let Some(landed) = self.land_where(date, *closed_day, is_open) else { continue };
                            if landed.not_required.is_some() || !(first..=last).contains(&landed.on) {
                                continue;
                            }
                            let there =
                                self.subjects(version).iter().filter(|s| s.commissioned_on <= landed.on).count();
                            *loads.entry(landed.on).or_default() += minutes * there as u64;
                        }
                    }
                    Anchor::Period { each, spread: false } => {
                        for other in Period::overlapping(*each, first, last).filter(|p| is_in_force(p.last_on())) {
                            for subject in self.subjects(version) {
                                if let Some(day) = self.last_open_day(other, subject)
                                    && (first..=last).contains(&day)
                                {
                                    *loads.entry(day).or_default() += minutes;
                                }
                            }
                        }
                    }
                    _ => {}
                }
            }
        }
        let mut standing = self.levelling.standing.borrow_mut();
        for date in period.dates() {
            standing.insert(date, loads.get(&date).copied().unwrap_or(0));
        }
    }
}

impl Item {
    /// Where the item stands among equal ones, or a day in its order of days.
    fn rank(&self, period: Period, day: Option<NaiveDate>) -> u64 {
        let text = match day {
            None => format!("{}/{}/{period}", self.routine_id, self.subject_id),
            Some(day) => format!("{}/{}/{period}/{day}", self.routine_id, self.subject_id),
        };
        let digest = Sha256::digest(text);
        u64::from_be_bytes(digest[..8].try_into().expect("eight bytes of thirty-two"))
    }
}

/// Moves items one at a time to a day of theirs where they make the load more even, the best move first, until there
/// is none.
fn even_out(period: Period, items: &[Item], chosen: &mut Chosen, loads: &mut BTreeMap<NaiveDate, u64>) {
    loop {
        let mut best: Option<(u64, Reverse<u64>, &Item, NaiveDate)> = None;
        for item in items {
            let Some(placed) = chosen.get(&(item.routine_id, item.subject_id)) else { continue };
            for day in item.candidates.iter().copied().filter(|day| loads[day] + item.minutes < loads[&placed.day]) {
                // What the move takes off the sum of squares, halved.
                let gain = item.minutes * (loads[&placed.day] - loads[&day] - item.minutes);
                if best.is_some_and(|(most, ..)| gain < most) {
                    continue;
                }
                let rank = Reverse(item.rank(period, Some(day)));
                if best.is_none_or(|(most, least, ..)| (gain, rank) > (most, least)) {
                    best = Some((gain, rank, item, day));
                }
            }
        }
        let Some((_, _, item, day)) = best else { return };
        let Some(placed) = chosen.get_mut(&(item.routine_id, item.subject_id)) else { return };
        *loads.entry(placed.day).or_default() -= item.minutes;
        *loads.entry(day).or_default() += item.minutes;
        placed.day = day;
    }
}

/// The smallest whole level up to which `minutes` fill days that carry `loads` already.
fn level_of(loads: impl Iterator<Item = u64>, minutes: u64) -> u64 {
    if minutes == 0 {
        return 0;
    }
    let mut loads: Vec<u64> = loads.collect();
    loads.sort_unstable();
    let mut filled: u64 = 0;
    for (n, load) in (1..).zip(&loads) {
        filled += load;
        let level = (minutes + filled).div_ceil(n);
        if loads.get(usize::try_from(n).unwrap_or(usize::MAX)).is_none_or(|next| level <= *next) {
            return level;
        }
    }
    0
}

#[cfg(test)]
mod tests;
