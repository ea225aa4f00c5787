//! A group of clinics whose people live from a seed.
//!
//! The rule of this file: it speaks HTTP only, and never asks whether what it does is sensible: doors are opened on
//! closed days, patients leave chairs they never sat on, hours change in the middle of a session.

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::support::app::{App, Client};
use crate::support::chance::Chance;
use crate::support::{id, scenario};

/// Zones picked for awkwardness: midnight changes, half-hour changes, no daylight time, changed laws, the date line.
const ZONES: [&str; 20] = [
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

/// One clinic and what stands in it.
pub(super) struct Site {
    pub(super) clinic_id: Uuid,
    chairs: Vec<Uuid>,
    steriliser: Uuid,
    closures: Vec<Uuid>,
    events: Vec<Uuid>,
    out_of_service: Vec<Uuid>,
    /// Completions of a tablet that is offline.
    offline: Vec<Value>,
}

/// The group.
pub(super) struct Town<'a> {
    app: &'a App,
    admin: Client<'a>,
    desk: Client<'a>,
    tablet: Client<'a>,
    sites: Vec<Site>,
    next_id: u32,
}

fn source() -> Value {
    json!({ "title": "invented for the test", "edition": "none", "seen": "from_memory" })
}

/// A routine of one step; every third has a hold, so that attempts can fall short.
fn routine(number: u32, kind: &str, anchor: &Value, more: &Value) -> Value {
    let evidence = if number.is_multiple_of(3) {
        json!({ "kind": "hold", "minimum_seconds": 60, "source": source() })
    } else {
        json!({ "kind": "confirmation" })
    };
    let mut routine = json!({
        "name": format!("Routine {number}"), "subject_kind": kind, "anchor": anchor,
        "steps": [{ "key": "work", "instruction": "Do the work.", "evidence": evidence }],
        "sources": [source()], "rough_minutes": 5 + number % 4 * 5,
        "window": { "may_start_minutes": -60, "due_by_minutes": 30, "overdue_minutes": 60, "missed_minutes": 300 },
    });
    for (key, value) in more.as_object().expect("an object") {
        routine[key] = value.clone();
    }
    routine
}

/// Ids of routines begin here.
const ROUTINES: u32 = 5000;

/// A routine for every anchor there is.
fn routines() -> Vec<Value> {
    let days = |n: i32| n * 1440;
    let wide = json!({ "window": { "may_start_minutes": 0, "due_by_minutes": days(2), "overdue_minutes": days(3),
                                   "missed_minutes": days(6) } });
    let none = json!({});
    let rule = |rule: &str, place: Value, closed_day: &str| {
        json!({ "kind": "calendar", "dates": { "rule": rule, "starts_on": "2026-01-05", "except_on": ["2026-05-04"],
                "also_on": ["2026-05-06"] }, "place": place, "closed_day": closed_day })
    };
    let idle = |days: u32, strengthens: Option<u32>| {
        json!({ "kind": "idle", "unused_days": days, "on": "open_days",
                "strengthens": strengthens.map(|n| id(ROUTINES + n)) })
    };
    let period = |each: &str, spread: bool| json!({ "kind": "period", "each": each, "spread": spread });
    let opening = json!({ "kind": "opening" });
    let closing = json!({ "kind": "closing" });
    let half_past_two = json!({ "kind": "local_time", "at": "02:30" });
    let plain = |anchor: &str| json!({ "kind": anchor });
    let by_period = |more: Value| {
        let mut routine = more;
        routine["window"] =
            json!({ "may_start_minutes": 0, "due_by_minutes": 0, "overdue_minutes": 0, "missed_minutes": 0 });
        routine
    };
    let drafts: Vec<(&str, Value, Value)> = vec![
        ("operatory", plain("opening"), json!({ "counts_as_use": true, "blocks_from": "may_start" })),
        ("operatory", plain("first_patient"), json!({ "blocks_from": "due_by" })),
        ("operatory", plain("turnover"), none.clone()),
        ("clinic", plain("session_end"), none.clone()),
        ("operatory", plain("closing"), none.clone()),
        ("steriliser", rule("FREQ=WEEKLY;BYDAY=MO,SA", opening.clone(), "next_open_day"), wide.clone()),
        ("clinic", rule("FREQ=MONTHLY;BYDAY=-1FR", closing.clone(), "previous_open_day"), wide.clone()),
        ("clinic", rule("FREQ=DAILY;INTERVAL=3", half_past_two, "not_required"), none.clone()),
        ("operatory", period("week", true), by_period(json!({}))),
        ("operatory", period("month", true), by_period(json!({ "blocks_from": "due_by" }))),
        ("steriliser", period("quarter", false), by_period(json!({}))),
        ("clinic", period("year", true), by_period(json!({}))),
        (
            "steriliser",
            json!({ "kind": "interval", "every": { "days": 5 }, "place": opening, "closed_day": "next_open_day" }),
            wide.clone(),
        ),
        ("steriliser", json!({ "kind": "interval", "every": { "opening_hours": 30 } }), wide.clone()),
        ("operatory", idle(2, Some(0)), none.clone()),
        ("operatory", idle(5, Some(0)), none.clone()),
        ("operatory", idle(3, Some(1)), none.clone()),
        (
            "premises_outlet",
            json!({ "kind": "idle", "unused_days": 3, "on": "every_day", "place": { "kind": "local_time", "at": "09:00" } }),
            json!({ "counts_as_use": true }),
        ),
        ("operatory", json!({ "kind": "count", "of": "turnovers", "every": 3 }), none.clone()),
        ("steriliser", json!({ "kind": "count", "of": "cycles", "every": 2 }), none.clone()),
        (
            "operatory",
            json!({ "kind": "event", "of": ["repair", "plumbing_change", "return_to_service"] }),
            wide.clone(),
        ),
        ("steriliser", json!({ "kind": "follows", "routine_id": id(ROUTINES + 5), "when": "recorded" }), wide.clone()),
        ("operatory", json!({ "kind": "follows", "routine_id": id(ROUTINES + 2), "when": "failed" }), none.clone()),
        (
            "operatory",
            plain("opening"),
            json!({ "season": { "from": "11-01", "until": "04-15" }, "selection": { "water_sources": ["own_reservoir"] },
                    "ladder": { "rungs": [{ "after_minutes": 45, "counted_in": "opening_time", "audience": "clinic_lead" }] } }),
        ),
    ];
    drafts.into_iter().zip(0..).map(|((kind, anchor, more), n)| routine(n, kind, &anchor, &more)).collect()
}

impl<'a> Town<'a> {
    /// The group with its clinics, in service since some days.
    pub(super) async fn build(app: &'a App, clinics: u32, chance: &mut Chance) -> Self {
        let admin = app.group(id(1)).await;
        let reach = json!({ "kind": "group" });
        let desk = admin.key("front_desk", reach.clone()).await;
        let tablet = admin.key("chairside", reach).await;
        let mut town = Self { app, admin, desk, tablet, sites: Vec::new(), next_id: 1_000_000 };
        for (n, content) in (0..).zip(routines()) {
            let body = json!({ "effective_on": "2026-01-01", "routine": content });
            town.admin.put(&format!("/v1/routines/{}", id(ROUTINES + n)), body).await.expect(201);
        }
        for n in 0..clinics {
            let site = town.found(n, chance).await;
            town.sites.push(site);
        }
        town
    }

    pub(super) fn sites(&self) -> &[Site] {
        &self.sites
    }

    fn fresh(&mut self) -> Uuid {
        self.next_id += 1;
        id(self.next_id)
    }

    async fn found(&mut self, n: u32, chance: &mut Chance) -> Site {
        let clinic_id = id(100 + n);
        let zone = ZONES[n as usize % ZONES.len()];
        self.put(&format!("/v1/clinics/{clinic_id}"), json!({ "name": format!("Clinic {n}"), "zone": zone })).await;
        self.put(&format!("/v1/clinics/{clinic_id}/hours"), json!({ "week": week(chance) })).await;
        let chairs: Vec<Uuid> = (0..3).map(|chair| id(10_000 + n * 10 + chair)).collect();
        for (k, chair) in chairs.iter().enumerate() {
            self.put(&format!("/v1/operatories/{chair}"), scenario::operatory(clinic_id, &format!("Chair {k}"))).await;
        }
        let (steriliser, outlet) = (id(20_000 + n), id(30_000 + n));
        for (equipment, kind) in [(steriliser, "steriliser"), (outlet, "premises_outlet")] {
            let body =
                json!({ "clinic_id": clinic_id, "kind": kind, "name": kind, "service": { "state": "in_service" } });
            self.put(&format!("/v1/equipment/{equipment}"), body).await;
        }
        let (closures, events, out_of_service, offline) = Default::default();
        Site { clinic_id, chairs, steriliser, closures, events, out_of_service, offline }
    }

    /// What must be taken.
    async fn put(&self, path: &str, body: Value) {
        let answer = self.admin.put(path, body.clone()).await;
        assert!(answer.status.is_success(), "{path} {body}: {}", answer.text);
    }

    /// A few hours at every clinic.
    pub(super) async fn live(&mut self, chance: &mut Chance) {
        for n in 0..self.sites.len() {
            self.work(n, chance).await;
            if chance.percent(12) {
                self.change(n, chance).await;
            }
        }
        if chance.percent(3) {
            self.change_the_group(chance).await;
        }
    }

    async fn work(&mut self, n: usize, chance: &mut Chance) {
        let now = self.app.clock.now();
        let (clinic_id, steriliser) = (self.sites[n].clinic_id, self.sites[n].steriliser);
        // Posts may be refused (a second day start, an end before its start): that is the desk's life too.
        if chance.percent(35) {
            let edge = *chance.one_of(&["day-start", "day-start", "day-end"]);
            self.desk.post(&format!("/v1/clinics/{clinic_id}/{edge}"), json!({})).await;
        }
        for chair in self.sites[n].chairs.clone() {
            for edge in ["seated", "left"] {
                if chance.percent(25) {
                    let key = self.fresh().to_string();
                    let ago = i64::try_from(chance.between(0, 240)).expect("small");
                    let body = json!({ "at": now - TimeDelta::minutes(ago) });
                    self.desk.post_once(&format!("/v1/operatories/{chair}/{edge}"), &key, body).await;
                }
            }
        }
        if chance.percent(30) {
            let cycle = json!({ "cycle_id": self.fresh(), "ended_at": now });
            self.tablet.post(&format!("/v1/equipment/{steriliser}/cycles"), cycle).await.expect(201);
        }
        self.record(n, now, chance).await;
    }

    /// Takes up some of what is due; an offline tablet keeps its completions for later.
    async fn record(&mut self, n: usize, now: DateTime<Utc>, chance: &mut Chance) {
        let due = self.tablet.get(&format!("/v1/clinics/{}/due", self.sites[n].clinic_id)).await.expect(200);
        let is_offline = chance.percent(25);
        for task in due["tasks"].as_array().expect("tasks") {
            if !chance.percent(45) {
                continue;
            }
            let is_hold = task["steps"][0]["evidence"]["kind"] == "hold";
            let mut step = json!({ "step": "work", "status": "done" });
            if is_hold {
                step["elapsed_seconds"] = json!(if chance.percent(70) { 75 } else { 20 });
            }
            let completion = json!({
                "completion_id": self.fresh(), "task_id": task["task_id"], "kind": "performed", "performed_at": now,
                "performed_by": "SIM", "steps": [step],
            });
            self.sites[n].offline.push(completion);
        }
        if !is_offline && !self.sites[n].offline.is_empty() {
            let mut kept = std::mem::take(&mut self.sites[n].offline);
            kept.truncate(500);
            kept.reverse();
            self.tablet.post("/v1/completions/batch", json!({ "completions": kept })).await.expect(200);
        }
    }

    /// One change of a clinic's configuration.
    async fn change(&mut self, n: usize, chance: &mut Chance) {
        let now = self.app.clock.now();
        let clinic_id = self.sites[n].clinic_id;
        let site = format!("/v1/clinics/{clinic_id}");
        let day = |chance: &mut Chance| {
            now.date_naive() + TimeDelta::days(i64::try_from(chance.between(0, 12)).expect("small"))
        };
        match chance.between(0, 11) {
            0 => {
                let closure = self.fresh();
                let from = day(chance);
                let until = from + TimeDelta::days(i64::try_from(chance.between(1, 9)).expect("small"));
                let body = json!({ "from_local": format!("{from}T00:00"), "until_local": format!("{until}T00:00"),
                                   "reason": "works in the street" });
                self.put(&format!("{site}/closures/{closure}"), body).await;
                self.sites[n].closures.push(closure);
            }
            1 => {
                let closure = self.fresh();
                let on = day(chance);
                let body = json!({ "from_local": format!("{on}T{:02}:00", chance.between(0, 12)),
                                   "until_local": format!("{on}T{:02}:30", chance.between(13, 23)), "reason": "power" });
                self.put(&format!("{site}/closures/{closure}"), body).await;
                self.sites[n].closures.push(closure);
            }
            2 | 3 => {
                if let Some(closure) = self.sites[n].closures.pop() {
                    self.admin.delete(&format!("{site}/closures/{closure}")).await;
                }
            }
            4 => {
                let body = json!({ "sessions": [{ "opens": "09:00", "closes": "12:00" }], "reason": "emergencies" });
                self.admin.put(&format!("{site}/special-openings/{}", day(chance)), body).await;
            }
            5 => self.put(&format!("{site}/hours"), json!({ "week": week(chance) })).await,
            6 => {
                // Refused where it would run into the week before it.
                self.admin.put(&format!("{site}/weeks/{}", day(chance)), json!({ "week": week(chance) })).await;
            }
            7 => {
                let chair = *chance.one_of(&self.sites[n].chairs);
                let mut body = scenario::operatory(clinic_id, "Chair");
                if let Some(place) = self.sites[n].out_of_service.iter().position(|out| *out == chair) {
                    self.sites[n].out_of_service.remove(place);
                } else {
                    body["service"] = json!({ "state": "out_of_service", "reason": "no suction" });
                    self.sites[n].out_of_service.push(chair);
                }
                self.put(&format!("/v1/operatories/{chair}"), body).await;
            }
            8 => {
                let event = self.fresh();
                let kind = *chance.one_of(&["repair", "plumbing_change", "water_advisory_started"]);
                let subject = chance.percent(50).then(|| *chance.one_of(&self.sites[n].chairs));
                let mut body = json!({ "kind": kind, "happened_at": now });
                if let Some(subject) = subject {
                    body["subject_id"] = json!(subject);
                }
                self.put(&format!("{site}/site-events/{event}"), body).await;
                self.sites[n].events.push(event);
            }
            9 => {
                if let Some(event) = self.sites[n].events.pop() {
                    self.admin.delete(&format!("{site}/site-events/{event}")).await;
                }
            }
            10 => {
                self.admin.put(&format!("{site}/full-days/{}", day(chance)), json!({})).await;
            }
            _ => {
                let chair = self.fresh();
                if self.sites[n].chairs.len() < 6 {
                    self.put(&format!("/v1/operatories/{chair}"), scenario::operatory(clinic_id, "New chair")).await;
                    self.sites[n].chairs.push(chair);
                }
            }
        }
    }

    /// A new version of a routine, or another ladder.
    async fn change_the_group(&mut self, chance: &mut Chance) {
        if chance.percent(20) {
            let rungs = json!({ "rungs": [
                { "after_minutes": chance.between(0, 90), "counted_in": "elapsed_time", "audience": "chairside" },
                { "after_minutes": chance.between(30, 900), "counted_in": "opening_time", "audience": "group_manager" },
            ] });
            self.put("/v1/ladder", rungs).await;
            return;
        }
        let all = routines();
        let n = usize::try_from(chance.between(0, u64::try_from(all.len() - 1).expect("few"))).expect("few");
        let mut content = all[n].clone();
        content["in_use"] = json!(chance.percent(85));
        content["rough_minutes"] = json!(chance.between(1, 40));
        let effective_on = (self.app.clock.now() + TimeDelta::days(2)).date_naive();
        let body = json!({ "effective_on": effective_on, "routine": content });
        self.put(&format!("/v1/routines/{}", id(ROUTINES + u32::try_from(n).expect("few"))), body).await;
    }
}

/// A week: one or two sessions a day, some days closed, now and then past midnight.
fn week(chance: &mut Chance) -> Value {
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
