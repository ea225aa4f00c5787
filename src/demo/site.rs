//! A clinic as those who work there know it: its hours, its usable chairs, its clients.
//!
//! The rule of this file: what is known here is what the seed says, as the sign on a door or a note on a wall would;
//! the service is never asked.

use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use serde_json::json;
use uuid::Uuid;

use super::agenda::{self, Happening, Oddities};
use super::client::Client;
use super::configure::ClinicDates;
use super::dice::Dice;
use super::seed::{ClinicSeed, date_from};
use super::stock::OnShelf;
use super::story::{Occasion, Story};
use crate::domain::hours::Hours;
use crate::domain::zone;

/// A clinic with its clients.
#[derive(Debug)]
pub(super) struct Site<'a> {
    /// What the files say about it.
    pub seed: &'a ClinicSeed,
    /// When it is open.
    pub hours: Hours,
    /// The lots that stand there, over the whole history.
    pub shelf: Vec<OnShelf>,
    /// The dates of the history.
    pub dates: ClinicDates,
    /// The front desk.
    pub desk: Client,
    /// The tablets.
    pub tablets: Client,
}

impl Site<'_> {
    /// Every date of the history.
    pub(super) fn days(&self) -> impl Iterator<Item = NaiveDate> + use<> {
        let ClinicDates { first_day, today } = self.dates;
        first_day.iter_days().take_while(move |date| *date <= today)
    }

    /// The instant a date begins at.
    #[must_use]
    pub(super) fn midnight(&self, date: NaiveDate) -> DateTime<Utc> {
        zone::resolve(&self.hours.zone, date.and_time(NaiveTime::MIN))
    }

    /// What people here do on a date, whatever the service answers.
    #[must_use]
    pub(super) fn agenda(&self, story: &Story, date: NaiveDate, dice: &mut Dice) -> Vec<(DateTime<Utc>, Happening)> {
        let sterilisers: Vec<Uuid> =
            self.seed.equipment.iter().filter(|e| e.is_steriliser()).map(|e| e.equipment_id).collect();
        let odd = self.oddities(story, date);
        agenda::day(&self.hours.day(date), &self.chairs(story, date), &sterilisers, &odd, dice)
    }

    /// Operatories that go out of service, and when.
    pub(super) fn taken_out<'s>(&'s self, story: &'s Story) -> impl Iterator<Item = (DateTime<Utc>, Uuid)> + 's {
        story.taken_out_of_service.iter().filter(|t| self.seed.has_operatory(t.subject_id)).map(|taken| {
            // The clock never goes back: what went out before the history begins is out from its first day on.
            let date = date_from(self.dates.today, taken.from_days).max(self.dates.first_day);
            (self.midnight(date) + TimeDelta::minutes(1), taken.subject_id)
        })
    }

    /// What happened here within the history besides the daily work, and when: at eleven on its day.
    pub(super) fn site_events<'s>(
        &'s self,
        story: &'s Story,
    ) -> impl Iterator<Item = (DateTime<Utc>, &'s Occasion)> + 's {
        let here = story.site_events.iter().filter(|e| e.clinic_id == self.seed.clinic_id);
        let dated = here.map(|occasion| (date_from(self.dates.today, occasion.from_days), occasion));
        dated
            .filter(|(date, _)| *date >= self.dates.first_day)
            .map(|(date, occasion)| (self.midnight(date) + TimeDelta::hours(11), occasion))
    }

    /// The instant, or the same time on the next day the clinic is open.
    #[must_use]
    pub(super) fn while_open(&self, at: DateTime<Utc>) -> DateTime<Utc> {
        (0..14)
            .map(|days| at + TimeDelta::days(days))
            .find(|at| self.hours.day(zone::local(&self.hours.zone, *at).date()).is_open())
            .unwrap_or(at)
    }

    /// The operatories that are used on a date.
    fn chairs(&self, story: &Story, date: NaiveDate) -> Vec<Uuid> {
        let taken = |id: Uuid| story.taken_out_of_service.iter().find(|t| t.subject_id == id);
        let used = self.seed.operatories.iter().filter(|o| match taken(o.operatory_id) {
            Some(taken) => date < date_from(self.dates.today, taken.from_days),
            None => o.rest.get("service").and_then(|s| s.get("state")) == Some(&json!("in_service")),
        });
        used.map(|o| o.operatory_id).collect()
    }

    /// Whether a chair's tablet is without a network at an instant, or is left lying.
    #[must_use]
    pub(super) fn is_offline(&self, story: &Story, chair: Uuid, at: DateTime<Utc>) -> bool {
        let day = self.hours.day(self.hours.clinic_day_of(at));
        let odd = self.oddities(story, day.date);
        match (odd.offline, day.opens_at()) {
            (Some((id, minutes)), Some(opens_at)) => id == chair && at < opens_at + TimeDelta::minutes(minutes),
            _ => false,
        }
    }

    /// Whether what was done on a day without the tablet is ticked off at once.
    #[must_use]
    pub(super) fn is_ticked_at_once(&self, story: &Story, date: NaiveDate) -> bool {
        let here = story.offline_tablets.iter().filter(|o| o.clinic_id == self.seed.clinic_id && o.ticked_at_once);
        here.into_iter().any(|o| self.first_open(o.from_days) == Some(date))
    }

    fn oddities(&self, story: &Story, date: NaiveDate) -> Oddities {
        let here = self.seed.clinic_id;
        let is_day = |from_days| self.first_open(from_days) == Some(date);
        Oddities {
            start_forgotten: story.forgotten_day_starts.iter().any(|f| f.clinic_id == here && is_day(f.from_days)),
            offline: story
                .offline_tablets
                .iter()
                .find(|o| o.clinic_id == here && is_day(o.from_days))
                .map(|o| (o.operatory_id, o.minutes)),
        }
    }

    /// The first open day before today, counted from so many days from it.
    fn first_open(&self, from_days: i64) -> Option<NaiveDate> {
        let from = date_from(self.dates.today, from_days);
        from.iter_days().take_while(|date| *date < self.dates.today).find(|date| self.hours.day(*date).is_open())
    }
}

#[cfg(test)]
mod tests {
    use std::net::SocketAddr;
    use std::path::Path;

    use super::super::seed::Seed;
    use super::*;

    /// Nothing is asked of a service here.
    fn site<'s>(seed: &'s Seed, clinic: &'s ClinicSeed, until: DateTime<Utc>) -> Site<'s> {
        let today = clinic.date_at(until).expect("a zone");
        let nobody = Client::new(SocketAddr::from(([127, 0, 0, 1], 1)), String::new());
        let dates = ClinicDates { first_day: date_from(today, -10), today };
        Site {
            seed: clinic,
            hours: clinic.hours(today).expect("a zone"),
            shelf: seed.stock.shelf(clinic, dates).expect("a zone"),
            dates,
            desk: nobody.clone(),
            tablets: nobody,
        }
    }

    #[test]
    fn the_failed_water_test_waits_for_its_retest_at_every_hour_of_the_week_the_demo_is_loaded() {
        let seed = Seed::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("seed-demo")).expect("the files");
        let over = seed.story.over_limit.first().expect("a test that fails");
        let clinic = seed.clinics.iter().find(|c| c.has_operatory(over.subject_id)).expect("its clinic");
        let worked = seed.story.worked.iter().find(|w| w.subject_id == over.subject_id).expect("its steps");
        let after_hours = seed.story.results_follow.iter().find(|r| r.routine_id == over.routine_id);
        let starts_days = seed.routines.iter().find(|r| r.routine_id == over.routine_id).and_then(|r| r.starts_days);
        let monday: NaiveDate = "2026-11-23".parse().expect("a date");
        for hour in 0..7 * 24 {
            let until = monday.and_time(NaiveTime::MIN).and_utc() + TimeDelta::hours(hour);
            let site = site(&seed, clinic, until);
            let day = site.first_open(starts_days.expect("counted from the load")).expect("an open day");
            assert!(day >= site.dates.first_day, "ten days of history hold it, at {until}");
            // Taken up at the opening round, and never late.
            let sampled_at = site.hours.day(day).opens_at().expect("open") + TimeDelta::hours(1);
            let read_at = site.while_open(sampled_at + TimeDelta::hours(after_hours.expect("read later").after_hours));
            let last = worked.steps.last().expect("a step").after_minutes;
            let done_at = site.while_open(read_at + TimeDelta::minutes(last));
            assert!(done_at < until, "sampled on {day}, worked until {done_at}, at {until}");
        }
    }

    #[test]
    fn each_chair_has_an_open_lot_within_its_life_on_every_evening_of_the_longest_history() {
        let seed = Seed::read(&Path::new(env!("CARGO_MANIFEST_DIR")).join("seed-demo")).expect("the files");
        let products: Vec<Uuid> = seed.stock.products.iter().map(|p| p.product_id).collect();
        let until: DateTime<Utc> = "2026-11-26T23:00:00Z".parse().expect("an instant");
        for clinic in &seed.clinics {
            let site = site(&seed, clinic, until);
            for (back, chair) in (0..=56).flat_map(|n| clinic.operatories.iter().map(move |o| (n, o.operatory_id))) {
                let evening = site.midnight(date_from(site.dates.today, -back)) + TimeDelta::hours(18);
                let lot = super::super::stock::open_lot(&site.shelf, chair, &products, evening);
                let lot = seed.stock.lots.iter().find(|l| Some(l.lot_id) == lot).expect("an open lot");
                // 42 days after opening: the invented product's own figure.
                assert!(-back - lot.opened_days < 42 && -back <= lot.expires_days, "{} at -{back}", lot.lot_number);
            }
        }
    }
}
