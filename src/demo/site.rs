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
