//! A small invented clinic to test with: one chair, one steriliser, and routines that hang on each anchor.

use chrono::TimeDelta;
use serde_json::{Value, json};
use uuid::Uuid;

use super::app::{App, Client};
use super::id;

/// The clinic most tests use.
#[expect(clippy::struct_field_names, reason = "the id beside the clinic's clients")]
pub(crate) struct Clinic<'a> {
    pub(crate) admin: Client<'a>,
    pub(crate) desk: Client<'a>,
    pub(crate) tablet: Client<'a>,
    pub(crate) manager: Client<'a>,
    pub(crate) clinic_id: Uuid,
    pub(crate) chair: Uuid,
    pub(crate) steriliser: Uuid,
}

/// The routine ids of [`Clinic`].
pub(crate) mod routine {
    use super::{Uuid, id};

    /// Flush before the first patient; blocks.
    pub(crate) fn start_flush() -> Uuid {
        id(501)
    }
    /// Flush after each patient; blocks.
    pub(crate) fn turnover_flush() -> Uuid {
        id(502)
    }
    /// Line disinfection at closing.
    pub(crate) fn line_disinfection() -> Uuid {
        id(503)
    }
    /// Weekly spore test of the steriliser.
    pub(crate) fn spore_test() -> Uuid {
        id(504)
    }
}

/// Monday to Friday, mornings and afternoons.
pub(crate) fn split_week() -> Value {
    let day = json!([{ "opens": "08:30", "closes": "12:30" }, { "opens": "13:30", "closes": "18:00" }]);
    json!({ "monday": day, "tuesday": day, "wednesday": day, "thursday": day, "friday": day })
}

/// A flush is at least two minutes at the start of a day: HTM 01-05 para 6.85, read.
pub(crate) fn htm_flush() -> Value {
    json!({ "title": "HTM 01-05", "edition": "2013", "locator": "para 6.85", "seen": "read" })
}

fn htm_between_patients() -> Value {
    json!({ "title": "HTM 01-05", "edition": "2013", "locator": "para 6.85", "seen": "read_in_quotation" })
}

/// For a figure that stands for no published one.
fn invented() -> Value {
    json!({ "title": "invented for the test", "edition": "none", "seen": "from_memory" })
}

fn common_practice() -> Value {
    json!({ "title": "common practice", "edition": "none", "seen": "common_practice" })
}

fn hold(key: &str, minimum_seconds: u32, source: &Value, for_each: Option<&str>) -> Value {
    let mut step = json!({
        "key": key, "instruction": "Run it for the whole time.",
        "evidence": { "kind": "hold", "minimum_seconds": minimum_seconds, "source": source },
    });
    if let Some(part) = for_each {
        step["for_each"] = json!(part);
    }
    step
}

/// The four routines, one for each anchor.
pub(crate) fn routines() -> Vec<(Uuid, Value)> {
    let cautions = json!(["Take burs and tips off first; discharge into the suction, away from faces."]);
    vec![
        (
            routine::start_flush(),
            json!({
                "name": "Flush before the first patient", "subject_kind": "operatory", "anchor": { "kind": "opening" },
                "window": { "may_start_minutes": -60, "due_by_minutes": 0, "overdue_minutes": 10, "missed_minutes": 240 },
                "blocks_from": "may_start", "steps": [hold("flush", 120, &htm_flush(), Some("circuit"))],
                "sources": [htm_flush()], "cautions": cautions, "rough_minutes": 5,
            }),
        ),
        (
            routine::turnover_flush(),
            json!({
                "name": "Flush after a patient", "subject_kind": "operatory", "anchor": { "kind": "turnover" },
                "window": { "may_start_minutes": 0, "due_by_minutes": 10, "overdue_minutes": 15, "missed_minutes": 60 },
                "blocks_from": "may_start",
                "steps": [
                    // At least 20 s between patients: HTM 01-05 para 6.85, read in a quotation.
                    hold("flush", 20, &htm_between_patients(), Some("circuit")),
                ],
                // CDC 2003 says the same, with air; that is partly from memory.
                "sources": [htm_between_patients(), { "title": "CDC, MMWR 52(RR-17)", "edition": "2003",
                    "locator": "rec. VIII.A", "seen": "from_memory" }], "cautions": cautions, "rough_minutes": 3,
            }),
        ),
        (
            routine::line_disinfection(),
            json!({
                "name": "Long line disinfection", "subject_kind": "operatory", "anchor": { "kind": "closing" },
                "window": { "may_start_minutes": -30, "due_by_minutes": 60, "overdue_minutes": 90, "missed_minutes": 600 },
                "blocks_from": "due_by",
                "steps": [
                    { "key": "empty", "instruction": "Empty the circuits with air.", "evidence": { "kind": "confirmation" } },
                    { "key": "fill", "instruction": "Fill until the product shows at each outlet.",
                      "evidence": { "kind": "confirmation" } },
                    // Ten minutes of contact: common practice, no source.
                    hold("contact", 600, &common_practice(), None),
                    { "key": "rinse", "instruction": "Empty and rinse.", "evidence": { "kind": "confirmation" } },
                    { "key": "residual", "instruction": "Read the residual at an outlet.", "required": false,
                      "evidence": { "kind": "reading", "unit": "mg/L", "on_failure": "repeat", "limits": [
                        { "operator": "le", "value": "5", "unit": "mg/L", "source": invented() }] } },
                ],
                "sources": [common_practice()], "cautions": ["No patient while disinfectant is in the lines."],
                "rough_minutes": 25,
            }),
        ),
        (
            routine::spore_test(),
            json!({
                "name": "Weekly spore test", "subject_kind": "steriliser",
                "anchor": { "kind": "calendar", "dates": { "rule": "FREQ=WEEKLY;BYDAY=MO", "starts_on": "2014-01-06" },
                            "place": { "kind": "opening" }, "closed_day": "next_open_day" },
                "window": { "may_start_minutes": 0, "due_by_minutes": 480, "overdue_minutes": 960, "missed_minutes": 7200 },
                "steps": [
                    { "key": "growth", "instruction": "Read the strip beside its control.",
                      "evidence": { "kind": "reading", "unit": "{spore_growth}", "on_failure": "record",
                        "result_may_follow": true, "limits": [{ "operator": "le", "value": "0",
                          "unit": "{spore_growth}", "source": { "title": "CDC, MMWR 52(RR-17)", "edition": "2003",
                          "locator": "rec. VI.G", "seen": "read_in_quotation" } }] } },
                ],
                "sources": [common_practice()], "rough_minutes": 10,
            }),
        ),
    ]
}

/// The clinic in a zone, planned.
pub(crate) async fn clinic<'a>(app: &'a App, zone: &str) -> Clinic<'a> {
    let admin = app.group(id(1)).await;
    clinic_of(app, admin, zone, 0).await
}

/// A clinic of a group that exists; `offset` keeps the ids of several apart.
pub(crate) async fn clinic_of<'a>(app: &'a App, admin: Client<'a>, zone: &str, offset: u32) -> Clinic<'a> {
    let clinic = configure(admin, zone, offset).await;
    app.plan().await;
    clinic
}

/// A clinic with its hours, one chair, one steriliser, the routines and a key for each role at work; not planned yet.
pub(crate) async fn configure<'a>(admin: Client<'a>, zone: &str, offset: u32) -> Clinic<'a> {
    configure_from(admin, zone, offset, "2026-01-01").await
}

/// As [`configure`], with routines in force from a day on.
pub(crate) async fn configure_from<'a>(admin: Client<'a>, zone: &str, offset: u32, effective_on: &str) -> Clinic<'a> {
    let (clinic_id, chair, steriliser) = (id(100 + offset), id(200 + offset), id(300 + offset));
    let name = format!("Clinic {offset}");
    let clinic = json!({ "name": name, "zone": zone });
    admin.put(&format!("/v1/clinics/{clinic_id}"), clinic).await.expect(201);
    admin.put(&format!("/v1/clinics/{clinic_id}/hours"), json!({ "week": split_week() })).await.expect(201);
    admin.put(&format!("/v1/operatories/{chair}"), operatory(clinic_id, &format!("Chair {offset}"))).await.expect(201);
    let machine = json!({
        "clinic_id": clinic_id, "kind": "steriliser", "name": format!("Steriliser {offset}"),
        "service": { "state": "in_service" },
    });
    admin.put(&format!("/v1/equipment/{steriliser}"), machine).await.expect(201);
    for (routine_id, content) in routines() {
        let body = json!({ "effective_on": effective_on, "routine": content });
        let put = admin.put(&format!("/v1/routines/{routine_id}"), body).await;
        assert!(put.status.is_success(), "{}", put.text);
    }
    let reach = json!({ "kind": "clinics", "clinic_ids": [clinic_id] });
    Clinic {
        desk: admin.key("front_desk", reach.clone()).await,
        tablet: admin.key("chairside", reach).await,
        manager: admin.key("manager", json!({ "kind": "group" })).await,
        admin,
        clinic_id,
        chair,
        steriliser,
    }
}

/// An operatory in service, with two circuits.
pub(crate) fn operatory(clinic_id: Uuid, name: &str) -> Value {
    json!({
        "clinic_id": clinic_id, "name": name, "water_source": "own_reservoir",
        "circuits": ["handpiece-1", "syringe"], "suction_lines": ["suction-high"], "service": { "state": "in_service" },
    })
}

/// The answer to a hold that a tablet timed by itself and that ended now, with what it noted of it.
pub(crate) fn device_hold(clinic: &Clinic<'_>, step: &str, seconds: u32) -> Value {
    let ended_at = clinic.admin.app.clock.now();
    let moment = |back: u32| {
        json!({ "counter_ms": 900_000_000 - u64::from(back) * 1_000, "boot_id": "run-7",
                "clock_at": ended_at - TimeDelta::seconds(back.into()) })
    };
    json!({ "step": step, "status": "done", "elapsed_seconds": seconds,
            "hold_record": { "started": moment(seconds), "ended": moment(0) } })
}

fn is_wanted(task: &Value) -> bool {
    task["because"]["fact"]["kind"] == "wanted_work"
}

impl Clinic<'_> {
    /// The due tasks of the chair, looking ahead so many minutes.
    pub(crate) async fn due(&self, ahead_minutes: u32) -> Vec<Value> {
        let path = format!("/v1/operatories/{}/due?ahead_minutes={ahead_minutes}", self.chair);
        self.tablet.get(&path).await.expect(200)["tasks"].as_array().expect("a list").clone()
    }

    /// The one due task of a routine on the chair that the plan asks for; a corrective action may ask for the work as well.
    pub(crate) async fn due_of(&self, routine_id: Uuid) -> Value {
        self.only_due(routine_id, |task| !is_wanted(task)).await
    }

    /// The one due task of a routine on the chair that a corrective action asks for.
    pub(crate) async fn wanted_of(&self, routine_id: Uuid) -> Value {
        self.only_due(routine_id, is_wanted).await
    }

    async fn only_due(&self, routine_id: Uuid, is_meant: impl Fn(&Value) -> bool) -> Value {
        let due = self.due(0).await;
        let meant: Vec<&Value> =
            due.iter().filter(|task| task["routine_id"] == json!(routine_id) && is_meant(task)).collect();
        assert_eq!(meant.len(), 1, "{due:?}");
        meant[0].clone()
    }

    /// A completion of a flush task with each line held so many seconds by the device.
    pub(crate) fn flush(&self, completion: u32, task: &Value, seconds: u32) -> Value {
        json!({
            "completion_id": id(completion), "task_id": task["task_id"], "performed_at": self.admin.app.clock.now(),
            "performed_by": "KV",
            "steps": [
                device_hold(self, "flush:handpiece-1", seconds),
                device_hold(self, "flush:syringe", seconds),
            ],
        })
    }

    /// The one due task of a routine in the clinic, on whatever it is about; beside it, a load with implantable devices may
    /// ask for a test of its own.
    pub(crate) async fn due_in_clinic(&self, routine_id: Uuid) -> Value {
        let path = format!("/v1/clinics/{}/due", self.clinic_id);
        let list = self.tablet.get(&path).await.expect(200);
        let tasks = list["tasks"].as_array().expect("a list");
        let is_of_load = |t: &Value| t["because"]["fact"]["kind"] == "implant_load";
        let found: Vec<&Value> =
            tasks.iter().filter(|t| t["routine_id"] == json!(routine_id) && !is_of_load(t)).collect();
        assert_eq!(found.len(), 1, "{list}");
        found[0].clone()
    }

    /// A task with its evidence.
    pub(crate) async fn task(&self, task: &Value) -> Value {
        let id = task["task_id"].as_str().expect("an id");
        self.tablet.get(&format!("/v1/tasks/{id}")).await.expect(200)
    }

    /// A completion of a spore test: the number of strips with growth, or the result still awaited.
    pub(crate) fn spore(&self, completion: u32, task: &Value, growth: Option<&str>) -> Value {
        let step = match growth {
            Some(value) => json!({ "step": "growth", "status": "done",
                                   "reading": { "qualifier": "eq", "value": value, "unit": "{spore_growth}" } }),
            None => json!({ "step": "growth", "status": "result_pending" }),
        };
        json!({
            "completion_id": id(completion), "task_id": task["task_id"], "performed_at": self.admin.app.clock.now(),
            "performed_by": "KV", "steps": [step],
        })
    }

    /// A patient leaves the chair at an instant; the one turnover task that makes.
    pub(crate) async fn leave(&self, at: &str) -> Value {
        let path = format!("/v1/operatories/{}/left", self.chair);
        let left = self.desk.post_once(&path, at, json!({ "at": at })).await.expect(201);
        let ids = left["task_ids"].as_array().expect("a list");
        assert_eq!(ids.len(), 1, "{left}");
        json!({ "task_id": ids[0] })
    }
}
