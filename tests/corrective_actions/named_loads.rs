//! Work that names a load by what is on its packs.

use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use super::loads::{load, release_as, say, trace};
use super::{clinic_with_spore_chain, cycle};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

const START: &str = "2026-11-02T06:00:00Z";

/// A routine of the day that asks which packs are laid out.
async fn lay_out(clinic: &Clinic<'_>) {
    let steps =
        json!([{ "key": "packs", "instruction": "Which packs?", "evidence": { "kind": "reference", "at_most": 5 } }]);
    let lay_out = json!({ "effective_on": "2026-11-01", "routine": {
        "name": "Lay out", "subject_kind": "operatory", "anchor": { "kind": "opening" },
        "window": { "may_start_minutes": -60, "due_by_minutes": 480, "overdue_minutes": 600, "missed_minutes": 2880 },
        "steps": steps, "rough_minutes": 5,
        "sources": [{ "title": "common practice", "edition": "none", "seen": "common_practice" }],
    } });
    clinic.admin.put(&format!("/v1/routines/{}", id(901)), lay_out).await.expect(201);
}

/// A completion of its task that names packs.
fn naming(clinic: &Clinic<'_>, n: u32, task: &Value, labels: &Value) -> Value {
    json!({ "completion_id": id(n), "task_id": task["task_id"], "performed_at": clinic.admin.app.clock.now(),
            "performed_by": "IB",
            "steps": [{ "step": "packs", "status": "done", "given": { "kind": "reference", "labels": labels } }] })
}

#[sqlx::test]
async fn work_that_names_a_load_is_found_by_its_label_at_that_clinic_alone(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_spore_chain(&app).await;
    lay_out(&clinic).await;
    let next = id(125);
    let next_door = json!({ "name": "Clinic 25", "zone": "Europe/London" });
    clinic.admin.put(&format!("/v1/clinics/{next}"), next_door).await.expect(201);
    let other = scenario::clinic_of(&app, app.group(id(2)).await, "Europe/London", 50).await;
    app.plan().await;
    load(&clinic, 950, "118", &json!({ "holds_implants": true })).await;
    let task = clinic.due_of(id(901)).await;
    // Packs of a load that is held are not used (CDC, MMWR 52(RR-17) 2003, read in a quotation): kept, shown to a lead, and
    // the chair waits for others.
    let held = naming(&clinic, 830, &task, &json!(["117", "118"]));
    let kept = clinic.tablet.post("/v1/completions", held).await.expect(201);
    assert_eq!((&kept["verdict"], &kept["flags"][0]["flag"]), (&json!("failed"), &json!("load_out_of_use")));
    let finding = kept["steps"][0]["finding"].as_str().expect("words");
    assert!(finding.starts_with("packs of load 118, which was out of use") && !finding.contains("117"), "{finding}");
    let state = async || {
        clinic.tablet.get(&format!("/v1/tasks/{}", task["task_id"].as_str().expect("an id"))).await.json()["task"]["state"]
            .clone()
    };
    assert_ne!(state().await, "done");
    let plain = clinic.tablet.post("/v1/completions", naming(&clinic, 831, &task, &json!(["1180"]))).await.expect(201);
    assert_eq!((&plain["flags"], &plain["verdict"]), (&json!([]), &json!("passed")));
    assert_eq!(state().await, "done");
    let list = clinic.manager.get("/v1/entries-to-review?flag=load_out_of_use").await.expect(200);
    assert_eq!(
        (list["items"].as_array().map(Vec::len), &list["items"][0]["completion_id"]),
        (Some(1), &json!(id(830)))
    );
    let found = trace(&clinic, "118").await["named_in"].clone();
    assert_eq!((found.as_array().map(Vec::len), &found[0]["completion_id"]), (Some(1), &json!(id(830))), "{found}");
    assert_eq!((&found[0]["subject_name"], &found[0]["performed_by"]), (&json!("Chair 0"), &json!("IB")));
    let path = |clinic_id: Uuid| format!("/v1/clinics/{clinic_id}/loads?load_reference=118");
    // Neither the clinic next door, which a manager of the group may look at, nor another group has that load.
    for (who, clinic_id) in [(&clinic, next), (&other, other.clinic_id)] {
        let elsewhere = who.manager.get(&path(clinic_id)).await.expect(200);
        for list in ["cycles", "quarantines", "named_in"] {
            assert_eq!(elsewhere[list], json!([]), "{list}");
        }
    }
    assert_eq!(trace(&clinic, "118").await["quarantines"].as_array().map(Vec::len), Some(1));
    other.manager.get(&path(clinic.clinic_id)).await.expect(404);
    // Of another machine there is none.
    let machine = format!("{}&equipment_id={}", path(clinic.clinic_id), id(999));
    assert_eq!(clinic.manager.get(&machine).await.expect(200)["cycles"], json!([]));
}

/// A machine's numbers begin again: what named 118 before this 118 was run laid out another load.
#[sqlx::test]
async fn work_that_named_the_same_number_before_the_load_was_run_is_not_told_of_it(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_spore_chain(&app).await;
    lay_out(&clinic).await;
    app.plan().await;
    let named = async |n: u32| {
        let task = clinic.due_of(id(901)).await;
        let body = naming(&clinic, n, &task, &json!(["118"]));
        clinic.tablet.post("/v1/completions", body).await.expect(201);
    };
    let named_in = async || {
        let found = trace(&clinic, "118").await["named_in"].clone();
        let ids = found.as_array().expect("a list").iter().map(|work| work["completion_id"].clone());
        ids.collect::<Vec<_>>()
    };
    named(830).await;
    // While no cycle bears the number, whatever names it is told.
    assert_eq!(named_in().await, [json!(id(830))]);
    app.advance(chrono::TimeDelta::days(1));
    app.plan().await;
    load(&clinic, 950, "118", &json!({})).await;
    assert_eq!(named_in().await, [] as [Value; 0]);
    named(831).await;
    assert_eq!(named_in().await, [json!(id(831))]);
    // Of two loads of the number it is told since the earlier one, and the reader sees both cycles.
    app.advance(chrono::TimeDelta::days(1));
    app.plan().await;
    load(&clinic, 951, "118", &json!({})).await;
    assert_eq!(named_in().await, [json!(id(831))]);
}

/// What was thrown away or is processed again goes back to no chair (common practice, no source); its number may come again.
#[sqlx::test]
async fn packs_of_a_load_that_was_discarded_are_told_of_until_another_load_bears_its_number(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_spore_chain(&app).await;
    lay_out(&clinic).await;
    app.plan().await;
    load(&clinic, 950, "118", &json!({ "holds_implants": true })).await;
    let held = trace(&clinic, "118").await["quarantines"][0]["quarantine_id"].clone();
    app.advance(chrono::TimeDelta::minutes(10));
    let task = clinic.due_of(id(901)).await;
    let flags = async |n: u32| {
        let body = naming(&clinic, n, &task, &json!(["118"]));
        clinic.tablet.post("/v1/completions", body).await.expect(201)["flags"].clone()
    };
    release_as(&clinic, &held, 851, "discarded").await.expect(201);
    app.advance(chrono::TimeDelta::minutes(10));
    assert_eq!(flags(830).await[0]["flag"], "load_out_of_use");
    app.advance(chrono::TimeDelta::minutes(10));
    load(&clinic, 951, "118", &json!({})).await;
    app.advance(chrono::TimeDelta::minutes(10));
    assert_eq!(flags(831).await, json!([]));
}

/// Packs bear the number that the newest record of their cycle says, whenever that came.
#[sqlx::test]
async fn packs_of_a_load_that_got_its_number_after_it_was_held_are_told_of(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_spore_chain(&app).await;
    lay_out(&clinic).await;
    app.plan().await;
    cycle(&clinic, 950, "wrapped 134").await;
    say(&clinic, 950, &json!({ "holds_implants": true })).await.expect(201);
    let task = clinic.due_of(id(901)).await;
    let flags = async |n: u32, label: &str| {
        app.advance(chrono::TimeDelta::minutes(10));
        let body = naming(&clinic, n, &task, &json!([label]));
        clinic.tablet.post("/v1/completions", body).await.expect(201)["flags"].clone()
    };
    assert_eq!(flags(830, "118").await, json!([]), "nothing says which load that is");
    say(&clinic, 950, &json!({ "load_reference": "118" })).await.expect(201);
    assert_eq!(flags(831, "118").await[0]["flag"], "load_out_of_use");
    let misread = json!({ "load_reference": "119", "reason": "the label was misread" });
    say(&clinic, 950, &misread).await.expect(201);
    assert_eq!(flags(832, "119").await[0]["flag"], "load_out_of_use");
    assert_eq!(flags(833, "118").await, json!([]));
}

/// Nobody could know as they laid them out that the load would be doubted later: that is shown, and the work stands.
#[sqlx::test]
async fn packs_of_a_load_that_was_put_out_of_use_after_they_were_laid_out_are_shown_and_pass(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_spore_chain(&app).await;
    lay_out(&clinic).await;
    app.plan().await;
    let task = clinic.due_of(id(901)).await;
    let laid_out = naming(&clinic, 830, &task, &json!(["118"]));
    app.advance(chrono::TimeDelta::minutes(10));
    load(&clinic, 950, "118", &json!({ "holds_implants": true })).await;
    app.advance(chrono::TimeDelta::minutes(10));
    let kept = clinic.tablet.post("/v1/completions", laid_out).await.expect(201);
    assert_eq!((&kept["verdict"], &kept["flags"][0]["flag"]), (&json!("passed"), &json!("load_out_of_use")));
    assert_eq!(kept["steps"][0]["finding"], "load 118 was put out of use since");
}
