//! A separator that is full, leaks or is in alarm (CA-7: common practice; that inspections, changes of the container and repairs
//! are recorded with date and person: 40 CFR 441.50(b), read).

use serde_json::{Value, json};
use sqlx::PgPool;

use super::{CLINICIAN, action, close, kind_of, only_open, people, record, step};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

/// A weekly look at the separator, asked for daily here.
fn look() -> Value {
    json!({
        "name": "Look at the separator", "subject_kind": "amalgam_separator", "anchor": { "kind": "opening" },
        "on_fail": "separator_full_or_faulty",
        "window": { "may_start_minutes": -60, "due_by_minutes": 480, "overdue_minutes": 600, "missed_minutes": 2880 },
        "steps": [{ "key": "level", "instruction": "Level, alarm and joints.",
                    "evidence": { "kind": "choice", "on_failure": "record",
                                  "options": [{ "key": "in-order", "text": "in order", "passes": true },
                                              { "key": "full", "text": "full, leaking or in alarm", "passes": false }] } }],
        "rough_minutes": 5,
        "sources": [{ "title": "common practice", "edition": "none", "seen": "common_practice" }] })
}

/// Records a look that is due.
async fn looked(clinic: &Clinic<'_>, n: u32, option: &str) -> Value {
    let list = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    let tasks = list["tasks"].as_array().expect("a list");
    let task = tasks.iter().rev().find(|t| t["routine_id"] == json!(id(905))).expect("a look that is due");
    let body = json!({
        "completion_id": id(n), "task_id": task["task_id"], "performed_at": clinic.admin.app.clock.now(),
        "performed_by": "IB",
        "steps": [{ "step": "level", "status": "done", "given": { "kind": "choice", "option": option } }],
    });
    clinic.tablet.post("/v1/completions", body).await.expect(201)
}

#[sqlx::test]
async fn a_repair_is_looked_at_by_the_routine_and_so_is_the_one_after_it(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    people(&clinic).await;
    let separator = json!({ "clinic_id": clinic.clinic_id, "kind": "amalgam_separator", "name": "Separator",
                            "service": { "state": "in_service" } });
    clinic.admin.put(&format!("/v1/equipment/{}", id(310)), separator).await.expect(201);
    let body = json!({ "effective_on": "2026-11-01", "routine": look() });
    clinic.admin.put(&format!("/v1/routines/{}", id(905)), body).await.expect(201);
    app.plan().await;
    app.set(at("2026-11-02T09:00:00Z"));
    looked(&clinic, 830, "full").await;
    let item = only_open(&clinic).await;
    assert_eq!(item["kind"], "separator_full_or_faulty");
    let paper = json!({ "reference": "waste note 12" });
    step(&clinic, &item, "decide-use", record(&clinic, 810, &json!({}))).await.expect(201);
    step(&clinic, &item, "replace-or-repair", record(&clinic, 811, &paper)).await.expect(201);
    // Nobody's word stands for the look: it is the verdict of the next one that is recorded.
    let word = record(&clinic, 812, &json!({ "result": "passed" }));
    assert_eq!(step(&clinic, &item, "look-again", word).await.pointers(), ["/completion_id", "/result"]);
    app.set(at("2026-11-02T11:00:00Z"));
    looked(&clinic, 831, "full").await;
    let by_look = record(&clinic, 813, &json!({ "completion_id": id(831) }));
    assert_eq!(step(&clinic, &item, "look-again", by_look).await.expect(201)["result"], "failed");
    step(&clinic, &item, "replace-or-repair-again", record(&clinic, 814, &paper)).await.expect(201);
    assert_eq!(kind_of(&close(&clinic, &item, 860, CLINICIAN).await), "/problems/close-not-yet");
    assert_eq!(action(&clinic, &item).await["waits_for"]["step"], "look-after-repair");
    app.set(at("2026-11-02T13:00:00Z"));
    looked(&clinic, 832, "in-order").await;
    let by_look = record(&clinic, 815, &json!({ "completion_id": id(832) }));
    assert_eq!(step(&clinic, &item, "look-after-repair", by_look).await.expect(201)["result"], "passed");
    close(&clinic, &item, 861, CLINICIAN).await.expect(201);
}
