//! What work was done with: products, lots, recalls, and the rule for lines that discharge amalgam.

mod indicators;

use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::{App, Client};
use crate::support::scenario::{self, Clinic};
use crate::support::{at, id};

/// Every figure here is invented for the test.
pub(crate) fn product(name: &str, oxidising: bool, ph: &str) -> Value {
    let source = json!({ "title": "invented for the test", "edition": "none", "seen": "from_memory" });
    json!({ "effective_on": "2026-01-01", "product": {
        "name": name, "instructions": { "ifu_reference": "leaflet of the test", "edition": "1" },
        "uses": [{ "key": "fill", "purpose": "Filled into lines", "contact_minimum_seconds": 900,
                   "contact_maximum_seconds": 1800, "source": source }],
        "oxidising": oxidising, "ph": ph, "life_after_opening": { "counted_in": "days", "days": 7 },
    } })
}

pub(crate) const RIGHT: u32 = 810;
pub(crate) const OTHER: u32 = 811;
pub(crate) const PEROXIDE: u32 = 812;

/// A routine before the first patient: a product into the lines, and a hold of ten minutes or the product's time.
pub(crate) fn routine(clinic_id: Uuid, products: &[u32], applied_to: &str) -> Value {
    let source = json!({ "title": "common practice", "edition": "none", "seen": "common_practice" });
    let ids: Vec<Uuid> = products.iter().map(|n| id(*n)).collect();
    json!({ "effective_on": "2026-01-01", "routine": {
        "name": "Fill and hold", "subject_kind": "operatory", "anchor": { "kind": "opening" },
        "selection": { "clinic_ids": [clinic_id] },
        "window": { "may_start_minutes": -60, "due_by_minutes": 0, "overdue_minutes": 10, "missed_minutes": 240 },
        "steps": [
            { "key": "fill", "instruction": "Fill the lines.",
              "evidence": { "kind": "product", "product_ids": ids, "use_key": "fill", "applied_to": applied_to } },
            { "key": "soak", "instruction": "Hold it.",
              "evidence": { "kind": "hold", "minimum_seconds": 600, "source": source, "minimum_from": "fill" } },
        ],
        "sources": [source], "cautions": [], "rough_minutes": 20,
    } })
}

async fn products(admin: &Client<'_>) {
    for (n, name, oxidising, ph) in
        [(RIGHT, "Cleaner R", false, "7"), (OTHER, "Cleaner O", false, "7"), (PEROXIDE, "Cleaner P", true, "4.0")]
    {
        let put = admin.put(&format!("/v1/products/{}", id(n)), product(name, oxidising, ph)).await;
        assert!(put.status.is_success(), "{}", put.text);
    }
}

/// Enters a lot and has it opened at an instant.
pub(crate) async fn lot(clinic: &Clinic<'_>, n: u32, product: u32, expires_on: &str, opened_at: Option<&str>) -> Uuid {
    let body = json!({ "product_id": id(product), "clinic_id": clinic.clinic_id, "lot_number": format!("L-{n}"),
                       "expires_on": expires_on });
    clinic.tablet.put(&format!("/v1/lots/{}", id(n)), body).await.expect(201);
    if let Some(opened_at) = opened_at {
        let body = json!({ "opened_at": opened_at, "performed_by": "KV" });
        clinic.tablet.put(&format!("/v1/lots/{}/opened", id(n)), body).await.expect(201);
    }
    id(n)
}

pub(crate) fn completion(n: u32, task: &Value, lot: Uuid, seconds: u32, performed_at: &str) -> Value {
    json!({ "completion_id": id(n), "task_id": task["task_id"], "performed_at": performed_at, "performed_by": "KV",
            "steps": [{ "step": "fill", "status": "done", "lot_id": lot },
                      { "step": "soak", "status": "done", "elapsed_seconds": seconds }] })
}

/// A planned clinic with its products and the routine, and the routine's task of that Monday.
pub(crate) async fn set_up<'a>(app: &'a App, products_named: &[u32], applied_to: &str) -> (Clinic<'a>, Value) {
    let clinic = scenario::clinic(app, "Europe/London").await;
    products(&clinic.admin).await;
    let body = routine(clinic.clinic_id, products_named, applied_to);
    clinic.admin.put(&format!("/v1/routines/{}", id(820)), body).await.expect(201);
    app.plan().await;
    let task = clinic.due_of(id(820)).await;
    (clinic, task)
}

/// The limits that decided a step, in short.
fn limits(step: &Value) -> Vec<String> {
    let text = |limit: &Value, field: &str| limit[field].as_str().unwrap_or("default").to_owned();
    let short = |limit: &Value| {
        let [operator, value, unit, set_by] = ["operator", "value", "unit", "set_by"].map(|field| text(limit, field));
        format!("{operator} {value} {unit} {} {set_by}", text(&limit["source"], "title"))
    };
    step["limits"].as_array().expect("limits").iter().map(short).collect()
}

fn step<'a>(answer: &'a Value, key: &str) -> &'a Value {
    answer["steps"].as_array().expect("steps").iter().find(|s| s["step"] == key).expect("the step")
}

#[sqlx::test]
async fn a_lot_that_may_not_be_used_fails_the_step_and_says_why(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[RIGHT], "waterlines").await;
    let opened = Some("2026-11-01T09:00:00Z");
    let wrong = lot(&clinic, 831, OTHER, "2027-01-31", opened).await;
    let expired = lot(&clinic, 832, RIGHT, "2026-11-01", opened).await;
    let old = lot(&clinic, 833, RIGHT, "2027-01-31", Some("2026-10-25T09:00:00Z")).await;
    let closed = lot(&clinic, 834, RIGHT, "2027-01-31", None).await;
    let emptied = lot(&clinic, 835, RIGHT, "2027-01-31", opened).await;
    let ended = json!({ "how": "emptied", "ended_at": "2026-11-02T07:00:00Z", "performed_by": "KV" });
    clinic.tablet.put(&format!("/v1/lots/{emptied}/ended"), ended).await.expect(201);
    let cases = [
        (wrong, "not a product of this step"),
        (expired, "expired on 2026-11-01"),
        (old, "over its in-use life"),
        (closed, "no opening"),
        (emptied, "recorded as emptied"),
    ];
    for (n, (lot, says)) in (840..).zip(cases) {
        let posted = completion(n, &task, lot, 1000, "2026-11-02T07:39:00Z");
        let answer = clinic.tablet.post("/v1/completions", posted).await.expect(201);
        assert_eq!((&answer["verdict"], &step(&answer, "fill")["verdict"]), (&json!("failed"), &json!("failed")));
        assert!(step(&answer, "fill")["finding"].as_str().expect("text").contains(says), "{says}: {answer}");
    }
    // A lot that nobody knows cannot be read.
    let posted = completion(850, &task, id(9_999), 1000, "2026-11-02T07:39:00Z");
    let refused = clinic.tablet.post("/v1/completions", posted).await;
    assert_eq!((refused.status.as_u16(), &refused.json()["errors"][0]["pointer"]), (422, &json!("/steps/0/lot_id")));
    // The expiry date itself still counts.
    let last_day = lot(&clinic, 836, RIGHT, "2026-11-02", opened).await;
    let posted = completion(851, &task, last_day, 1000, "2026-11-02T07:39:00Z");
    let answer = clinic.tablet.post("/v1/completions", posted).await.expect(201);
    assert_eq!(answer["verdict"], "passed", "{answer}");
    assert_eq!(
        (&step(&answer, "fill")["product_version"], &step(&answer, "fill")["lot_id"]),
        (&json!(1), &json!(last_day))
    );
}

#[sqlx::test]
async fn a_hold_takes_the_contact_time_of_the_product(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[RIGHT], "waterlines").await;
    let lot = lot(&clinic, 831, RIGHT, "2027-01-31", Some("2026-11-01T09:00:00Z")).await;
    // The routine's own ten minutes are not the product's fifteen, nor may it be more than thirty.
    for (n, seconds, verdict) in [(840, 899, "failed"), (841, 1801, "failed"), (842, 900, "passed")] {
        let posted = completion(n, &task, lot, seconds, "2026-11-02T07:39:00Z");
        let answer = clinic.tablet.post("/v1/completions", posted).await.expect(201);
        assert_eq!(answer["verdict"], verdict, "{seconds}: {answer}");
        let soak = step(&answer, "soak");
        assert_eq!((&soak["minimum_seconds"], &soak["maximum_seconds"]), (&json!(900), &json!(1800)));
        // What decided is kept as the limits of a reading are: with its source.
        let told: Vec<String> = limits(soak);
        assert_eq!(told, ["ge 900 s invented for the test maker", "le 1800 s invented for the test maker"]);
        assert_eq!(limits(step(&answer, "fill")), ["le 7 d leaflet of the test maker"]);
    }
    let rows: Vec<(i32, i32, i32)> = sqlx::query_as(
        "select minimum_seconds, maximum_seconds, jsonb_array_length(limits) from step_result where step_key = 'soak'",
    )
    .fetch_all(&pool)
    .await
    .expect("the owner reads everything");
    assert_eq!(rows, [(900, 1800, 2); 3]);
}

/// A lot that is old, recalled and of another clinic's is all of that, and a hold cut short is so beside it.
#[sqlx::test]
async fn every_reason_a_step_fell_short_is_kept(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[RIGHT], "waterlines").await;
    let lot = lot(&clinic, 831, RIGHT, "2026-11-01", Some("2026-10-25T09:00:00Z")).await;
    let recall = json!({ "recalled": true, "reason": "invented", "authority": "notice 1", "performed_by": "MO" });
    clinic.manager.put(&format!("/v1/lots/{lot}/recall"), recall).await.expect(201);
    let posted = completion(840, &task, lot, 599, "2026-11-02T07:39:00Z");
    let answer = clinic.tablet.post("/v1/completions", posted).await.expect(201);
    let finding = step(&answer, "fill")["finding"].as_str().expect("a text").to_owned();
    for reason in ["is recalled: invented", "expired on 2026-11-01", "over its in-use life after opening"] {
        assert!(finding.contains(reason), "{reason}: {finding}");
    }
    assert!(step(&answer, "soak")["finding"].as_str().expect("a text").contains("held 599 s of at least 900 s"));
}

/// 40 CFR 441.30(b)(2), read: what is not known to keep pH 6 to 8 cannot be shown to.
#[sqlx::test]
async fn an_oxidiser_of_unknown_ph_does_not_pass_where_the_amalgam_rule_is_in_force(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[PEROXIDE], "suction_lines").await;
    let mut unknown = product("Cleaner P", true, "4.0");
    unknown["product"].as_object_mut().expect("a product").remove("ph");
    unknown["effective_on"] = json!("2026-11-02");
    assert!(clinic.admin.put(&format!("/v1/products/{}", id(PEROXIDE)), unknown).await.status.is_success());
    let lot = lot(&clinic, 831, PEROXIDE, "2027-01-31", Some("2026-11-01T09:00:00Z")).await;
    for (n, place, verdict, of_rule) in [(840, "US-WA", "failed", 2), (841, "GB", "passed", 0)] {
        let body = json!({ "name": "Clinic 0", "zone": "Europe/London", "jurisdiction": place });
        clinic.admin.put(&format!("/v1/clinics/{}", clinic.clinic_id), body).await.expect(200);
        let posted = completion(n, &task, lot, 1000, "2026-11-02T07:39:00Z");
        let answer = clinic.tablet.post("/v1/completions", posted).await.expect(201);
        assert_eq!(answer["verdict"], verdict, "{place}: {answer}");
        let fill = step(&answer, "fill");
        assert!(fill["finding"].as_str().is_some_and(|f| f.contains("pH not recorded")), "{place}: {fill}");
        let kept = limits(fill).into_iter().filter(|limit| limit.contains("[pH]")).count();
        assert_eq!(kept, of_rule, "{place}: {fill}");
    }
}

#[sqlx::test]
async fn a_recall_blocks_what_comes_later_and_lists_all_uses_over_two_clinics(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[RIGHT], "waterlines").await;
    let lot = lot(&clinic, 831, RIGHT, "2027-01-31", Some("2026-11-01T09:00:00Z")).await;
    let first = completion(840, &task, lot, 1000, "2026-11-02T07:39:00Z");
    let answer = clinic.tablet.post("/v1/completions", first).await.expect(201);
    assert_eq!(answer["verdict"], "passed", "{answer}");
    // Its sister clinic uses the same bottle: kept as failed, and listed.
    let group_admin = clinic.admin.key("administrator", json!({ "kind": "group" })).await;
    let other = scenario::configure(group_admin, "Europe/London", 50).await;
    let body = routine(other.clinic_id, &[RIGHT], "waterlines");
    other.admin.put(&format!("/v1/routines/{}", id(821)), body).await.expect(201);
    app.plan().await;
    let there = other.due_of(id(821)).await;
    let answer = other.tablet.post("/v1/completions", completion(841, &there, lot, 1000, "2026-11-02T07:39:30Z")).await;
    assert!(step(&answer.expect(201), "fill")["finding"].as_str().expect("text").contains("another clinic"));

    let recall = json!({ "recalled": true, "reason": "invented", "authority": "notice 1", "performed_by": "MO" });
    let path = format!("/v1/lots/{lot}/recall");
    assert_eq!(clinic.tablet.put(&path, recall.clone()).await.status.as_u16(), 403);
    clinic.manager.put(&path, recall.clone()).await.expect(201);
    clinic.manager.put(&path, recall).await.expect(200);
    // Where it was used, an action stands, once.
    let actions: Vec<(Uuid, String, String)> =
        sqlx::query_as("select subject_id, kind, cause from corrective_action where cause_id = $1 order by 1")
            .bind(lot)
            .fetch_all(&pool)
            .await
            .expect("the owner reads everything");
    let expected = |subject| (subject, "wrong_or_expired_product".to_owned(), "lot".to_owned());
    assert_eq!(actions, [clinic.chair, other.chair].map(expected));
    // Done before the recall, entered after it.
    let posted = completion(842, &task, lot, 1000, "2026-11-02T07:38:00Z");
    let answer = clinic.tablet.post("/v1/completions", posted).await.expect(201);
    assert!(step(&answer, "fill")["finding"].as_str().expect("text").contains("recalled"), "{answer}");
    let mut listed = Vec::new();
    let mut path = Some(format!("/v1/lots/{lot}/uses?limit=2"));
    while let Some(page) = path.take() {
        let answer = clinic.manager.get(&page).await;
        let link = answer.headers.get("link").map(|l| l.to_str().expect("ASCII").to_owned());
        path = link.and_then(|l| Some(l.strip_prefix('<')?.split_once('>')?.0.to_owned()));
        let items = answer.expect(200)["items"].as_array().expect("a list").clone();
        listed.extend(items.iter().map(|item| item["completion_id"].clone()));
    }
    assert_eq!(listed, [json!(id(841)), json!(id(840)), json!(id(842))]);
    let of_one = clinic.tablet.get(&format!("/v1/lots/{lot}/uses")).await.expect(200);
    assert_eq!(of_one["items"].as_array().map(Vec::len), Some(2), "a key sees its clinics' work alone");
    assert_eq!(of_one["total"], json!(2));
    let told: i64 = sqlx::query_scalar("select count(*) from event where kind = 'lot_recalled'")
        .fetch_one(&pool)
        .await
        .expect("counted");
    assert_eq!(told, 1);
}

/// 40 CFR 441.30(b)(2), read: no oxidising or acidic cleaner outside pH 6 to 8; an oxidiser of pH 4.0 is one (computed).
#[sqlx::test]
async fn an_acid_oxidiser_in_suction_lines_fails_in_the_united_states_and_is_warned_about_elsewhere(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let (clinic, task) = set_up(&app, &[PEROXIDE], "suction_lines").await;
    let lot = lot(&clinic, 831, PEROXIDE, "2027-01-31", Some("2026-11-01T09:00:00Z")).await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    for (n, place, verdict) in [(840, "US-WA", "failed"), (841, "GB", "passed")] {
        let body = json!({ "name": "Clinic 0", "zone": "Europe/London", "jurisdiction": place });
        clinic.admin.put(&here, body).await.expect(200);
        let posted = completion(n, &task, lot, 1000, "2026-11-02T07:39:00Z");
        let answer = clinic.tablet.post("/v1/completions", posted).await.expect(201);
        assert_eq!(answer["verdict"], verdict, "{place}: {answer}");
        let finding = answer["findings"][0]["finding"].as_str().expect("a finding in either place");
        assert!(finding.contains("441.30(b)(2)"), "{finding}");
    }
}

#[sqlx::test]
async fn a_second_opening_takes_a_reason_and_leaves_the_first_in_sight(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let (clinic, _) = set_up(&app, &[RIGHT], "waterlines").await;
    let lot = lot(&clinic, 831, RIGHT, "2026-11-20", Some("2026-11-01T09:00:00Z")).await;
    let path = format!("/v1/lots/{lot}/opened");
    let again = json!({ "opened_at": "2026-11-01T09:00:00Z", "performed_by": "KV" });
    clinic.tablet.put(&path, again).await.expect(200);
    let mut other = json!({ "opened_at": "2026-10-31T09:00:00Z", "performed_by": "KV" });
    assert_eq!(clinic.tablet.put(&path, other.clone()).await.status.as_u16(), 422);
    other["reason"] = json!("the date on the bottle says so");
    let corrected = clinic.tablet.put(&path, other).await.expect(201);
    // Seven days from the 31st on, through the 7th (invented figure).
    assert_eq!(corrected["in_use_until"], "2026-11-08T00:00:00Z");
    assert_eq!(corrected["marks"].as_array().map(Vec::len), Some(2));
    let listed = clinic.manager.get("/v1/lots?expiring_within_days=30").await.expect(200);
    assert_eq!(listed["items"].as_array().map(Vec::len), Some(1));
    let listed = clinic.manager.get("/v1/lots?expiring_within_days=17").await.expect(200);
    assert_eq!(listed["items"].as_array().map(Vec::len), Some(0), "it expires in 18");
}

/// C1V1 = C2V2 (computed): 2 L of 0.02 % from a stock of 3 % take 13.33 mL.
#[sqlx::test]
async fn a_dilution_is_worked_out_and_not_kept(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T07:40:00Z")).await;
    let admin = app.group(id(1)).await;
    let mut body = json!({ "reservoir_ml": "2000", "recipe": { "kind": "strength",
        "stock": { "value": "3", "unit": "percent" }, "wanted": { "value": "0.02", "unit": "percent" } } });
    let answer = admin.post("/v1/dilutions", body.clone()).await.expect(200);
    assert_eq!(answer["mixture"]["stock_ml"], "13.33");
    assert_eq!(answer["mixture"]["water_ml"], "1986.67");
    body["recipe"]["wanted"]["value"] = json!("4");
    let refused = admin.post("/v1/dilutions", body).await;
    let pointer = &refused.json()["errors"][0]["pointer"];
    assert_eq!((refused.status.as_u16(), pointer), (422, &json!("/recipe/wanted/value")));
}
