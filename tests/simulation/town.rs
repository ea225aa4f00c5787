//! A group of clinics whose people live from a seed.
//!
//! The rule of this file: it speaks HTTP only, and never asks whether what it does is sensible: doors are opened on
//! closed days, patients leave chairs they never sat on, hours change in the middle of a session.

use chrono::TimeDelta;
use serde_json::{Value, json};
use uuid::Uuid;

use super::edits::Edits;
use super::routines::{ROUTINES, routines};
use super::tablets::Tablet;
use super::tally::Tally;
use crate::support::app::{App, Client};
use crate::support::chance::Chance;
use crate::support::{id, scenario};

/// Zones picked for awkwardness: midnight changes, half-hour changes, no daylight time, changed laws, the date line.
pub(super) const ZONES: [&str; 20] = [
    "America/New_York",
    "Australia/Lord_Howe",
    "Africa/Cairo",
    "America/Vancouver",
    "Africa/Casablanca",
    "Asia/Kathmandu",
    "America/Santiago",
    "Pacific/Chatham",
    "Pacific/Kiritimati",
    "Europe/London",
    "America/Nuuk",
    "Asia/Beirut",
    "America/Havana",
    "America/Winnipeg",
    "America/St_Johns",
    "Pacific/Apia",
    "Asia/Tehran",
    "Europe/Dublin",
    "Pacific/Pago_Pago",
    "America/Edmonton",
];

/// Of every ten clinics, which one is founded without hours.
const FOUNDED_WITHOUT_HOURS: u32 = 2;
/// How long a clinic without hours stays so, at most: longer than opening time is counted ahead (120 days).
const LONGEST_WITHOUT_HOURS_DAYS: i64 = 150;

/// One clinic and what stands in it now.
pub(super) struct Site {
    pub(super) clinic_id: Uuid,
    pub(super) name: String,
    pub(super) chairs: Vec<Uuid>,
    pub(super) sterilisers: Vec<Uuid>,
    pub(super) out_of_service: Vec<Uuid>,
    pub(super) closures: Vec<Uuid>,
    pub(super) events: Vec<Uuid>,
    /// The water advisory that stands.
    pub(super) advisory: Option<Uuid>,
    pub(super) has_hours: bool,
    pub(super) tablets: Vec<Tablet>,
}

/// Who says that a water advisory was lifted, and their PIN.
pub(super) const LEAD: u32 = 90_000;
pub(super) const PIN: &str = "80146";

/// The group.
pub(super) struct Town<'a> {
    pub(super) app: &'a App,
    pub(super) admin: Client<'a>,
    pub(super) desk: Client<'a>,
    pub(super) tablet: Client<'a>,
    pub(super) sites: Vec<Site>,
    pub(super) tally: Tally,
    edits: Edits,
    next_id: u32,
    /// From when on clinics that were founded without hours get them.
    hours_from: chrono::DateTime<chrono::Utc>,
}

impl<'a> Town<'a> {
    /// The group with its clinics, for a run of so many days.
    pub(super) async fn build(app: &'a App, clinics: u32, days: i64, chance: &mut Chance) -> Self {
        let admin = app.group(id(1)).await;
        let reach = json!({ "kind": "group" });
        let desk = admin.key("front_desk", reach.clone()).await;
        let tablet = admin.key("chairside", reach).await;
        let hours_from = app.clock.now() + TimeDelta::days((days / 4).min(LONGEST_WITHOUT_HOURS_DAYS));
        let (tally, edits) = Default::default();
        let mut town =
            Self { app, admin, desk, tablet, sites: Vec::new(), tally, edits, next_id: 1_000_000, hours_from };
        for (n, content) in (0..).zip(routines()) {
            let body = json!({ "effective_on": "2026-01-01", "routine": content });
            town.admin.put(&format!("/v1/routines/{}", id(ROUTINES + n)), body).await.expect(201);
        }
        let lead = json!({ "name": "Mara Oduya", "initials": "MO", "role": "group_lead", "active_from": "2024-01-01" });
        town.put(&format!("/v1/staff/{}", id(LEAD)), lead).await;
        town.put(&format!("/v1/staff/{}/pin", id(LEAD)), json!({ "pin": PIN })).await;
        for n in 0..clinics {
            let site = town.found(n, chance).await;
            town.sites.push(site);
        }
        town
    }

    pub(super) fn fresh(&mut self) -> Uuid {
        self.next_id += 1;
        id(self.next_id)
    }

    async fn found(&mut self, n: u32, chance: &mut Chance) -> Site {
        let (clinic_id, name) = (id(100 + n), format!("Clinic {n}"));
        let zone = ZONES[n as usize % ZONES.len()];
        self.put(&format!("/v1/clinics/{clinic_id}"), json!({ "name": name, "zone": zone })).await;
        let has_hours = n % 10 != FOUNDED_WITHOUT_HOURS;
        if has_hours {
            self.put(&format!("/v1/clinics/{clinic_id}/hours"), json!({ "week": week(chance) })).await;
        }
        let chairs: Vec<Uuid> = (0..3).map(|chair| id(10_000 + n * 10 + chair)).collect();
        for chair in &chairs {
            self.put(&format!("/v1/operatories/{chair}"), operatory(clinic_id, *chair, true)).await;
        }
        let (steriliser, outlet) = (id(20_000 + n), id(30_000 + n));
        for (machine, kind) in [(steriliser, "steriliser"), (outlet, "premises_outlet")] {
            self.put(&format!("/v1/equipment/{machine}"), equipment(clinic_id, kind)).await;
        }
        let sterilisers = vec![steriliser];
        let (closures, events, out_of_service, advisory) = Default::default();
        let tablets = (0..3).map(|_| Tablet::default()).collect();
        Site { clinic_id, name, chairs, sterilisers, out_of_service, closures, events, advisory, has_hours, tablets }
    }

    /// What must be taken.
    pub(super) async fn put(&self, path: &str, body: Value) {
        let answer = self.admin.put(path, body.clone()).await;
        assert!(answer.status.is_success(), "{path} {body}: {}", answer.text);
    }

    /// A few hours at every clinic.
    pub(super) async fn live(&mut self, chance: &mut Chance) {
        for n in 0..self.sites.len() {
            self.post(n, chance).await;
            self.record(n, chance).await;
            if chance.percent(22) {
                let kind = self.edits.next_of_clinic(chance);
                self.edit_clinic(n, kind, chance).await;
            }
            if !self.sites[n].has_hours && self.app.clock.now() >= self.hours_from {
                self.set_hours(n, chance).await;
                self.tally.count("edit: first hours");
            }
        }
        if chance.percent(15) {
            let kind = self.edits.next_of_group(chance);
            self.edit_group(kind, chance).await;
        }
    }

    /// A week, which is a clinic's first where it had none.
    pub(super) async fn set_hours(&mut self, n: usize, chance: &mut Chance) {
        let path = format!("/v1/clinics/{}/hours", self.sites[n].clinic_id);
        self.put(&path, json!({ "week": week(chance) })).await;
        self.sites[n].has_hours = true;
    }

    /// What desk and machines tell.
    async fn post(&mut self, n: usize, chance: &mut Chance) {
        let now = self.app.clock.now();
        let clinic_id = self.sites[n].clinic_id;
        // Posts may be refused (a second day start, an end before its start): that is the desk's life too.
        if chance.percent(25) {
            let edge = *chance.one_of(&["day-start", "day-start", "day-end"]);
            let posted = self.desk.post(&format!("/v1/clinics/{clinic_id}/{edge}"), json!({})).await;
            if posted.status == 201 {
                self.tally.count(if edge == "day-end" { "desk: day end" } else { "desk: day start" });
            }
        }
        for chair in self.sites[n].chairs.clone() {
            for edge in ["seated", "left"] {
                if chance.percent(15) {
                    let key = self.fresh().to_string();
                    let ago = i64::try_from(chance.between(0, 240)).expect("small");
                    let body = json!({ "at": now - TimeDelta::minutes(ago) });
                    self.desk.post_once(&format!("/v1/operatories/{chair}/{edge}"), &key, body).await.expect(201);
                    self.tally.count(if edge == "left" { "desk: left" } else { "desk: seated" });
                }
            }
        }
        for steriliser in self.sites[n].sterilisers.clone() {
            if chance.percent(30) {
                let cycle = json!({ "cycle_id": self.fresh(), "ended_at": now });
                self.tablet.post(&format!("/v1/equipment/{steriliser}/cycles"), cycle).await.expect(201);
                self.tally.count("machine: cycle");
            }
        }
    }
}

/// A chair as it is sent: named by itself, so that it can be told apart wherever it stands.
pub(super) fn operatory(clinic_id: Uuid, chair: Uuid, in_service: bool) -> Value {
    let mut body = scenario::operatory(clinic_id, &format!("Chair {chair}"));
    if chair.as_u128().is_multiple_of(2) {
        body["water_source"] = json!("mains_air_gap");
    }
    if !in_service {
        body["service"] = json!({ "state": "out_of_service", "reason": "no suction" });
    }
    body
}

/// A piece of equipment in service.
pub(super) fn equipment(clinic_id: Uuid, kind: &str) -> Value {
    json!({ "clinic_id": clinic_id, "kind": kind, "name": kind, "service": { "state": "in_service" } })
}

/// A week: one or two sessions a day, some days closed, now and then past midnight.
pub(super) fn week(chance: &mut Chance) -> Value {
    let mut week = json!({});
    for name in ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"] {
        let percent_open = if name.starts_with('s') { 25 } else { 90 };
        if !chance.percent(percent_open) {
            continue;
        }
        let opens = format!("{:02}:{:02}", chance.between(7, 9), chance.between(0, 3) * 15);
        week[name] = match chance.between(0, 9) {
            0 => json!([{ "opens": opens, "closes": "12:00" }, { "opens": "18:00", "closes": "01:30" }]),
            1..=4 => json!([{ "opens": opens, "closes": "12:30" }, { "opens": "13:30", "closes": "17:45" }]),
            _ => json!([{ "opens": opens, "closes": "17:00" }]),
        };
    }
    week
}
