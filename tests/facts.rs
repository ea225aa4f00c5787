//! What is configured and recorded beside routines: weeks that begin on a date, full days, first days, cycles.

use axum::http::StatusCode;
use chairtide::store;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde_json::{Value, json};
use sqlx::PgPool;
use uuid::Uuid;

use crate::support::app::{Answer, App};
use crate::support::contents::{contents, count};
use crate::support::scenario::{self, Clinic, routine};
use crate::support::{at, id};

const EVENTS: &str = "select count(*) from event where group_id = $1 and kind <> 'plan_changed'";
const DUE_NOW: &str = "select count(*) from clinic_plan where group_id = $1 and plan_due_at <= '2026-11-02T09:00:00Z'";

fn on(text: &str) -> NaiveDate {
    text.parse().expect("a date")
}

fn every_day(opens: &str, closes: &str) -> Value {
    let day = json!([{ "opens": opens, "closes": closes }]);
    let week: serde_json::Map<String, Value> =
        ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
            .into_iter()
            .map(|name| (name.to_owned(), day.clone()))
            .collect();
    json!({ "week": week })
}

/// When the flush before the first patient is due on a clinic day.
async fn flush_due(pool: &PgPool, clinic_day: &str) -> DateTime<Utc> {
    sqlx::query_scalar("select due_by from task where routine_id = $1 and clinic_day = $2::date")
        .bind(routine::start_flush())
        .bind(on(clinic_day))
        .fetch_one(pool)
        .await
        .expect("one flush that day")
}

/// London keeps UTC in November (tz database, zone Europe/London); 2026-11-09 is a Monday.
#[sqlx::test]
async fn a_week_takes_over_on_its_first_day_and_gives_way_when_it_is_taken_back(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let weeks = format!("/v1/clinics/{}/weeks", clinic.clinic_id);
    let winter = format!("{weeks}/2026-11-09");
    let body = every_day("10:00", "14:00");
    let made = clinic.admin.put(&winter, body.clone()).await.expect(201);
    assert_eq!(made["effective_on"], "2026-11-09");
    assert_eq!(made["week"], body["week"]);
    app.plan().await;
    let due = [flush_due(&pool, "2026-11-06").await, flush_due(&pool, "2026-11-09").await];
    assert_eq!(due, [at("2026-11-06T08:30:00Z"), at("2026-11-09T10:00:00Z")]);

    let events = count(&pool, EVENTS, id(1)).await;
    assert_eq!(clinic.admin.put(&winter, body).await.expect(200), made);
    assert_eq!((count(&pool, EVENTS, id(1)).await, count(&pool, DUE_NOW, id(1)).await), (events, 0));
    clinic.admin.put(&format!("{weeks}/2026-11-05"), every_day("07:00", "09:00")).await.expect(201);
    let listed = clinic.tablet.get(&weeks).await.expect(200);
    let dates: Vec<_> = listed["items"].as_array().expect("a list").iter().map(|w| &w["effective_on"]).collect();
    assert_eq!(dates, ["2026-11-05", "2026-11-09"]);
    app.plan().await;
    assert_eq!(flush_due(&pool, "2026-11-06").await, at("2026-11-06T07:00:00Z"));

    for _ in 0..2 {
        assert_eq!(clinic.admin.delete(&winter).await.status, StatusCode::NO_CONTENT);
    }
    app.plan().await;
    assert_eq!(flush_due(&pool, "2026-11-09").await, at("2026-11-09T07:00:00Z"));
}

/// 2026-12-01 is a Tuesday and 2026-12-08 the next.
#[sqlx::test]
async fn weeks_that_would_overlap_where_one_follows_the_other_are_refused_at_the_session(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let here = format!("/v1/clinics/{}", clinic.clinic_id);
    let week = |date: &str| format!("{here}/weeks/{date}");
    let (late, early, day) = (every_day("18:00", "02:00"), every_day("01:00", "05:00"), every_day("08:00", "17:00"));
    clinic.admin.put(&week("2026-12-01"), day).await.expect(201);
    clinic.admin.put(&week("2026-12-08"), early.clone()).await.expect(201);
    let before = contents(&pool, id(1)).await;

    let refused = async |path: String, body: &Value, pointer: &str| {
        let answer = clinic.admin.put(&path, body.clone()).await;
        answer.expect(422);
        assert_eq!(answer.pointers(), [pointer], "{path}: {}", answer.text);
    };
    refused(week("2026-12-03"), &late, "/week/monday/0").await;
    refused(week("2026-12-01"), &late, "/week/monday/0").await;
    refused(week("2200-01-01"), &early, "").await;
    let mut both = every_day("08:00", "12:00");
    both["week"]["monday"] = json!([{ "opens": "08:00", "closes": "12:00" }, { "opens": "11:00", "closes": "13:00" }]);
    refused(week("2026-12-03"), &both, "/week/monday/1").await;
    clinic.admin.put(&week("2026-13-01"), early.clone()).await.expect(400);
    clinic.admin.delete(&week("1969-12-31")).await.expect(422);
    for client in [&clinic.desk, &clinic.tablet, &clinic.manager] {
        client.put(&week("2026-12-03"), early.clone()).await.expect(403);
        client.delete(&week("2026-12-01")).await.expect(403);
    }
    clinic.admin.put(&format!("/v1/clinics/{}/weeks/2026-12-03", id(9)), early).await.expect(404);
    assert_eq!(contents(&pool, id(1)).await, before);

    // With late evenings before it, the week in between cannot go: the night of the 7th would run into the 8th.
    clinic.admin.put(&format!("{here}/hours"), late.clone()).await.expect(200);
    let conflict = clinic.admin.delete(&week("2026-12-01")).await.expect(409);
    assert_eq!(conflict["type"], "/problems/weeks-overlap");
    clinic.admin.delete(&week("2026-12-08")).await;
    assert_eq!(clinic.admin.delete(&week("2026-12-01")).await.status, StatusCode::NO_CONTENT);
    // Nor can the ordinary week become one that runs into the first of them.
    clinic.admin.put(&format!("{here}/hours"), scenario_hours()).await.expect(200);
    clinic.admin.put(&week("2026-12-01"), every_day("01:00", "05:00")).await.expect(201);
    refused(format!("{here}/hours"), &late, "/week/monday/0").await;
}

fn scenario_hours() -> Value {
    json!({ "week": scenario::split_week() })
}

#[sqlx::test]
async fn a_full_day_is_marked_once_listed_and_unmarked(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let days = format!("/v1/clinics/{}/full-days", clinic.clinic_id);
    let put = async |date: &str| {
        let path = format!("{days}/{date}");
        clinic.admin.call(axum::http::Method::PUT, &path, &[], None).await
    };
    assert_eq!(put("2026-12-01").await.expect(201), json!({ "full_on": "2026-12-01" }));
    assert_eq!(count(&pool, DUE_NOW, id(1)).await, 1);
    app.plan().await;
    let before = contents(&pool, id(1)).await;
    put("2026-12-01").await.expect(200);
    put("2200-01-01").await.expect(422);
    put("someday").await.expect(400);
    clinic.manager.call(axum::http::Method::PUT, &format!("{days}/2026-12-02"), &[], None).await.expect(403);
    assert_eq!(contents(&pool, id(1)).await, before);
    put("2026-11-20").await.expect(201);
    let listed = clinic.tablet.get(&days).await.expect(200);
    assert_eq!(listed["items"], json!([{ "full_on": "2026-11-20" }, { "full_on": "2026-12-01" }]));

    let mut tx = store::begin(&pool, id(1)).await.expect("a transaction");
    let asked = (on("2026-11-21"), on("2026-12-01"));
    let full = store::clinics::weeks::list_full_days(&mut tx, id(1), clinic.clinic_id, asked).await.expect("days");
    assert_eq!(full.into_iter().collect::<Vec<_>>(), [on("2026-12-01")]);
    tx.rollback().await.expect("back");
    for _ in 0..2 {
        let gone = clinic.admin.delete(&format!("{days}/2026-12-01")).await;
        assert_eq!(gone.status, StatusCode::NO_CONTENT);
    }
    assert_eq!(clinic.admin.get(&days).await.expect(200)["items"], json!([{ "full_on": "2026-11-20" }]));
}

/// Auckland is 13 hours ahead of UTC in November (tz database, zone Pacific/Auckland: NZDT).
#[sqlx::test]
async fn a_subject_is_there_from_its_first_day_or_the_local_date_it_was_entered_on(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T12:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Pacific/Auckland").await;
    let chair = format!("/v1/operatories/{}", clinic.chair);
    let machine = format!("/v1/equipment/{}", clinic.steriliser);
    for path in [&chair, &machine] {
        assert_eq!(clinic.tablet.get(path).await.expect(200)["commissioned_on"], "2026-11-03", "{path}");
    }
    let unit = scenario::operatory(clinic.clinic_id, "Chair 0");
    let from = |date: &str| {
        let mut body = unit.clone();
        body["commissioned_on"] = json!(date);
        body
    };
    app.set(at("2026-11-05T12:00:00Z"));
    app.plan().await;
    let plans_due = "select count(*) from clinic_plan where group_id = $1 and plan_due_at <= '2026-11-05T12:00:00Z'";
    assert_eq!(clinic.admin.put(&chair, unit.clone()).await.expect(200)["commissioned_on"], "2026-11-03");
    assert_eq!(count(&pool, plans_due, id(1)).await, 0);
    assert_eq!(clinic.admin.put(&chair, from("2019-05-06")).await.expect(200)["commissioned_on"], "2019-05-06");
    assert_eq!(count(&pool, plans_due, id(1)).await, 1, "the plan hangs on it");
    assert_eq!(clinic.admin.put(&chair, unit.clone()).await.expect(200)["commissioned_on"], "2019-05-06");
    // It is the 6th there; 366 days later is 2027-11-07 (Gregorian calendar, no leap day in between).
    clinic.admin.put(&chair, from("2027-11-07")).await.expect(200);
    for date in ["2027-11-08", "1969-12-31", "2200-01-01"] {
        let answer = clinic.admin.put(&chair, from(date)).await;
        answer.expect(422);
        assert_eq!(answer.pointers(), ["/commissioned_on"], "{date}");
    }

    // A row that an earlier release wrote has no first day: it is the local date it was entered on.
    sqlx::query("update subject set commissioned_on = null").execute(&pool).await.expect("the owner may");
    assert_eq!(clinic.tablet.get(&chair).await.expect(200)["commissioned_on"], "2026-11-03");
    let mut tx = store::begin(&pool, id(1)).await.expect("a transaction");
    let itself =
        store::clinics::subjects::find(&mut tx, id(1), clinic.clinic_id).await.expect("read").expect("a subject");
    assert_eq!(itself.commissioned_on, on("2026-11-03"));
}

/// The cycles of the steriliser as the store gives them to the plan.
async fn counted(pool: &PgPool, clinic_id: Uuid, since: &str) -> Vec<(Uuid, NaiveDate)> {
    let mut tx = store::begin(pool, id(1)).await.expect("a transaction");
    let cycles =
        store::cycles::list_cycles(&mut tx, id(1), clinic_id, (on(since), on("2027-01-01"))).await.expect("cycles");
    cycles.into_iter().map(|cycle| (cycle.mark_id, cycle.clinic_day)).collect()
}

fn cycle(n: u32, ended_at: &str) -> Value {
    json!({ "cycle_id": id(n), "ended_at": ended_at, "program": "wrapped 134" })
}

async fn post(clinic: &Clinic<'_>, body: Value) -> Answer {
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", clinic.steriliser), body).await
}

#[sqlx::test]
async fn a_cycle_is_recorded_once_and_has_its_clinic_planned(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    app.plan().await;
    let first = post(&clinic, cycle(1, "2026-11-02T08:40:00Z")).await.expect(201);
    assert_eq!(
        first,
        json!({ "cycle_id": id(1), "equipment_id": clinic.steriliser, "clinic_id": clinic.clinic_id,
                "clinic_day": "2026-11-02", "ended_at": "2026-11-02T08:40:00Z", "program": "wrapped 134",
                "recorded_at": "2026-11-02T09:00:00Z" })
    );
    assert_eq!(count(&pool, DUE_NOW, id(1)).await, 1);
    // A week and more later, when it would be too old to be new.
    app.set(at("2026-11-12T09:00:00Z"));
    app.plan().await;
    let before = contents(&pool, id(1)).await;
    assert_eq!(post(&clinic, cycle(1, "2026-11-02T08:40:00Z")).await.expect(200), first);
    for other in [cycle(1, "2026-11-11T08:40:00Z"), json!({ "cycle_id": id(1), "ended_at": "2026-11-02T08:40:00Z" })] {
        assert_eq!(post(&clinic, other).await.expect(409)["type"], "/problems/cycle-differs");
    }
    assert_eq!(contents(&pool, id(1)).await, before);
    let told = "select count(*) from event where group_id = $1 and kind = 'cycle_recorded'";
    assert_eq!(count(&pool, told, id(1)).await, 1);
}

#[sqlx::test]
async fn two_posts_of_one_cycle_at_once_keep_one(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let body = cycle(1, "2026-11-02T08:40:00Z");
    let (one, other) = tokio::join!(post(&clinic, body.clone()), post(&clinic, body));
    let mut statuses = [one.status.as_u16(), other.status.as_u16()];
    statuses.sort_unstable();
    assert_eq!(statuses, [200, 201]);
    assert_eq!(one.json(), other.json());
    assert_eq!(count(&pool, "select count(*) from cycle_mark where group_id = $1", id(1)).await, 1);
}

#[sqlx::test]
async fn cycles_that_cannot_be_are_refused_and_nothing_of_them_is_kept(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-02T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let compressor = json!({ "clinic_id": clinic.clinic_id, "kind": "compressor", "name": "Compressor",
                             "service": { "state": "in_service" } });
    clinic.admin.put(&format!("/v1/equipment/{}", id(310)), compressor).await.expect(201);
    let path = format!("/v1/equipment/{}/cycles", clinic.steriliser);
    let before = contents(&pool, id(1)).await;
    let good = || cycle(1, "2026-11-02T08:40:00Z");
    let long = json!({ "cycle_id": id(1), "ended_at": "2026-11-02T08:40:00Z", "program": "é".repeat(61) });
    // A clock may run 120 seconds ahead; the desk may post seven days back, and so may a machine.
    let refused = [
        (cycle(1, "2026-11-02T09:02:00.000001Z"), 422, vec!["/ended_at"]),
        (cycle(1, "2026-10-26T08:59:59Z"), 422, vec!["/ended_at"]),
        (long, 422, vec!["/program"]),
        (json!({ "cycle_id": id(1) }), 400, vec![""]),
        (json!({ "cycle_id": id(1), "ended_at": "2026-11-02T08:40:00Z", "load": "x" }), 400, vec!["/load"]),
    ];
    for (body, status, pointers) in refused {
        let answer = post(&clinic, body.clone()).await;
        answer.expect(status);
        assert_eq!(answer.pointers(), pointers, "{body}");
    }
    clinic.tablet.post(&format!("/v1/equipment/{}/cycles", id(310)), good()).await.expect(422);
    for nothing in [clinic.chair, clinic.clinic_id, id(9)] {
        clinic.tablet.post(&format!("/v1/equipment/{nothing}/cycles"), good()).await.expect(404);
        clinic.tablet.get(&format!("/v1/equipment/{nothing}/cycles")).await.expect(404);
    }
    clinic.manager.post(&path, good()).await.expect(403);
    for query in ["limit=0", "limit=501", "cursor=AQ", "page=2"] {
        clinic.tablet.get(&format!("{path}?{query}")).await.expect(400);
    }
    assert_eq!(contents(&pool, id(1)).await, before);
    for (n, ended_at) in [(2, "2026-11-02T09:02:00Z"), (3, "2026-10-26T09:00:00Z")] {
        clinic.desk.post(&path, cycle(n, ended_at)).await.expect(201);
    }
}

/// A cycle that ends at 01:10 belongs to the day whose last session lasts until 02:00.
#[sqlx::test]
async fn cycles_are_listed_newest_first_page_by_page_and_follow_a_machine_that_moves(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-03T09:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    clinic.admin.put(&format!("/v1/clinics/{}/hours", clinic.clinic_id), every_day("18:00", "02:00")).await.expect(200);
    let path = format!("/v1/equipment/{}/cycles", clinic.steriliser);
    assert_eq!(clinic.tablet.get(&path).await.expect(200)["items"], json!([]));
    let ends = ["2026-11-03T01:10:00Z", "2026-11-02T19:00:00Z", "2026-11-02T20:00:00Z", "2026-11-02T20:00:00Z"];
    for (n, ended_at) in (1..).zip(ends) {
        post(&clinic, cycle(n, ended_at)).await.expect(201);
    }
    let mut next = Some(format!("{path}?limit=3"));
    let mut pages = Vec::new();
    while let Some(path) = next {
        let page = clinic.manager.get(&path).await;
        let items = page.expect(200)["items"].as_array().expect("a list").clone();
        pages.push(items.iter().map(|item| item["cycle_id"].clone()).collect::<Vec<_>>());
        next = page.header("link").strip_prefix('<').and_then(|l| l.split_once('>')).map(|(path, _)| path.to_owned());
    }
    assert_eq!(pages, [vec![json!(id(1)), json!(id(4)), json!(id(3))], vec![json!(id(2))]]);

    let night = on("2026-11-02");
    let wanted = [(id(2), night), (id(3), night), (id(4), night), (id(1), night)];
    assert_eq!(counted(&pool, clinic.clinic_id, "2026-11-02").await, wanted);
    assert_eq!(counted(&pool, clinic.clinic_id, "2026-11-03").await, []);

    let other = id(150);
    clinic
        .admin
        .put(&format!("/v1/clinics/{other}"), json!({ "name": "Next", "zone": "Europe/London" }))
        .await
        .expect(201);
    let moved = json!({ "clinic_id": other, "kind": "steriliser", "name": "Steriliser 0",
                        "service": { "state": "in_service" } });
    clinic.admin.put(&format!("/v1/equipment/{}", clinic.steriliser), moved).await.expect(200);
    assert_eq!(counted(&pool, clinic.clinic_id, "2026-11-02").await, []);
    assert_eq!(counted(&pool, other, "2026-11-02").await, wanted);
    post(&clinic, cycle(5, "2026-11-03T08:00:00Z")).await.expect(404);
    app.advance(TimeDelta::minutes(1));
    assert_eq!(clinic.admin.get(&path).await.expect(200)["items"].as_array().map(Vec::len), Some(4));
}

/// A chair that is put in after midnight, while last evening's session lasts, is there for that clinic day.
#[sqlx::test]
async fn a_chair_put_in_during_a_late_session_has_the_work_of_its_first_patient(pool: PgPool) {
    let app = App::new(pool, at("2026-11-03T01:00:00Z")).await;
    let clinic = scenario::clinic(&app, "Europe/London").await;
    let late = json!([{ "opens": "18:00", "closes": "02:00" }]);
    let hours = format!("/v1/clinics/{}/hours", clinic.clinic_id);
    clinic.admin.put(&hours, json!({ "week": { "monday": late } })).await.expect(200);
    let chair = scenario::operatory(clinic.clinic_id, "Chair of the night");
    let made = clinic.admin.put(&format!("/v1/operatories/{}", id(290)), chair).await.expect(201);
    assert_eq!(made["commissioned_on"], "2026-11-02");
    let left = format!("/v1/operatories/{}/left", id(290));
    let answer = clinic.desk.post_once(&left, "first", json!({})).await.expect(201);
    assert_eq!(answer["clinic_day"], "2026-11-02");
    assert_eq!(answer["task_ids"].as_array().map(Vec::len), Some(1), "{answer}");
}
