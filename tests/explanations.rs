//! Why something is due, and why nothing is, as a tablet or a manager asks.

use axum::http::StatusCode;
use chrono::TimeDelta;
use serde_json::{Value, json};
use sqlx::PgPool;

use crate::support::app::App;
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

/// 2 November 2026 is a Monday; London is at UTC then.
const BEFORE_OPENING: &str = "2026-11-02T07:40:00Z";

async fn why(clinic: &Clinic<'_>, task: &Value) -> Value {
    let id = task["task_id"].as_str().expect("an id");
    clinic.tablet.get(&format!("/v1/tasks/{id}/why")).await.expect(200)
}

#[sqlx::test]
async fn a_task_says_why_it_is_due_in_the_clinics_own_time(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T12:40:00Z")).await;
    // New York is five hours behind UTC since 1 November 2026 (tz database).
    let clinic = scenario::clinic(&app, "America/New_York").await;
    let task = clinic.due_of(routine::start_flush()).await;
    let sentence = "By its hours the clinic opens at 08:30 on Monday 2026-11-02.";
    assert_eq!((&task["because"]["fact"]["kind"], &task["why"]), (&json!("planned_opening"), &json!(sentence)));

    let told = why(&clinic, &task).await;
    assert_eq!(told["sentence"], sentence);
    assert_eq!(told["because"], task["because"]);
    assert_eq!(
        (&told["anchor_at"], &told["anchor_local"]),
        (&json!("2026-11-02T13:30:00Z"), &json!("2026-11-02T08:30:00"))
    );
    assert_eq!((&told["utc_offset_seconds"], &told["zone"]), (&json!(-18_000), &json!("America/New_York")));
    assert_eq!(told["zone_data"], json!(chairtide::domain::zone::database().release().to_string()));
    assert_eq!(
        (&told["routine_name"], &told["routine_version"]),
        (&json!("Flush before the first patient"), &json!(1))
    );
    assert_eq!((&told["window"]["due_by"], &told["slot"]), (&task["due_by"], &json!("opening")));

    // The desk opens the day twenty minutes early: the same task, another reason.
    let path = format!("/v1/clinics/{}/day-start", clinic.clinic_id);
    clinic.desk.post(&path, json!({ "at": "2026-11-02T12:40:00Z" })).await.expect(201);
    let told = why(&clinic, &task).await;
    assert_eq!(told["sentence"], "The front desk posted the start of the day at 07:40 on Monday 2026-11-02.");

    // A spore test hangs on the rule's date.
    app.set(at("2026-11-02T14:00:00Z"));
    let spore = clinic.due_in_clinic(routine::spore_test()).await;
    let sentence = why(&clinic, &spore).await["sentence"].clone();
    assert_eq!(sentence, "A date of the rule FREQ=WEEKLY;BYDAY=MO: at 07:40 on Monday 2026-11-02.");

    sqlx::query("update task set because = null").execute(&pool).await.expect("forgotten");
    let told = why(&clinic, &task).await;
    assert_eq!((&told["because"], &told["utc_offset_seconds"]), (&Value::Null, &json!(-18_000)));
    assert_eq!(told["sentence"], "It was planned before reasons were kept.");
}

#[sqlx::test]
async fn a_sentence_names_the_routine_it_speaks_of(pool: PgPool) {
    let app = App::new(pool, at(BEFORE_OPENING)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let mut follow_up = scenario::routines()[2].1.clone();
    follow_up["name"] = json!("Wipe after the flush");
    follow_up["anchor"] = json!({ "kind": "follows", "routine_id": routine::start_flush(), "when": "passed" });
    follow_up["window"] =
        json!({ "may_start_minutes": 0, "due_by_minutes": 10, "overdue_minutes": 15, "missed_minutes": 60 });
    let body = json!({ "effective_on": "2026-11-01", "routine": follow_up });
    clinic.admin.put(&format!("/v1/routines/{}", id(601)), body).await.expect(201);
    let absent = absence(&clinic, 601, "2026-11-02").await;
    assert_eq!(
        sentences(&absent),
        ["It follows \u{201c}Flush before the first patient\u{201d}, and none that passed was performed that day."]
    );
    let flush = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(1, &flush, 125)).await.expect(201);
    app.plan().await;
    let told = why(&clinic, &clinic.due_of(id(601)).await).await;
    assert_eq!(
        told["sentence"],
        "It follows \u{201c}Flush before the first patient\u{201d}, which passed at 07:40 on Monday 2026-11-02."
    );
}

async fn absence(clinic: &Clinic<'_>, routine: u32, on: &str) -> Value {
    let path = format!(
        "/v1/clinics/{}/why-nothing?routine_id={}&subject_id={}&on={on}",
        clinic.clinic_id,
        id(routine),
        clinic.chair
    );
    clinic.tablet.get(&path).await.expect(200)
}

fn sentences(answer: &Value) -> Vec<String> {
    let reasons = answer["reasons"].as_array().expect("a list");
    reasons.iter().map(|r| r["sentence"].as_str().expect("a sentence").to_owned()).collect()
}

fn kinds(answer: &Value) -> Vec<&str> {
    let reasons = answer["reasons"].as_array().expect("a list");
    reasons.iter().map(|r| r["reason"]["kind"].as_str().expect("a kind")).collect()
}

#[sqlx::test]
async fn a_day_without_a_task_says_why_and_one_with_a_task_shows_it(pool: PgPool) {
    let app = App::new(pool, at(BEFORE_OPENING)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    // Planned: what stands in the store.
    let monday = absence(&clinic, 501, "2026-11-02").await;
    assert_eq!((&monday["reasons"], &monday["due"][0]["state"]), (&json!([]), &json!("due")));
    let flush = clinic.due_of(routine::start_flush()).await;
    assert_eq!(monday["due"][0]["task_id"], flush["task_id"]);
    // Beyond the horizon of 14 days: not planned yet, under the id it will have.
    let later = absence(&clinic, 501, "2026-12-21").await;
    assert_eq!((later["due"].as_array().expect("a list").len(), &later["due"][0]["state"]), (1, &Value::Null));

    assert_eq!(kinds(&absence(&clinic, 501, "2026-11-08").await), ["closed_day"]);
    assert_eq!(kinds(&absence(&clinic, 502, "2026-11-02").await), ["not_posted"]);
    assert_eq!(kinds(&absence(&clinic, 504, "2026-11-02").await), ["other_kind"]);
    assert_eq!(kinds(&absence(&clinic, 501, "2025-12-31").await), ["not_yet"]);
    assert_eq!(
        sentences(&absence(&clinic, 501, "2025-12-31").await),
        ["The routine's first version begins on 2026-01-01."]
    );

    let spore = format!(
        "/v1/clinics/{}/why-nothing?routine_id={}&subject_id={}&on=2026-11-03",
        clinic.clinic_id,
        routine::spore_test(),
        clinic.steriliser
    );
    let answer = clinic.manager.get(&spore).await.expect(200);
    assert_eq!(
        sentences(&answer),
        ["The rule FREQ=WEEKLY;BYDAY=MO has no date there; the nearest are 2026-11-02 and 2026-11-09."]
    );

    let closure = json!({ "from_local": "2026-11-05T00:00", "until_local": "2026-11-06T00:00", "reason": "inventory" });
    clinic.admin.put(&format!("/v1/clinics/{}/closures/{}", clinic.clinic_id, id(9)), closure).await.expect(201);
    // Answered by the planner before the loop has planned anew, and by the store after.
    for _ in 0..2 {
        let shut = absence(&clinic, 501, "2026-11-05").await;
        if shut["due"] == json!([]) {
            assert_eq!(sentences(&shut), ["There is a task, and it is not required: closed: inventory."]);
        }
        app.plan().await;
    }
    let shut = absence(&clinic, 501, "2026-11-05").await;
    assert_eq!(kinds(&shut), ["not_required"], "{shut}");
}

#[sqlx::test]
async fn the_past_is_told_as_it_was_planned(pool: PgPool) {
    let app = App::new(pool, at(BEFORE_OPENING)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let flush = clinic.due_of(routine::start_flush()).await;
    clinic.tablet.post("/v1/completions", clinic.flush(1, &flush, 125)).await.expect(201);
    app.advance(TimeDelta::days(2));
    // Since then the clinic is closed on Mondays; that Monday's task stands.
    let mut week = scenario::split_week();
    week["monday"] = json!([]);
    let path = format!("/v1/clinics/{}/hours", clinic.clinic_id);
    let put = clinic.admin.put(&path, json!({ "week": week })).await;
    assert!(put.status.is_success(), "{}", put.text);
    app.plan().await;
    let then = absence(&clinic, 501, "2026-11-02").await;
    assert_eq!((&then["due"][0]["state"], &then["reasons"]), (&json!("done"), &json!([])));
    assert_eq!(kinds(&absence(&clinic, 501, "2026-11-09").await), ["closed_day"]);
}

#[sqlx::test]
async fn what_cannot_be_explained_is_refused(pool: PgPool) {
    let app = App::new(pool, at(BEFORE_OPENING)).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let ask = |routine, subject, on: &str| {
        format!("/v1/clinics/{}/why-nothing?routine_id={routine}&subject_id={subject}&on={on}", clinic.clinic_id)
    };
    let flush = routine::start_flush();
    for (path, status) in [
        (ask(id(9_999), clinic.chair, "2026-11-02"), 404),
        (ask(flush, id(9_999), "2026-11-02"), 404),
        (ask(flush, clinic.chair, "2026-13-02"), 400),
        (ask(flush, clinic.chair, "2028-01-01"), 422),
        (ask(flush, clinic.chair, "2026-11-02") + "&more=1", 400),
        (format!("/v1/tasks/{}/why", id(9_999)), 404),
    ] {
        assert_eq!(clinic.tablet.get(&path).await.status.as_u16(), status, "{path}");
    }
    assert_eq!(clinic.desk.get(&ask(flush, clinic.chair, "2026-11-02")).await.status, StatusCode::FORBIDDEN);
    // A tablet of one chair asks about that chair.
    let reach = json!({ "kind": "operatory", "operatory_id": clinic.chair });
    let tablet = clinic.admin.key("chairside", reach).await;
    tablet.get(&ask(flush, clinic.chair, "2026-11-02")).await.expect(200);
    tablet.get(&ask(routine::spore_test(), clinic.steriliser, "2026-11-02")).await.expect(404);
}
