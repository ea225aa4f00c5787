//! A product that should not have been used: rinsed, repeated and told of, whatever the routine says.

use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use super::{action, only_open, record, step};
use crate::products::{OTHER, PEROXIDE, RIGHT, completion, lot, product, routine, set_up};
use crate::support::app::App;
use crate::support::scenario::Clinic;
use crate::support::{at, id};

const OPENED: Option<&str> = Some("2026-11-01T09:00:00Z");
const WHEN: &str = "2026-11-02T07:39:00Z";

async fn open(clinic: &Clinic<'_>) -> Vec<Value> {
    let list = clinic.manager.get("/v1/corrective-actions?state=open").await.expect(200);
    list["items"].as_array().expect("a list").clone()
}

fn noted(action: &Value, kind: &str) -> Vec<Value> {
    let of_kind = action["notes"].as_array().expect("notes").iter().filter(|note| note["kind"] == kind);
    let mut completion_ids: Vec<_> = of_kind.map(|note| note["completion_id"].clone()).collect();
    // Of one instant they come in no order.
    completion_ids.sort_by_key(Value::to_string);
    completion_ids
}

#[sqlx::test]
async fn a_wrong_expired_or_old_product_puts_the_chair_out_of_use_and_a_bad_record_of_a_right_one_does_not(
    pool: PgPool,
) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[RIGHT], "waterlines").await;
    let post = async |n: u32, lot: Uuid, seconds: u32| {
        let posted = completion(n, &task, lot, seconds, WHEN);
        assert_eq!(clinic.tablet.post("/v1/completions", posted).await.expect(201)["verdict"], "failed");
    };
    let right = lot(&clinic, 830, RIGHT, "2027-01-31", OPENED).await;
    let never_opened = lot(&clinic, 831, RIGHT, "2027-01-31", None).await;
    let emptied = lot(&clinic, 832, RIGHT, "2027-01-31", OPENED).await;
    let ended = json!({ "how": "emptied", "ended_at": "2026-11-02T07:00:00Z", "performed_by": "KV" });
    clinic.tablet.put(&format!("/v1/lots/{emptied}/ended"), ended).await.expect(201);
    for (n, lot, seconds) in [(840, right, 10), (841, never_opened, 1000), (842, emptied, 1000)] {
        post(n, lot, seconds).await;
    }
    assert_eq!(open(&clinic).await, [] as [Value; 0]);

    post(843, lot(&clinic, 833, OTHER, "2027-01-31", OPENED).await, 1000).await;
    let item = only_open(&clinic).await;
    let opened = action(&clinic, &item).await;
    assert_eq!(
        (&opened["kind"], &opened["cause"], &opened["cause_id"]),
        (&json!("wrong_or_expired_product"), &json!("completion"), &json!(id(843)))
    );
    assert!(opened["reason"].as_str().is_some_and(|why| why.contains("not a product of this step")), "{opened}");
    let readiness = clinic.tablet.get(&format!("/v1/operatories/{}/readiness", clinic.chair)).await.expect(200);
    assert_eq!(readiness["standing"][0]["action_id"], item["action_id"]);
    // Each of these is a wrong product too, and noted while the action is open; a short hold is none.
    post(844, lot(&clinic, 834, RIGHT, "2026-11-01", OPENED).await, 1000).await;
    post(845, lot(&clinic, 835, RIGHT, "2027-01-31", Some("2026-10-25T09:00:00Z")).await, 1000).await;
    post(846, right, 10).await;
    let standing = action(&clinic, &only_open(&clinic).await).await;
    assert_eq!(noted(&standing, "further_failure"), [json!(id(844)), json!(id(845))]);
}

/// 40 CFR 441.30(b)(2), read: no oxidiser outside pH 6 to 8 where it is in force. A label that tells no pH fails the record
/// and says nothing of what is in the lines; one that tells 4.0 does.
#[sqlx::test]
async fn a_cleaner_whose_label_tells_no_ph_leaves_the_chair_in_use_and_one_of_a_wrong_ph_does_not(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[PEROXIDE], "suction_lines").await;
    let here = json!({ "name": "Clinic 0", "zone": "Europe/London", "jurisdiction": "US-WA" });
    clinic.admin.put(&format!("/v1/clinics/{}", clinic.clinic_id), here).await.expect(200);
    let lot = lot(&clinic, 831, PEROXIDE, "2027-01-31", OPENED).await;
    let mut content = product("Cleaner P", true, "4.0");
    content["effective_on"] = json!("2026-11-02");
    let mut unknown = content.clone();
    unknown["product"].as_object_mut().expect("a product").remove("ph");
    for (n, content, opened) in [(840, unknown, 0), (841, content, 1)] {
        let put = clinic.admin.put(&format!("/v1/products/{}", id(PEROXIDE)), content).await;
        assert!(put.status.is_success(), "{}", put.text);
        let posted = completion(n, &task, lot, 1000, WHEN);
        assert_eq!(clinic.tablet.post("/v1/completions", posted).await.expect(201)["verdict"], "failed");
        let found = open(&clinic).await;
        assert_eq!(found.len(), opened, "{found:?}");
    }
    assert_eq!(only_open(&clinic).await["kind"], "wrong_or_expired_product");
}

#[sqlx::test]
async fn a_routine_that_names_a_chain_has_it_opened_beside_and_one_that_names_this_chain_once(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let (clinic, _) = set_up(&app, &[RIGHT], "waterlines").await;
    let wrong = lot(&clinic, 831, OTHER, "2027-01-31", OPENED).await;
    let mut content = routine(clinic.clinic_id, &[RIGHT], "waterlines");
    for (n, on_fail, kinds) in [
        (850, "wrong_or_expired_product", vec!["wrong_or_expired_product"]),
        (851, "failed_cleaning_test", vec!["failed_cleaning_test", "wrong_or_expired_product"]),
    ] {
        content["routine"]["on_fail"] = json!(on_fail);
        clinic.admin.put(&format!("/v1/routines/{}", id(n)), content.clone()).await.expect(201);
        app.plan().await;
        let before = open(&clinic).await.len();
        let task = clinic.due_of(id(n)).await;
        let posted = completion(n, &task, wrong, 1000, WHEN);
        clinic.tablet.post("/v1/completions", posted).await.expect(201);
        let mut found: Vec<_> = open(&clinic).await.iter().map(|item| item["kind"].clone()).collect();
        found.sort_by_key(Value::to_string);
        // The second time the first chain is open about the chair already.
        assert_eq!(found, kinds, "{before} before");
    }
}

#[sqlx::test]
async fn a_lot_that_was_mistyped_is_corrected_and_the_cause_is_lifted(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[RIGHT], "waterlines").await;
    let right = lot(&clinic, 830, RIGHT, "2027-01-31", OPENED).await;
    let expired = lot(&clinic, 831, RIGHT, "2026-11-01", OPENED).await;
    clinic.tablet.post("/v1/completions", completion(840, &task, expired, 1000, WHEN)).await.expect(201);
    let item = only_open(&clinic).await;
    let mut corrected = completion(841, &task, right, 1000, WHEN);
    corrected["corrects"] = json!(id(840));
    corrected["reason"] = json!("the bottle beside it was scanned");
    assert_eq!(clinic.tablet.post("/v1/completions", corrected).await.expect(201)["verdict"], "passed");
    let standing = action(&clinic, &item).await;
    assert_eq!(noted(&standing, "cause_corrected"), [json!(id(841))]);
    assert_eq!(standing["cause_lifted"], json!(true));
}

#[sqlx::test]
async fn the_work_is_asked_for_again_although_its_routine_has_gone_out_of_use(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[RIGHT], "waterlines").await;
    let wrong = lot(&clinic, 831, OTHER, "2027-01-31", OPENED).await;
    clinic.tablet.post("/v1/completions", completion(840, &task, wrong, 1000, WHEN)).await.expect(201);
    let item = only_open(&clinic).await;
    let mut content = routine(clinic.clinic_id, &[RIGHT], "waterlines");
    content["effective_on"] = json!("2026-11-02");
    content["routine"]["in_use"] = json!(false);
    clinic.admin.put(&format!("/v1/routines/{}", id(820)), content).await.expect(200);
    app.plan().await;
    let removed = record(&clinic, 810, &json!({}));
    step(&clinic, &item, "remove", removed).await.expect(201);
    let due = clinic.tablet.get(&format!("/v1/operatories/{}/due", clinic.chair)).await.expect(200);
    let tasks = due["tasks"].as_array().expect("a list");
    let again = tasks.iter().find(|task| task["because"]["fact"]["kind"] == "wanted_work").expect("the work again");
    assert_eq!(again["routine_id"], json!(id(820)));
}
