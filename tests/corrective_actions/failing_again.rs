//! Failures that could be talked away: odd controls, corrections that say nothing, growth after the release.

use serde_json::{Value, json};
use sqlx::PgPool;

use super::{
    CLINICIAN, LEAD, action, clinic_with_spore_chain, clinic_with_strips, close, cycle, kind_of, only_open, record,
    release, spore, spore_in, step, strip, strips, up_to_the_repeat,
};
use crate::support::app::App;
use crate::support::scenario::routine;
use crate::support::{at, id};

/// CDC, MMWR 52(RR-17) 2003, p. 24-25, read in a quotation: any positive counts as a malfunction until a repeat is read.
#[sqlx::test]
async fn growth_beside_an_odd_control_takes_the_machine_out_of_use_until_a_repeat_is_read(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_strips(&app).await;
    let task = clinic.due_in_clinic(routine::spore_test()).await;
    cycle(&clinic, 1830, "wrapped 134").await;
    let other_lot = json!({ "cycle_id": id(1830), "chamber": "loaded", "control_lot": "BI-2208" });
    let odd = clinic.tablet.post("/v1/completions", strips(&clinic, 830, &task, true, &other_lot)).await;
    assert_eq!(odd.expect(201)["verdict"], "void");
    let item = only_open(&clinic).await;
    let opened = action(&clinic, &item).await;
    assert_eq!((&opened["kind"], &opened["cause_id"]), (&json!("positive_spore_test"), &json!(id(830))));
    assert_eq!(
        (&opened["quarantine_ids"].as_array().map(Vec::len), &opened["cause_lifted"]),
        (&Some(1), &json!(false))
    );
    // A repeat without growth, whose control's lot was written otherwise, is a repeat.
    app.advance(chrono::TimeDelta::minutes(20));
    // It is asked for by the void test, and by the action.
    let due = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    let tasks = due["tasks"].as_array().expect("a list");
    let again = tasks.iter().find(|t| t["routine_id"] == json!(routine::spore_test())).expect("a repeat").clone();
    assert_ne!(again["task_id"], task["task_id"]);
    cycle(&clinic, 1831, "wrapped 134").await;
    let same_lot = json!({ "cycle_id": id(1831), "chamber": "loaded", "control_lot": " bi-2207 " });
    let repeat = clinic.tablet.post("/v1/completions", strips(&clinic, 831, &again, false, &same_lot)).await;
    assert_eq!(repeat.expect(201)["verdict"], "passed");
    up_to_the_repeat(&app, &clinic, &item).await;
    let recorded = record(&clinic, 843, &json!({ "completion_id": id(831) }));
    assert_eq!(step(&clinic, &item, "repeat-test", recorded).await.expect(201)["result"], "passed");
}

#[sqlx::test]
async fn a_correction_that_says_nothing_lifts_no_growth(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_spore_chain(&app).await;
    let failed = spore(&clinic, 830, "1").await;
    let item = only_open(&clinic).await;
    let pending = json!([{ "step": "growth", "status": "result_pending" }]);
    let skipped = json!([{ "step": "growth", "status": "skipped", "reason": "the strip was lost" }]);
    let mut corrected = 830;
    for (n, kind, steps) in [
        (831, "performed", pending),
        (832, "performed", json!([])),
        (833, "performed", skipped),
        (834, "void", json!([])),
    ] {
        let mut body = strip(&clinic, n, &failed, None);
        body["kind"] = json!(kind);
        body["steps"] = steps;
        body["corrects"] = json!(id(corrected));
        body["reason"] = json!("entered at the wrong machine");
        clinic.tablet.post("/v1/completions", body).await.expect(201);
        corrected = n;
        let standing = action(&clinic, &item).await;
        assert_eq!((&standing["cause_lifted"], &standing["notes"]), (&json!(false), &json!([])), "{n}");
        assert_eq!(kind_of(&close(&clinic, &item, 860, CLINICIAN).await), "/problems/close-not-yet", "{n}");
    }
    // What was read in the end counts, whatever was said between.
    let mut read = strip(&clinic, 835, &failed, Some("0"));
    read["corrects"] = json!(id(corrected));
    read["reason"] = json!("the strip of another machine was read");
    clinic.tablet.post("/v1/completions", read).await.expect(201);
    assert_eq!(action(&clinic, &item).await["cause_lifted"], json!(true));
}

/// Growth after the machine was released is a failure of its own, though nobody has closed the first action.
#[sqlx::test]
async fn a_second_growth_after_the_release_takes_the_machine_out_of_use_again(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = clinic_with_strips(&app).await;
    spore_in(&clinic, 830, true, "loaded").await;
    let item = only_open(&clinic).await;
    app.advance(chrono::TimeDelta::minutes(20));
    spore_in(&clinic, 831, false, "loaded").await;
    up_to_the_repeat(&app, &clinic, &item).await;
    let repeat = record(&clinic, 843, &json!({ "completion_id": id(831) }));
    step(&clinic, &item, "repeat-test", repeat).await.expect(201);
    step(&clinic, &item, "other-records", record(&clinic, 846, &json!({ "result": "passed" }))).await.expect(201);
    let first = action(&clinic, &item).await["quarantine_ids"][0].clone();
    release(&clinic, &first, 850, LEAD).await.expect(201);
    app.advance(chrono::TimeDelta::days(7));
    app.plan().await;
    spore_in(&clinic, 832, true, "loaded").await;
    let standing = format!("/v1/clinics/{}/quarantines?standing=true", clinic.clinic_id);
    let out = clinic.tablet.get(&standing).await.expect(200)["items"].clone();
    let out: Vec<&Value> =
        out.as_array().expect("a list").iter().filter(|item| item["load_reference"] == Value::Null).collect();
    assert_eq!((out.len(), &out[0]["subject_id"]), (1, &json!(clinic.steriliser)), "{out:?}");
    assert_ne!(out[0]["quarantine_id"], first);
    assert_eq!(action(&clinic, &item).await["notes"][0]["kind"], "further_failure");
    let open = clinic.manager.get("/v1/corrective-actions?state=open").await.expect(200);
    assert_eq!(open["items"].as_array().map(Vec::len), Some(2), "{open}");
}
