//! Whole days at a clinic, as the front desk, the tablet and the manager live them.

mod failed_water_test;

use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;

use crate::support::app::App;
use crate::support::scenario::{self, routine};
use crate::support::{at, id};

/// Instants of the day are UTC, which is London's time in November.
#[sqlx::test]
async fn a_day_at_one_clinic_with_a_closure_announced_at_noon(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let chair = clinic.chair;
    let readiness = format!("/v1/operatories/{chair}/readiness");

    // Before opening: the flush may start from 07:30 and the chair is not ready by record.
    app.set(at("2026-11-02T07:40:00Z"));
    let flush = clinic.due_of(routine::start_flush()).await;
    assert_eq!(flush["due_by"], "2026-11-02T08:30:00Z");
    assert_eq!(flush["state"], "due");
    let lacking = clinic.tablet.get(&readiness).await.expect(200);
    assert_eq!(lacking["ready_by_record"], json!(false));
    assert_eq!(lacking["missing"][0]["lack"], "record_missing");

    // One line timed by the server, one by the tablet.
    let task = flush["task_id"].as_str().expect("an id").to_owned();
    let holds = format!("/v1/tasks/{task}/holds");
    let start = json!({ "hold_id": id(7001), "step": "flush:handpiece-1", "performed_by": "KV" });
    clinic.tablet.post(&holds, start).await.expect(201);
    app.advance(TimeDelta::seconds(130));
    let ended = clinic.tablet.post(&format!("{holds}/{}/end", id(7001)), json!({ "performed_by": "KV" })).await;
    assert_eq!(ended.expect(200)["elapsed_seconds"], 130);
    let mut completion = clinic.flush(7101, &flush, 125);
    completion["steps"][0] = json!({ "step": "flush:handpiece-1", "status": "done", "hold_id": id(7001) });
    let kept = clinic.tablet.post("/v1/completions", completion).await.expect(201);
    assert_eq!(kept["verdict"], "passed", "{kept}");
    assert_eq!(kept["steps"][0]["measured_by"], "server");
    assert_eq!(kept["steps"][1]["measured_by"], "device");
    assert_eq!(clinic.tablet.get(&readiness).await.expect(200)["ready_by_record"], json!(true));

    // The desk opens at 08:20, ten minutes early: the spore test of this Monday moves with it, the flush stays done.
    app.set(at("2026-11-02T08:20:00Z"));
    let day_start = format!("/v1/clinics/{}/day-start", clinic.clinic_id);
    let started = clinic.desk.post(&day_start, json!({})).await.expect(201);
    assert_eq!(started["clinic_day"], "2026-11-02");
    let due = clinic.tablet.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await.expect(200);
    let spore = of_routine(&due["tasks"], routine::spore_test());
    assert_eq!(spore["due_from"], "2026-11-02T08:20:00Z");

    // First patient: nothing is missing.
    app.set(at("2026-11-02T08:30:00Z"));
    let seated = format!("/v1/operatories/{chair}/seated");
    let left = format!("/v1/operatories/{chair}/left");
    let first = clinic.desk.post_once(&seated, "s1", json!({})).await.expect(201);
    assert_eq!(first["readiness"]["ready_by_record"], json!(true));
    app.set(at("2026-11-02T09:00:00Z"));
    let turnover = clinic.desk.post_once(&left, "l1", json!({})).await.expect(201);
    assert_eq!(turnover["task_ids"].as_array().map(Vec::len), Some(1));
    app.set(at("2026-11-02T09:05:00Z"));
    let before = clinic.tablet.get(&readiness).await.expect(200);
    assert_eq!(before["ready_by_record"], json!(false));
    assert_eq!(before["missing"][0]["routine_id"], json!(routine::turnover_flush()));

    // Fifteen seconds are not twenty (HTM 01-05 para 6.85, read in a quotation; CDC 2003, partly from memory): kept,
    // failed, still open. Then twenty-two are.
    let flush = clinic.due_of(routine::turnover_flush()).await;
    let short = clinic.tablet.post("/v1/completions", clinic.flush(7102, &flush, 15)).await.expect(201);
    assert_eq!(short["verdict"], "failed");
    let again = clinic.due_of(routine::turnover_flush()).await;
    assert_eq!(again["failed_attempt"], json!(true));
    let whole = clinic.tablet.post("/v1/completions", clinic.flush(7103, &flush, 22)).await.expect(201);
    assert_eq!(whole["verdict"], "passed");
    // Only then the second patient sits down: the work between two cannot be done with somebody in the chair.
    app.set(at("2026-11-02T09:08:00Z"));
    let second = clinic.desk.post_once(&seated, "s2", json!({})).await.expect(201);
    assert_eq!(second["readiness"]["ready_by_record"], json!(true), "{second}");

    // The second patient leaves and nobody flushes: overdue from 09:55, told to the chair first.
    app.set(at("2026-11-02T09:40:00Z"));
    clinic.desk.post_once(&left, "l2", json!({})).await.expect(201);
    app.set(at("2026-11-02T10:00:00Z"));
    let overdue = clinic.manager.get("/v1/overdue").await.expect(200);
    assert_eq!(overdue["items"].as_array().map(Vec::len), Some(1), "{overdue}");
    assert_eq!(overdue["items"][0]["routine_id"], json!(routine::turnover_flush()));
    assert_eq!(overdue["items"][0]["overdue_at"], "2026-11-02T09:55:00Z");
    assert_eq!(overdue["items"][0]["level"], 1);
    assert_eq!(overdue["items"][0]["audience"], "chairside");
    // At 10:40 the window is over: it is missed, not overdue, and the chair stays without a record.
    app.set(at("2026-11-02T10:41:00Z"));
    assert_eq!(clinic.manager.get("/v1/overdue").await.expect(200)["items"], json!([]));
    assert_eq!(clinic.tablet.get(&readiness).await.expect(200)["missing"][0]["lack"], "missed");

    // At eleven the water supplier announces works: closed from 14:00 today. The closing work moves to 14:00.
    app.set(at("2026-11-02T11:00:00Z"));
    let closure =
        json!({ "from_local": "2026-11-02T14:00", "until_local": "2026-11-03T00:00", "reason": "works in the street" });
    clinic.admin.put(&format!("/v1/clinics/{}/closures/{}", clinic.clinic_id, id(900)), closure).await.expect(201);
    app.plan().await;
    app.set(at("2026-11-02T13:35:00Z"));
    let disinfection = clinic.due_of(routine::line_disinfection()).await;
    assert_eq!(disinfection["due_from"], "2026-11-02T13:30:00Z");
    assert_eq!(disinfection["due_by"], "2026-11-02T15:00:00Z");
    // The desk closes at 14:10 in the end.
    app.set(at("2026-11-02T14:10:00Z"));
    clinic.desk.post(&format!("/v1/clinics/{}/day-end", clinic.clinic_id), json!({})).await.expect(201);
    let disinfection = clinic.due_of(routine::line_disinfection()).await;
    assert_eq!(disinfection["due_by"], "2026-11-02T15:10:00Z");

    // Nine of ten minutes: the whole cycle again. Ten minutes of contact is common practice, no source.
    let cycle = |completion, seconds| {
        let confirmed = |step: &str| json!({ "step": step, "status": "done" });
        json!({
            "completion_id": id(completion), "task_id": disinfection["task_id"], "performed_at": app.clock.now(),
            "performed_by": "KV", "steps": [confirmed("empty"), confirmed("fill"), confirmed("rinse"),
                { "step": "contact", "status": "done", "elapsed_seconds": seconds }],
        })
    };
    assert_eq!(clinic.tablet.post("/v1/completions", cycle(7104, 540)).await.expect(201)["verdict"], "failed");
    app.advance(TimeDelta::minutes(20));
    assert_eq!(clinic.tablet.post("/v1/completions", cycle(7105, 605)).await.expect(201)["verdict"], "passed");

    // The day in numbers: three done, one missed; the spore test's window runs for days.
    app.set(at("2026-11-02T22:00:00Z"));
    let summary = clinic.manager.get("/v1/summary?from=2026-11-02&to=2026-11-02").await.expect(200);
    let row = &summary["items"][0];
    assert_eq!((&row["done"], &row["missed"], &row["overdue_now"]), (&json!(3), &json!(1), &json!(0)), "{summary}");
}

/// A late session over the night the clocks go back in New York, 2026-11-01 (IANA tz database: 02:00 EDT becomes
/// 01:00 EST): 18:00 to 02:30 lasts nine and a half hours, and its closing falls due once, at 07:30 UTC.
#[sqlx::test]
async fn a_late_session_over_the_night_the_clocks_go_back(pool: PgPool) {
    let app = App::new(pool, at("2026-10-31T12:00:00Z")).await;
    let clinic = scenario::clinic(&app, "America/New_York").await;
    let week = json!({ "week": { "saturday": [{ "opens": "18:00", "closes": "02:30" }] } });
    clinic.admin.put(&format!("/v1/clinics/{}/hours", clinic.clinic_id), week).await.expect(200);
    app.plan().await;

    app.set(at("2026-10-31T21:30:00Z"));
    let flush = clinic.due_of(routine::start_flush()).await;
    assert_eq!(flush["due_by"], "2026-10-31T22:00:00Z", "18:00 EDT");
    // 01:10 happens twice; both belong to Saturday's clinic day, and a hold across the change counts real seconds.
    app.set(at("2026-11-01T05:10:00Z"));
    let left = format!("/v1/operatories/{}/left", clinic.chair);
    assert_eq!(clinic.desk.post_once(&left, "a", json!({})).await.expect(201)["clinic_day"], "2026-10-31");
    app.set(at("2026-11-01T05:59:00Z"));
    let task = clinic.due_of(routine::turnover_flush()).await;
    let holds = format!("/v1/tasks/{}/holds", task["task_id"].as_str().expect("an id"));
    let start = json!({ "hold_id": id(7201), "step": "flush:syringe", "performed_by": "KV" });
    clinic.tablet.post(&holds, start).await.expect(201);
    app.set(at("2026-11-01T06:01:00Z"));
    let ended = clinic.tablet.post(&format!("{holds}/{}/end", id(7201)), json!({ "performed_by": "KV" })).await;
    assert_eq!(ended.expect(200)["elapsed_seconds"], 120);
    app.set(at("2026-11-01T06:10:00Z"));
    assert_eq!(clinic.desk.post_once(&left, "b", json!({})).await.expect(201)["clinic_day"], "2026-10-31");

    app.set(at("2026-11-01T07:05:00Z"));
    let closing = clinic.due_of(routine::line_disinfection()).await;
    assert_eq!(closing["due_from"], "2026-11-01T07:00:00Z", "half an hour before 02:30 EST");
    assert_eq!(closing["due_by"], "2026-11-01T08:30:00Z");
    assert_eq!(closing["clinic_day"], "2026-10-31");
}

/// An opening in the hour that does not exist: New York, 2026-03-08, 02:00 EST becomes 03:00 EDT (IANA tz database).
/// RFC 5545 section 3.3.5: the offset before the gap counts, so 02:30 is 07:30 UTC, which the clock shows as 03:30.
#[sqlx::test]
async fn an_opening_in_the_missing_hour_falls_due_once(pool: PgPool) {
    let app = App::new(pool, at("2026-03-07T12:00:00Z")).await;
    let clinic = scenario::clinic(&app, "America/New_York").await;
    let week = json!({ "week": { "sunday": [{ "opens": "02:30", "closes": "06:00" }] } });
    clinic.admin.put(&format!("/v1/clinics/{}/hours", clinic.clinic_id), week).await.expect(200);
    app.plan().await;
    app.set(at("2026-03-08T07:00:00Z"));
    let flush = clinic.due_of(routine::start_flush()).await;
    assert_eq!(flush["due_by"], "2026-03-08T07:30:00Z");
}

/// The desk opens on a Sunday, without any planned opening: that day gets its opening tasks.
#[sqlx::test]
async fn a_day_start_on_a_closed_day_makes_that_days_opening_tasks(pool: PgPool) {
    let app = App::new(pool, at("2026-11-01T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    assert!(clinic.due(0).await.is_empty());
    let path = format!("/v1/clinics/{}/day-start", clinic.clinic_id);
    clinic.desk.post(&path, json!({ "at": "2026-11-01T08:55:00Z" })).await.expect(201);
    let flush = clinic.due_of(routine::start_flush()).await;
    assert_eq!(flush["due_by"], "2026-11-01T08:55:00Z");
    assert_eq!(flush["state"], "grace");
}

/// A subject that moves takes its identity along; what fell due before stays where it fell due.
#[sqlx::test]
async fn a_steriliser_that_moves_keeps_its_history(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let here = scenario::clinic(&app, "Europe/London").await;
    let there = scenario::clinic_of(&app, here.admin.clone(), "Australia/Adelaide", 1).await;
    app.set(at("2026-11-02T09:00:00Z"));
    let due = here.tablet.get(&format!("/v1/clinics/{}/due", here.clinic_id)).await.expect(200);
    let spore = of_routine(&due["tasks"], routine::spore_test());
    let done = json!({
        "completion_id": id(7301), "task_id": spore["task_id"], "performed_at": "2026-11-02T08:50:00Z",
        "performed_by": "KV", "steps": [{ "step": "growth", "status": "done",
            "reading": { "qualifier": "eq", "value": "0", "unit": "{spore_growth}" } }],
    });
    here.tablet.post("/v1/completions", done).await.expect(201);
    let moved = json!({ "clinic_id": there.clinic_id, "kind": "steriliser", "name": "Steriliser 0",
                        "service": { "state": "in_service" } });
    here.admin.put(&format!("/v1/equipment/{}", here.steriliser), moved).await.expect(200);
    app.plan().await;
    let kept = here.manager.get(&format!("/v1/completions/{}", id(7301))).await.expect(200);
    assert_eq!(kept["clinic_id"], json!(here.clinic_id));
    app.set(at("2026-11-08T22:30:00Z"));
    let due = there.tablet.get(&format!("/v1/clinics/{}/due", there.clinic_id)).await.expect(200);
    let subjects: Vec<&Value> =
        due["tasks"].as_array().expect("a list").iter().map(|t| &t["subject"]["subject_id"]).collect();
    assert!(subjects.contains(&&json!(here.steriliser)), "next Monday's test is due at the new clinic: {subjects:?}");
}

fn of_routine(tasks: &Value, routine_id: uuid::Uuid) -> Value {
    let tasks = tasks.as_array().expect("a list");
    tasks.iter().find(|t| t["routine_id"] == json!(routine_id)).unwrap_or_else(|| panic!("not due: {tasks:?}")).clone()
}

/// The desk was without a network: a departure of two hours ago comes in when its flush can no longer be done. The work
/// was wanted all the same, so it counts as missed, and the chair has no record.
#[sqlx::test]
async fn a_departure_that_is_reported_too_late_leaves_missed_work(pool: PgPool) {
    let app = App::new(pool, at("2026-11-02T06:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    app.set(at("2026-11-02T11:00:00Z"));
    let left = format!("/v1/operatories/{}/left", clinic.chair);
    let reported = clinic.desk.post_once(&left, "late", json!({ "at": "2026-11-02T09:00:00Z" })).await.expect(201);
    let task = reported["task_ids"][0].as_str().expect("its flush").to_owned();
    let kept = clinic.manager.get(&format!("/v1/tasks/{task}")).await.expect(200);
    assert_eq!(kept["task"]["state"], "missed");
    let readiness = clinic.tablet.get(&format!("/v1/operatories/{}/readiness", clinic.chair)).await.expect(200);
    let lacks: Vec<&Value> = readiness["missing"].as_array().expect("a list").iter().map(|m| &m["lack"]).collect();
    assert!(lacks.contains(&&json!("missed")), "{readiness}");
    // The plan keeps it: another tick changes nothing.
    app.plan().await;
    assert_eq!(clinic.manager.get(&format!("/v1/tasks/{task}")).await.expect(200)["task"]["state"], "missed");
}
