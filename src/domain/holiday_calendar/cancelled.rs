//! What a cancelled event takes back.
//!
//! The rule of this file: **only what stands under an id made of the event's own UID goes**, and only where it touches
//! the days of interest. Nothing goes because a date is like another, and nothing because the file keeps quiet.

use chrono::{Days, NaiveDate};
use uuid::Uuid;

use super::event::{Event, Replaces, known_on};
use super::series::{self, Occasion, Occurrence};
use super::value::{Clock, Moment};
use super::{Closure, HolidayClosure, Novelty, Reader, closure_id};

impl Reader<'_> {
    /// Takes back all that was imported of a cancelled event or series, moved occurrences too.
    ///
    /// A cancelled series may have lost its rule; then its occurrences are sought on the dates that are closed.
    pub(super) fn take_back_series(&mut self, uid: &str, event: &Event, overrides: &[Event]) {
        let would_be = event.called_off.as_ref().and_then(|timing| self.series(timing).ok()).unwrap_or_default();
        let mut occasions = vec![Occasion::Only];
        for event in overrides {
            if let Replaces::Occurrence(moment) = &event.replaces {
                occasions.push(series::occasion_of(moment, &would_be).0);
            }
        }
        occasions.extend(would_be.into_iter().map(|occurrence| occurrence.occasion));
        let closed_on = self.standing_of_interest().map(|(_, closure)| closure.from.date());
        occasions.extend(closed_on.flat_map(around).map(|date| Occasion::On(date, 0)));
        occasions.sort_unstable();
        occasions.dedup();
        if self.budget.spend(i64::try_from(occasions.len()).unwrap_or(i64::MAX)).is_err() {
            self.skip(
                event,
                "this file takes too long to work out, so nothing of it was taken back; send fewer events",
            );
            return;
        }
        for occasion in occasions {
            self.take_back(uid, occasion);
        }
    }

    /// Takes back what was imported of one cancelled occurrence.
    pub(super) fn take_back_occurrence(&mut self, uid: &str, replaced: &Moment, series: &[Occurrence]) {
        // An instant in UTC does not say on which date of its own clock the occurrence was meant. Where its series is
        // not in the file, the closure that begins at that instant is the one.
        if series.is_empty() && replaced.clock == Clock::Utc {
            let begins = replaced.stamp().in_clinic(self.scope.zone);
            for date in around(known_on(replaced)) {
                let occasion = Occasion::On(date, 0);
                let standing = self.scope.standing.get(&closure_id(self.scope.clinic_id, uid, occasion));
                if standing.is_some_and(|closure| closure.from == begins) {
                    self.take_back(uid, occasion);
                }
            }
        } else {
            self.take_back(uid, series::occasion_of(replaced, series).0);
        }
    }

    fn take_back(&mut self, uid: &str, occasion: Occasion) {
        let closure_id = closure_id(self.scope.clinic_id, uid, occasion);
        let standing = self.scope.standing.get(&closure_id);
        if let Some(closure) = standing.filter(|closure| self.is_of_interest(closure.from, closure.until)) {
            let gone = HolidayClosure { closure_id, closure: closure.clone(), novelty: Novelty::Cancelled };
            self.found.entry(closure_id).or_insert(gone);
        }
    }

    /// What was imported once and is neither asked for nor taken back.
    pub(super) fn left_alone(&self) -> Vec<(Uuid, Closure)> {
        let is_ours = |id: &Uuid| id.get_version_num() == 8 && !self.found.contains_key(id);
        let mut left: Vec<_> = self.standing_of_interest().filter(|(id, _)| is_ours(id)).collect();
        left.sort_by_key(|(id, closure)| (closure.from, closure.until, *id));
        left.into_iter().map(|(id, closure)| (id, closure.clone())).collect()
    }

    fn standing_of_interest(&self) -> impl Iterator<Item = (Uuid, &Closure)> {
        let standing = self.scope.standing.iter().map(|(id, closure)| (*id, closure));
        standing.filter(|(_, closure)| self.is_of_interest(closure.from, closure.until))
    }
}

/// A date and its neighbours: the event's clocks and the clinic's may show different ones.
fn around(date: NaiveDate) -> impl Iterator<Item = NaiveDate> {
    [date.checked_sub_days(Days::new(1)), Some(date), date.checked_add_days(Days::new(1))].into_iter().flatten()
}
