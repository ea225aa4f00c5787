//! Tablets that several people share, and holds that a tablet timed by itself: kept whatever is lacking, and told.

use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;

use super::{flags_of, give_pin, kit, person, put_person, refused_for};
use crate::support::app::{App, Client};
use crate::support::scenario::{self, Clinic, device_hold, routine};
use crate::support::{at, id};

async fn shared_tablet<'a>(clinic: &Clinic<'a>, n: u32) -> Client<'a> {
    let body = json!({ "key_id": id(n), "label": "tablet on the wall", "role": "chairside", "shared": true,
                       "reach": { "kind": "clinics", "clinic_ids": [clinic.clinic_id] } });
    let made = clinic.admin.post("/v1/keys", body).await.expect(201);
    assert_eq!(made["shared"], true);
    Client { app: clinic.admin.app, token: made["token"].as_str().expect("shown once").to_owned() }
}

/// The clinic as it was set up, asking for PINs or not.
async fn ask_for_pins(clinic: &Clinic<'_>, asked: bool) {
    let body = json!({ "name": "Clinic 0", "zone": "Europe/London", "pin_required": asked });
    let kept = clinic.admin.put(&format!("/v1/clinics/{}", clinic.clinic_id), body).await.expect(200);
    assert_eq!(kept["pin_required"], asked);
}

#[sqlx::test]
async fn work_on_a_shared_tablet_is_kept_without_a_pin_and_told(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    put_person(&clinic.admin, kit(), person("KV", "assistant")).await.expect(201);
    give_pin(&clinic.admin, kit(), "4711").await;
    let wall = shared_tablet(&clinic, 890).await;
    let task = clinic.due_of(routine::start_flush()).await;
    let post = async |tablet: &Client<'_>, n: u32, more: Value| {
        let mut done = clinic.flush(n, &task, 125);
        for (name, value) in more.as_object().expect("an object") {
            done[name] = value.clone();
        }
        tablet.post("/v1/completions", done).await
    };
    let named = json!({ "staff_id": kit() });
    let signed = json!({ "staff_id": kit(), "pin": "4711" });
    let none: [&str; 0] = [];
    for (n, asked, more, flags) in [
        (831, false, json!({}), &none[..]),
        (832, false, named.clone(), &["unsigned"]),
        (833, false, signed.clone(), &none),
        (834, true, json!({}), &["pin_missing"]),
        (835, true, named.clone(), &["pin_missing"]),
        (836, true, signed.clone(), &none),
    ] {
        ask_for_pins(&clinic, asked).await;
        let kept = post(&wall, n, more).await.expect(201);
        assert_eq!(
            (kept["verdict"].as_str(), flags_of(&kept)),
            (Some("passed"), flags.iter().map(ToString::to_string).collect())
        );
    }
    // A tablet of one person's own says who it was; a wrong PIN is refused whatever the tablet.
    let own = post(&clinic.tablet, 837, named.clone()).await.expect(201);
    assert_eq!(flags_of(&own), none);
    refused_for(&post(&wall, 838, json!({ "staff_id": kit(), "pin": "4712" })).await);
    // What was gathered offline is kept, each piece of it, and told on the lead's list.
    let mut offline: Vec<Value> = (841..844).map(|n| clinic.flush(n, &task, 125)).collect();
    for done in &mut offline {
        done["staff_id"] = json!(kit());
    }
    let answers = wall.post("/v1/completions/batch", json!({ "completions": offline })).await.expect(200);
    let told: Vec<String> =
        answers["answers"].as_array().expect("a list").iter().flat_map(|a| flags_of(&a["completion"])).collect();
    assert_eq!(told, ["pin_missing"; 3]);
    let list = clinic.manager.get("/v1/entries-to-review?flag=pin_missing").await.expect(200);
    assert_eq!(list["items"].as_array().map(Vec::len), Some(5), "{list}");
}

#[sqlx::test]
async fn a_key_is_shared_from_its_first_day_or_never_and_only_where_work_is_recorded(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    shared_tablet(&clinic, 890).await;
    let key = |n: u32, role: &str, shared: bool| {
        json!({ "key_id": id(n), "label": "tablet on the wall", "role": role, "shared": shared,
                "reach": { "kind": "clinics", "clinic_ids": [clinic.clinic_id] } })
    };
    clinic.admin.post("/v1/keys", key(890, "chairside", true)).await.expect(200);
    let other = clinic.admin.post("/v1/keys", key(890, "chairside", false)).await.expect(409);
    assert_eq!(other["type"], "/problems/key-id-taken");
    assert_eq!(clinic.admin.post("/v1/keys", key(891, "front_desk", true)).await.pointers(), ["/shared"]);
    assert_eq!(clinic.admin.get(&format!("/v1/keys/{}", id(890))).await.expect(200)["shared"], true);
}

#[sqlx::test]
async fn a_hold_that_a_tablet_timed_comes_with_what_it_noted_or_is_told(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T08:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let task = clinic.due_of(routine::start_flush()).await;
    let whole = clinic.flush(831, &task, 125);
    let kept = clinic.tablet.post("/v1/completions", whole.clone()).await.expect(201);
    assert_eq!(flags_of(&kept), [""; 0]);
    let record = &kept["steps"][0]["hold_record"];
    assert_eq!(record["started"]["boot_id"], "run-7");
    assert_eq!(
        (&record["started"]["counter_ms"], &record["ended"]["counter_ms"]),
        (&json!(899_875_000), &json!(900_000_000))
    );
    assert_eq!(clinic.tablet.post("/v1/completions", whole.clone()).await.expect(200), kept);

    let mut bare = clinic.flush(832, &task, 125);
    bare["steps"][1].as_object_mut().expect("an answer").remove("hold_record");
    let kept = clinic.tablet.post("/v1/completions", bare).await.expect(201);
    assert_eq!((kept["verdict"].as_str(), flags_of(&kept)), (Some("passed"), vec!["hold_without_record".to_owned()]));

    // Two minutes that the tablet's own counter and clock do not show.
    let mut odd = clinic.flush(833, &task, 125);
    odd["steps"][0] = device_hold(&clinic, "flush:handpiece-1", 20);
    odd["steps"][0]["elapsed_seconds"] = json!(125);
    let kept = clinic.tablet.post("/v1/completions", odd).await.expect(201);
    assert_eq!((kept["verdict"].as_str(), flags_of(&kept)), (Some("failed"), vec!["hold_disagrees".to_owned()]));
    let finding = kept["findings"][0]["finding"].as_str().expect("a finding");
    assert!(finding.starts_with("held 20 s of at least 120 s; the whole step is to be repeated"), "{finding}");
    assert!(finding.contains("counter shows 20.0 s, and 125 s"), "{finding}");
    assert_eq!(kept["steps"][0]["elapsed_seconds"], json!(20));
    let mut set_back = clinic.flush(834, &task, 125);
    set_back["steps"][0]["hold_record"]["ended"]["clock_at"] = json!(app.clock.now() - TimeDelta::hours(1));
    let kept = clinic.tablet.post("/v1/completions", set_back).await.expect(201);
    assert_eq!(flags_of(&kept), ["hold_disagrees"]);

    for (pointer, value) in [
        ("/steps/0/hold_record/started/boot_id", json!("")),
        ("/steps/0/hold_record/ended/counter_ms", json!(315_360_000_001_u64)),
        ("/steps/0/hold_record/ended/clock_at", json!("2200-01-01T00:00:00Z")),
    ] {
        let mut bad = clinic.flush(835, &task, 125);
        *bad.pointer_mut(pointer).expect("it is there") = value;
        assert_eq!(clinic.tablet.post("/v1/completions", bad).await.pointers(), [pointer]);
    }
    let rows: Vec<(i32, bool)> = sqlx::query_as(
        "select elapsed_seconds, hold_record is null from step_result where step_key = 'flush:syringe' order by 2, 1",
    )
    .fetch_all(&pool)
    .await
    .expect("the owner reads everything");
    assert_eq!(rows.iter().filter(|(_, is_null)| *is_null).count(), 1, "{rows:?}");
}
