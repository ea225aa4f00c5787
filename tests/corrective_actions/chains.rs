//! Which chain a failure opens, and what a group's own version changes.

use serde_json::{Value, json};
use sqlx::PgPool;

use super::{action, clinic_with_spore_chain, failing, kind_of, only_open, record, spore, step, strip, strips_read};
use crate::support::app::App;
use crate::support::scenario::{self, routine};
use crate::support::{at, id};

const BY_COMPLETION: [&str; 8] = [
    "water_over_limit",
    "positive_spore_test",
    "failed_load",
    "failed_control_test",
    "failed_cleaning_test",
    "temperature_out_of_range",
    "separator_full_or_faulty",
    "wrong_or_expired_product",
];

#[sqlx::test]
async fn each_chain_is_opened_by_a_completion_that_falls_short_and_by_none_that_leaves_steps_out(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let mut routines = Vec::new();
    for (n, kind) in (900..).zip(BY_COMPLETION) {
        routines.push((kind, failing(&clinic, n, kind).await));
    }
    app.plan().await;
    app.set(at("2026-11-02T09:00:00Z"));
    for (n, (kind, routine_id)) in (920_u32..).zip(routines) {
        let task = clinic.due_in_clinic(routine_id).await;
        let list = format!("/v1/corrective-actions?kind={kind}");
        // Nothing was read: the task stays open, and nothing has failed.
        let mut without = strip(&clinic, n + 20, &task, Some("1"));
        without["steps"] = json!([{ "step": "growth", "status": "skipped", "reason": "the strip was lost" }]);
        clinic.tablet.post("/v1/completions", without).await.expect(201);
        assert_eq!(clinic.manager.get(&list).await.expect(200)["items"], json!([]), "{kind}");
        clinic.tablet.post("/v1/completions", strip(&clinic, n, &task, Some("1"))).await.expect(201);
        let found = clinic.manager.get(&list).await.expect(200);
        assert_eq!(found["items"].as_array().map(Vec::len), Some(1), "{kind}: {found}");
        let shipped = clinic.manager.get(&format!("/v1/corrective-chains/{kind}")).await.expect(200);
        let opened = action(&clinic, &found["items"][0]).await;
        let is_out = opened["quarantine_ids"].as_array().is_some_and(|ids| !ids.is_empty());
        assert_eq!(json!(is_out), shipped["chain"]["quarantines"], "{kind}");
    }
}

/// Each positive counts (CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation), whatever a routine leaves out.
#[sqlx::test]
async fn growth_opens_its_chain_also_where_the_routine_names_none(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let (_, mut content) = scenario::routines().pop().expect("the spore test");
    assert_eq!(content["on_fail"], Value::Null);
    content["steps"] =
        json!([{ "key": "growth", "instruction": "Read both strips.", "evidence": { "kind": "spore_test" } }]);
    let body = json!({ "effective_on": "2026-11-01", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::spore_test()), body).await.expect(200);
    app.plan().await;
    app.set(at("2026-11-02T09:00:00Z"));
    strips_read(&clinic, 830, true, &json!({ "chamber": "loaded" })).await;
    let opened = action(&clinic, &only_open(&clinic).await).await;
    assert_eq!(opened["kind"], "positive_spore_test");
    assert_eq!(opened["quarantine_ids"].as_array().map(Vec::len), Some(1));
}

#[sqlx::test]
async fn a_routine_names_a_chain_that_there_is_and_opens_misses_only_where_they_matter(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let put = async |number: u32, content: &Value| {
        let body = json!({ "effective_on": "2026-11-01", "routine": content });
        clinic.admin.put(&format!("/v1/routines/{}", id(number)), body).await
    };
    let (_, spore_test) = scenario::routines().pop().expect("the spore test");
    let (_, flush) = scenario::routines().remove(1);
    let mut tested = spore_test.clone();
    tested["on_fail"] = json!("positive_spore_test");
    for (number, content, field, value, status) in [
        (901, &spore_test, "on_fail", "bad_weather", 400),
        (901, &spore_test, "on_miss", "missed_routine", 422),
        (901, &tested, "on_miss", "missed_routine", 201),
        (902, &flush, "on_miss", "failed_load", 422),
        (902, &flush, "on_miss", "missed_routine", 201),
    ] {
        let mut content = content.clone();
        content[field] = json!(value);
        put(number, &content).await.expect(status);
    }
}

#[sqlx::test]
async fn a_groups_own_chain_is_checked_versioned_and_leaves_standing_actions_alone(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_spore_chain(&app).await;
    let path = "/v1/corrective-chains/positive_spore_test";
    let shipped = clinic.tablet.get(path).await.expect(200);
    assert_eq!(shipped["version"], json!(0));
    spore(&clinic, 830, "1").await;
    let before = action(&clinic, &only_open(&clinic).await).await;
    // Any positive test counts as a malfunction, without a repeat: the conservative option of CDC, MMWR 52(RR-17) 2003,
    // p. 24-25, read in a quotation.
    let mut conservative = shipped["chain"].clone();
    let steps = conservative["steps"].as_array_mut().expect("steps");
    steps.retain(|s| s["key"] != "repeat-test" && s["key"] != "other-records");
    for step in steps.iter_mut() {
        step.as_object_mut().expect("a step").remove("only_if");
    }
    // Three in a row after one positive, without inspection: CDC, Disinfection and Sterilization 2008, table 12, read.
    let mut three_at_once = conservative.clone();
    three_at_once["steps"]
        .as_array_mut()
        .expect("steps")
        .retain(|s| s["key"] != "inspect" && s["key"] != "withdraw-loads");
    let put = async |chain: &Value| clinic.admin.put(path, chain.clone()).await;
    assert_eq!(put(&conservative).await.expect(201)["version"], json!(1));
    assert_eq!(put(&conservative).await.expect(200)["version"], json!(1));
    assert_eq!(put(&three_at_once).await.expect(200)["version"], json!(2));
    let versions = clinic.tablet.get(&format!("{path}/versions")).await.expect(200);
    let numbers: Vec<_> = versions["items"].as_array().expect("a list").iter().map(|v| v["version"].clone()).collect();
    assert_eq!(numbers, [2, 1, 0]);
    let after = action(&clinic, &only_open(&clinic).await).await;
    assert_eq!(after["steps"], before["steps"]);

    let mut bad = three_at_once.clone();
    bad["steps"][0]["key"] = json!("Take Out");
    assert_eq!(put(&bad).await.pointers(), ["/steps/0/key"]);
    let mut stranger = three_at_once;
    stranger["steps"][3]["evidence"]["routine_id"] = json!(id(999));
    assert_eq!(put(&stranger).await.pointers(), ["/steps/3/evidence/routine_id"]);
    clinic.manager.put(path, shipped["chain"].clone()).await.expect(403);
    clinic.tablet.get("/v1/corrective-chains/rain").await.expect(404);
    let all = clinic.tablet.get("/v1/corrective-chains").await.expect(200);
    assert_eq!(all["items"].as_array().map(Vec::len), Some(12));
}

#[sqlx::test]
async fn the_first_step_may_not_lie_in_the_future_and_says_what_its_evidence_wants(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_spore_chain(&app).await;
    spore(&clinic, 830, "1").await;
    let item = only_open(&clinic).await;
    let ahead = record(&clinic, 810, &json!({ "performed_at": "2026-11-02T10:00:00Z" }));
    assert_eq!(step(&clinic, &item, "take-out", ahead).await.pointers(), ["/performed_at"]);
    let judged = record(&clinic, 810, &json!({ "result": "passed" }));
    assert_eq!(step(&clinic, &item, "take-out", judged).await.pointers(), ["/result"]);
    step(&clinic, &item, "take-out", record(&clinic, 810, &json!({}))).await.expect(201);
    let silent = record(&clinic, 811, &json!({ "note": " " }));
    assert_eq!(step(&clinic, &item, "withdraw-implants", silent).await.pointers(), ["/note"]);
    // One id is one record.
    let taken = step(&clinic, &item, "withdraw-implants", record(&clinic, 810, &json!({}))).await;
    assert_eq!(kind_of(&taken), "/problems/record-id-taken");
}
