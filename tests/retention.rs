//! How long records are kept, what holds them back, and what a purge takes and leaves.

mod database;
mod kept;
mod purges;
mod races;
mod settings;
mod tampered;

use chairtide::jobs::sealer;
use serde_json::{Value, json};

use crate::support::app::{Answer, App};
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// The lead, who may sign for what is kept and what goes; the assistant, who may not.
const LEAD: u32 = 801;
const ASSISTANT: u32 = 803;

fn signature(n: u32) -> Value {
    json!({ "staff_id": id(n), "pin": format!("{n}46") })
}

async fn people(clinic: &Clinic<'_>) {
    for (n, name, initials, role) in
        [(LEAD, "Mara Oduya", "MO", "clinic_lead"), (ASSISTANT, "Ines Brook", "IB", "assistant")]
    {
        let person = json!({ "name": name, "initials": initials, "role": role, "active_from": "2014-01-01" });
        clinic.admin.put(&format!("/v1/staff/{}", id(n)), person).await.expect(201);
        clinic.admin.put(&format!("/v1/staff/{}/pin", id(n)), json!({ "pin": format!("{n}46") })).await.expect(204);
    }
    let trained = json!({ "for_what": { "kind": "family", "family": "release" }, "valid_from": "2014-01-01",
                          "signed_off_by": "the group's lead" });
    clinic.admin.put(&format!("/v1/staff/{}/competences/{}", id(LEAD), id(LEAD)), trained).await.expect(201);
}

/// A clinic with people, long ago.
async fn old_clinic(app: &App) -> Clinic<'_> {
    let admin = app.group(id(1)).await;
    let clinic = scenario::configure_from(admin, "Europe/London", 0, "2014-01-01").await;
    people(&clinic).await;
    // A key whose id tests know, to name it as the device of an act.
    sqlx::query(
        "insert into api_key (group_id, key_id, label, role, reach, secret_hash, created_at)
         values ($1, $1, 'known', 'manager', 'group', sha256('known'), '2014-01-01')",
    )
    .bind(id(1))
    .execute(&app.pool)
    .await
    .expect("the owner may");
    app.plan().await;
    clinic
}

/// Monday 3 November 2014 with many kinds of evidence, sealed. What still stands: a quarantine that nobody released.
async fn old_day(app: &App) -> Clinic<'_> {
    let clinic = old_clinic(app).await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    app.set(at("2014-11-03T08:00:00Z"));
    let flush = clinic.due_of(routine::start_flush()).await;
    let holds = format!("/v1/tasks/{}/holds", flush["task_id"].as_str().expect("an id"));
    let hold = json!({ "hold_id": id(700), "step": "flush:syringe", "performed_by": "KV" });
    clinic.tablet.post(&holds, hold).await.expect(201);
    app.set(at("2014-11-03T08:02:10Z"));
    clinic.tablet.post(&format!("{holds}/{}/end", id(700)), json!({ "performed_by": "KV" })).await.expect(200);
    let mut done = clinic.flush(701, &flush, 125);
    done["steps"][1] = json!({ "step": "flush:syringe", "status": "done", "hold_id": id(700) });
    clinic.tablet.post("/v1/completions", done).await.expect(201);
    app.set(at("2014-11-03T08:30:00Z"));
    clinic.desk.post(&format!("{here}/day-start"), json!({})).await.expect(201);
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    clinic.tablet.post("/v1/completions", clinic.spore(702, &spore, Some("0"))).await.expect(201);
    app.set(at("2014-11-03T09:00:00Z"));
    clinic.leave("2014-11-03T09:00:00Z").await;
    let cycle = json!({ "cycle_id": id(704), "ended_at": "2014-11-03T08:50:00Z", "program": "wrapped 134" });
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), cycle).await.expect(201);
    let record = json!({ "csv": "elapsed_seconds,temperature_celsius\n0,134\n180,134\n", "performed_by": "KV" });
    let path = format!("/v1/equipment/{}/cycles/{}/record", clinic.steriliser, id(704));
    clinic.tablet.put(&path, record).await.expect(201);
    let event = json!({ "kind": "repair", "happened_at": "2014-11-03T07:00:00Z", "note": "the syringe" });
    clinic.manager.put(&format!("{here}/site-events/{}", id(706)), event).await.expect(201);
    clinic.manager.delete(&format!("{here}/site-events/{}", id(706))).await.expect(204);
    for (n, subject) in [(707, clinic.chair), (708, clinic.steriliser)] {
        let out = json!({ "subject_id": subject, "reason": "a hose drips", "begun_by": "KV" });
        clinic.tablet.put(&format!("/v1/quarantines/{}", id(n)), out).await.expect(201);
    }
    let release = json!({ "release_id": id(709), "reason": "hose replaced", "signature": signature(LEAD) });
    clinic.tablet.post(&format!("/v1/quarantines/{}/release", id(707)), release).await.expect(201);
    app.set(at("2014-11-04T00:10:00Z"));
    assert_eq!(sealer::seal(&app.pool, &app.clock).await.expect("it ticks").sealed, 1);
    clinic
}

/// More than a year later, where one year is kept of everything.
async fn later(app: &App, clinic: &Clinic<'_>) {
    app.set(at("2016-01-11T10:00:00Z"));
    app.keep_house().await;
    keep_one_year(clinic).await;
}

async fn keep_one_year(clinic: &Clinic<'_>) {
    let source = json!({ "title": "invented for the test", "edition": "none", "seen": "clinic_confirmed" });
    for class in chairtide::domain::retention::RecordClass::ALL {
        let setting = json!({ "years": 1, "reason": "as the test wants it", "source": source });
        clinic.admin.put(&format!("/v1/retention/{}", class.as_str()), setting).await.expect(201);
    }
}

async fn trial(clinic: &Clinic<'_>, query: &str) -> Value {
    clinic.manager.get(&format!("/v1/clinics/{}/purge-trial?{query}", clinic.clinic_id)).await.expect(200)
}

const NOVEMBER: &str = "from=2014-11-01&until=2014-11-30";

/// What a lead sends who signs a trial.
fn signed(trial: &Value, who: u32) -> Value {
    let mut body = json!({ "from": trial["from"], "until": trial["until"], "record_count": trial["record_count"],
                           "digest": trial["digest"], "reason": "kept long enough", "signature": signature(who) });
    if !trial["record_class"].is_null() {
        body["record_class"] = trial["record_class"].clone();
    }
    body
}

async fn purge(clinic: &Clinic<'_>, n: u32, body: Value) -> Answer {
    clinic.manager.put(&format!("/v1/clinics/{}/purges/{}", clinic.clinic_id, id(n)), body).await
}

async fn verified(clinic: &Clinic<'_>, query: &str) -> Value {
    clinic.manager.get(&format!("/v1/clinics/{}/verification?{query}", clinic.clinic_id)).await.expect(200)
}

fn kind_of(answer: &Answer) -> String {
    answer.json()["type"].as_str().unwrap_or_default().to_owned()
}

/// How many go of each class, and how many stay of each class and reason.
type Sums = (Vec<(String, u64)>, Vec<(String, String, u64)>);

/// The two people of the first day and the competence of one: as long as the register has them, so do the records.
fn register() -> (String, String, u64) {
    ("-".to_owned(), "kept_for_ever".to_owned(), 3)
}

/// The trial's sums.
fn sums(trial: &Value) -> Sums {
    let text = |value: &Value| value.as_str().unwrap_or("-").to_owned();
    let count = |value: &Value| value["record_count"].as_u64().expect("a count");
    let list = |name: &str| trial[name].as_array().expect("a list").clone();
    let going = list("going").iter().map(|g| (text(&g["record_class"]), count(g))).collect();
    let staying = list("staying").iter().map(|s| (text(&s["record_class"]), text(&s["because"]), count(s))).collect();
    (going, staying)
}
