//! Indicators by the register of lots: what is recalled there shows nothing in a steriliser.

use serde_json::{Value, json};
use sqlx::PgPool;

use super::{RIGHT, lot, products};
use crate::support::app::App;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// The spore test as a strip beside its control.
async fn reads_strips(clinic: &Clinic<'_>) {
    let (_, mut content) = scenario::routines().pop().expect("the spore test");
    content["steps"] = json!([{ "key": "growth", "instruction": "Read both.", "evidence": { "kind": "spore_test" } }]);
    let body = json!({ "effective_on": "2026-11-02", "routine": content });
    clinic.admin.put(&format!("/v1/routines/{}", routine::spore_test()), body).await.expect(200);
    clinic.admin.app.plan().await;
}

async fn read(clinic: &Clinic<'_>, n: u32, more: &Value) -> Value {
    // An action may ask for one beside the week's.
    let list = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    let mut tasks = list["tasks"].as_array().expect("a list").iter();
    let task = tasks.find(|task| task["routine_id"] == json!(routine::spore_test())).expect("a spore test that is due");
    let mut strips =
        json!({ "test_lot": "L-850", "control_lot": "L-850", "test_growth": false, "control_growth": true });
    strips.as_object_mut().expect("an object").extend(more.as_object().expect("an object").clone());
    let body = json!({
        "completion_id": id(n), "task_id": task["task_id"], "performed_at": clinic.admin.app.clock.now(),
        "performed_by": "KV",
        "steps": [{ "step": "growth", "status": "done", "given": { "kind": "spore_test", "strips": strips } }],
    });
    clinic.tablet.post("/v1/completions", body).await.expect(201)
}

#[sqlx::test]
async fn a_recalled_lot_of_indicators_lists_its_tests_and_the_next_one_with_it_is_void(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:40:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    products(&clinic.admin).await;
    reads_strips(&clinic).await;
    let lot = lot(&clinic, 850, RIGHT, "2027-01-31", None).await;
    let unknown = clinic.due_in_clinic(routine::spore_test()).await;
    let strips = json!({ "test_lot": "L-850", "control_lot": "L-850", "lot_id": id(851), "test_growth": false,
                         "control_growth": true });
    let body = json!({
        "completion_id": id(860), "task_id": unknown["task_id"], "performed_at": "2026-11-02T08:40:00Z",
        "performed_by": "KV",
        "steps": [{ "step": "growth", "status": "done", "given": { "kind": "spore_test", "strips": strips } }],
    });
    let refused = clinic.tablet.post("/v1/completions", body).await;
    assert_eq!(refused.pointers(), ["/steps/0/given/strips/lot_id"]);

    let passed = read(&clinic, 861, &json!({ "lot_id": lot })).await;
    assert_eq!((&passed["verdict"], &passed["flags"]), (&json!("passed"), &json!([])));
    assert_eq!(passed["steps"][0]["lot_id"], json!(lot));
    let recall = json!({ "recalled": true, "reason": "invented", "authority": "notice 1", "performed_by": "MO" });
    clinic.manager.put(&format!("/v1/lots/{lot}/recall"), recall).await.expect(201);
    let uses = clinic.manager.get(&format!("/v1/lots/{lot}/uses")).await.expect(200);
    assert_eq!((&uses["total"], &uses["items"][0]["completion_id"]), (&json!(1), &json!(id(861))));
    let open = clinic.manager.get("/v1/corrective-actions?state=open").await.expect(200);
    let action = &open["items"][0];
    assert_eq!(
        (&action["kind"], &action["subject_id"]),
        (&json!("wrong_or_expired_product"), &json!(clinic.steriliser))
    );

    app.set(at("2026-11-09T08:40:00Z"));
    app.plan().await;
    let void = read(&clinic, 862, &json!({ "lot_id": lot })).await;
    assert_eq!(void["verdict"], "void", "{void}");
    let finding = void["steps"][0]["finding"].as_str().expect("text");
    assert!(finding.contains("lot L-850 is recalled: invented"), "{finding}");
    // Its repeat, with strips of which nothing tells the last day.
    let told = read(&clinic, 863, &json!({ "test_lot": "BI-9", "control_lot": "BI-9" })).await;
    assert_eq!((&told["verdict"], &told["flags"][0]["flag"]), (&json!("passed"), &json!("no_last_day")));

    // The action about the machine asks for the work again with a right lot: that test names none, the next one does.
    let path =
        |key: &str| format!("/v1/corrective-actions/{}/steps/{key}", action["action_id"].as_str().expect("an id"));
    let said = |n: u32| json!({ "record_id": id(n), "performed_at": app.clock.now(), "performed_by": "IB", "note": "taken away" });
    clinic.tablet.put(&path("remove"), said(870)).await.expect(201);
    clinic.tablet.put(&path("repeat-with-right-lot"), said(871)).await.expect(409);
    let right = super::lot(&clinic, 852, RIGHT, "2027-01-31", None).await;
    app.set(at("2026-11-16T08:40:00Z"));
    app.plan().await;
    let again = read(&clinic, 864, &json!({ "test_lot": "L-852", "control_lot": "L-852", "lot_id": right })).await;
    assert_eq!(again["verdict"], "passed", "{again}");
    let recorded = clinic.tablet.put(&path("repeat-with-right-lot"), said(871)).await.expect(201);
    assert_eq!(recorded["completion_id"], json!(id(864)));
}
