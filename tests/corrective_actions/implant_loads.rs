//! Loads with implantable devices: a spore test in each, and held until its result (CDC, MMWR 52(RR-17) 2003, rec. VI.G,
//! p. 24, read in a quotation).

use serde_json::{Value, json};
use sqlx::PgPool;

use super::loads::{labels_out, load, say, standing};
use super::{LEAD, clinic_with_strips, cycle, kind_of, release, spore_in, strips, strips_read, text};
use crate::support::app::App;
use crate::support::scenario::Clinic;
use crate::support::{at, id};

const START: &str = "2026-11-02T06:00:00Z";

/// The clinic after its weekly test, with load 118 of implantable devices.
async fn clinic_with_load(app: &App) -> Clinic<'_> {
    let clinic = clinic_with_strips(app).await;
    spore_in(&clinic, 829, false, "loaded").await;
    app.advance(chrono::TimeDelta::minutes(30));
    load(&clinic, 950, "118", &json!({ "holds_implants": true })).await;
    clinic
}

/// The test that the load waits for, as it stands on the list of what is due.
async fn wanted(clinic: &Clinic<'_>) -> Option<Value> {
    let list = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    let tasks = list["tasks"].as_array().expect("a list");
    tasks.iter().find(|t| t["because"]["fact"]["kind"] == "implant_load").cloned()
}

async fn only_standing(clinic: &Clinic<'_>) -> Value {
    let standing = standing(clinic).await;
    assert_eq!(standing.len(), 1, "{standing:?}");
    standing[0].clone()
}

#[sqlx::test]
async fn a_load_with_implants_is_released_by_the_test_of_its_own_cycle_and_no_other(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_load(&app).await;
    let held = only_standing(&clinic).await;
    assert_eq!(
        (&held["cause"], &held["cause_id"], &held["load_reference"]),
        (&json!("cycle"), &json!(id(950)), &json!("118"))
    );
    // Said again, and then more of it: held once.
    say(&clinic, 950, &json!({ "holds_implants": true })).await.expect(200);
    say(&clinic, 950, &json!({ "printed_words": "CYCLE OK" })).await.expect(201);
    assert_eq!(only_standing(&clinic).await["quarantine_id"], held["quarantine_id"]);
    let missing = format!("record missing: a spore test that ran in cycle {} and passed", id(950));
    let refused = release(&clinic, &held["quarantine_id"], 851, LEAD).await;
    assert_eq!(
        (kind_of(&refused), &refused.json()["errors"][0]["detail"]),
        ("/problems/release-not-yet".to_owned(), &json!(missing))
    );

    // Its test is due within two days (24 to 48 h at the site: ISO 11138-3 and CDC; read, partly from memory).
    let task = wanted(&clinic).await.expect("a wanted test");
    assert!(text(&task["why"]).starts_with("Load 118 holds implantable devices"), "{task}");
    assert_eq!(task["due_by"], json!(app.clock.now() + chrono::TimeDelta::days(2)));

    // A test that passed in the next cycle covers the machine, and not this load.
    app.advance(chrono::TimeDelta::minutes(30));
    cycle(&clinic, 951, "wrapped 134").await;
    let elsewhere = strips(&clinic, 830, &task, false, &json!({ "cycle_id": id(951), "chamber": "loaded" }));
    clinic.tablet.post("/v1/completions", elsewhere).await.expect(201);
    release(&clinic, &held["quarantine_id"], 851, LEAD).await.expect(409);
    // Corrected: it ran in this cycle after all.
    let mut own = strips(&clinic, 831, &task, false, &json!({ "cycle_id": id(950), "chamber": "loaded" }));
    own["corrects"] = json!(id(830));
    own["reason"] = json!("the cycle was misread");
    clinic.tablet.post("/v1/completions", own).await.expect(201);
    release(&clinic, &held["quarantine_id"], 851, LEAD).await.expect(201);
    assert_eq!(standing(&clinic).await, Vec::<Value>::new());
}

#[sqlx::test]
async fn growth_in_the_load_itself_never_releases_it_as_it_is(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_load(&app).await;
    let held = only_standing(&clinic).await;
    let task = wanted(&clinic).await.expect("a wanted test");
    let growth = strips(&clinic, 830, &task, true, &json!({ "cycle_id": id(950), "chamber": "loaded" }));
    clinic.tablet.post("/v1/completions", growth).await.expect(201);
    // Held for its own test and by the action: each is released by itself.
    assert_eq!(labels_out(&clinic).await, ["118", "118"]);
    let refused = release(&clinic, &held["quarantine_id"], 851, LEAD).await.expect(409);
    assert!(refused["errors"][0]["detail"].as_str().is_some_and(|said| said.contains("and passed")), "{refused}");
}

#[sqlx::test]
async fn a_load_that_is_processed_again_or_held_no_implants_waits_for_no_test(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_load(&app).await;
    let held = only_standing(&clinic).await;
    let again = json!({ "release_id": id(851), "reason": "wrapped anew", "disposition": "processed_again",
                        "signature": super::signature(LEAD) });
    let path = format!("/v1/quarantines/{}/release", text(&held["quarantine_id"]));
    clinic.tablet.post(&path, again).await.expect(201);
    assert_eq!(wanted(&clinic).await, None);

    load(&clinic, 951, "119", &json!({ "holds_implants": true })).await;
    let held = only_standing(&clinic).await;
    let mistaken = json!({ "holds_implants": false, "reason": "the tray list was misread" });
    say(&clinic, 951, &mistaken).await.expect(201);
    // Said in a record, it still takes a named person to release it.
    assert_eq!(only_standing(&clinic).await["quarantine_id"], held["quarantine_id"]);
    release(&clinic, &held["quarantine_id"], 852, LEAD).await.expect(201);
    assert_eq!(wanted(&clinic).await, None);
}

/// The rule is the group's chain, and local practice may put another in its place.
#[sqlx::test]
async fn a_group_whose_chain_says_nothing_of_implants_holds_no_load_for_them(pool: PgPool) {
    let app = App::new(pool, at(START)).await;
    let clinic = clinic_with_strips(&app).await;
    let path = "/v1/corrective-chains/positive_spore_test";
    let mut chain = clinic.admin.get(path).await.expect(200)["chain"].clone();
    chain["implant_test"]["counted_from"] = json!("step_before");
    let refused = clinic.admin.put(path, chain.clone()).await;
    assert_eq!(refused.pointers(), ["/implant_test/counted_from"], "{}", refused.text);
    chain.as_object_mut().expect("an object").remove("implant_test");
    clinic.admin.put(path, chain).await.expect(201);
    load(&clinic, 950, "118", &json!({ "holds_implants": true })).await;
    assert_eq!(standing(&clinic).await, Vec::<Value>::new());
    strips_read(&clinic, 830, false, &json!({})).await;
}
