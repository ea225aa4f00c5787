//! The work that is coming: a forecast is what is later planned when nothing changes.

use std::collections::BTreeMap;

use chrono::{Datelike as _, TimeDelta};
use serde_json::{Value, json};
use sqlx::PgPool;

use crate::support::app::{App, Client};
use crate::support::scenario;
use crate::support::{at, id};

/// A forecast's items by date and hour: tasks and rough minutes.
async fn forecast(client: &Client<'_>, query: &str) -> BTreeMap<(String, u64), (u64, u64)> {
    let page = client.get(&format!("/v1/forecast?{query}")).await.expect(200);
    let number = |value: &Value| value.as_u64().expect("a number");
    let items = page["items"].as_array().expect("items").iter().map(|item| {
        let on = item["on"].as_str().expect("a date").to_owned();
        ((on, number(&item["hour"])), (number(&item["tasks"]), number(&item["rough_minutes"])))
    });
    items.collect()
}

/// The same from the stored tasks. The zone is Etc/GMT-10, ten hours ahead of UTC all year (tz database), so that
/// local dates and hours can be told without zone rules.
async fn stored(pool: &PgPool, from: &str, to: &str) -> BTreeMap<(String, u64), (u64, u64)> {
    let rows: Vec<(String, i32, i64, i64)> = sqlx::query_as(
        "select due_on::text, due_hour, count(*), sum(rough_minutes)
         from (select (due_by at time zone 'UTC' + interval '10 hours')::date as due_on,
                      extract(hour from due_by at time zone 'UTC' + interval '10 hours')::int as due_hour,
                      rough_minutes
               from task where group_id = $1 and outcome is distinct from 'not_required') as local
         where due_on between $2::date and $3::date group by 1, 2",
    )
    .bind(id(1))
    .bind(from.parse::<chrono::NaiveDate>().expect("a date"))
    .bind(to.parse::<chrono::NaiveDate>().expect("a date"))
    .fetch_all(pool)
    .await
    .expect("the owner reads everything");
    let number = |n: i64| u64::try_from(n).expect("not negative");
    let row = |(on, hour, tasks, minutes): (String, i32, i64, i64)| {
        ((on, number(hour.into())), (number(tasks), number(minutes)))
    };
    rows.into_iter().map(row).collect()
}

/// More anchors than the four of the scenario; none counts unused days, since a day that goes by without a seating
/// disproves the use that was expected of it.
fn more_routines() -> Vec<Value> {
    let routine = |anchor: Value, window: Option<Value>, minutes: u32| {
        let mut routine = json!({
            "name": "Wipe the shelves", "subject_kind": "operatory", "anchor": anchor,
            "steps": [{ "key": "wipe", "instruction": "Wipe them.", "evidence": { "kind": "confirmation" } }],
            "sources": [{ "title": "common practice", "edition": "none", "seen": "common_practice" }],
            "rough_minutes": minutes,
        });
        if let Some(window) = window {
            routine["window"] = window;
        }
        routine
    };
    let window = json!({ "may_start_minutes": -60, "due_by_minutes": 30, "overdue_minutes": 60, "missed_minutes": 90 });
    vec![
        routine(json!({ "kind": "period", "each": "week", "spread": true }), None, 30),
        routine(json!({ "kind": "period", "each": "month", "spread": false }), None, 40),
        routine(json!({ "kind": "session_end" }), Some(window.clone()), 4),
        routine(
            json!({ "kind": "interval", "every": { "days": 3 }, "place": { "kind": "closing" },
                    "closed_day": "next_open_day" }),
            Some(window),
            7,
        ),
    ]
}

/// Anchors whose dates lie far apart, or hang on use.
fn long_routines() -> Vec<Value> {
    let routine = |kind: &str, anchor: Value, minutes: u32| {
        let mut routine = more_routines().remove(2);
        routine["subject_kind"] = json!(kind);
        if anchor["kind"] == "period" {
            routine.as_object_mut().expect("an object").remove("window");
        }
        routine["anchor"] = anchor;
        routine["rough_minutes"] = json!(minutes);
        routine
    };
    let period = |each: &str, spread: bool| json!({ "kind": "period", "each": each, "spread": spread });
    let noon = json!({ "kind": "local_time", "at": "12:00" });
    vec![
        routine("operatory", period("quarter", true), 45),
        routine("steriliser", period("year", false), 60),
        routine("steriliser", json!({ "kind": "interval", "every": { "opening_hours": 30 } }), 6),
        routine(
            "operatory",
            json!({ "kind": "idle", "unused_days": 2, "on": "open_days",
                                     "strengthens": scenario::routine::start_flush() }),
            8,
        ),
        routine("operatory", json!({ "kind": "idle", "unused_days": 1, "on": "every_day", "place": noon }), 9),
        routine(
            "steriliser",
            json!({ "kind": "interval", "every": { "days": 9 }, "place": { "kind": "opening" },
                                      "closed_day": "previous_open_day" }),
            11,
        ),
    ]
}

async fn configured(app: &App) -> scenario::Clinic<'_> {
    let clinic = scenario::clinic(app, "Etc/GMT-10").await;
    for (number, content) in (520..).zip(more_routines()) {
        let body = json!({ "effective_on": "2026-11-02", "routine": content });
        clinic.admin.put(&format!("/v1/routines/{}", id(number)), body).await.expect(201);
    }
    let closure = json!({ "from_local": "2026-11-10T00:00", "until_local": "2026-11-11T00:00", "reason": "works" });
    let path = format!("/v1/clinics/{}/closures/{}", clinic.clinic_id, id(900));
    clinic.admin.put(&path, closure).await.expect(201);
    app.plan().await;
    clinic
}

#[sqlx::test]
async fn a_forecast_is_what_is_planned_day_by_day_when_nothing_changes(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-01T22:00:00Z")).await;
    let clinic = configured(&app).await;
    let days = "from=2026-11-03&to=2026-11-30";
    let before = forecast(&clinic.manager, &format!("{days}&by=day&by=hour")).await;
    assert!(before.len() > 50, "{before:?}");
    // The plan reaches fourteen days ahead, so half of these days are not planned yet.
    assert_ne!(stored(&pool, "2026-11-03", "2026-11-30").await, before);
    for _ in 0..28 {
        app.advance(TimeDelta::days(1));
        app.keep_house().await;
        app.plan().await;
    }
    assert_eq!(stored(&pool, "2026-11-03", "2026-11-30").await, before);
}

/// What hangs on use, opening hours, quarters and years comes as it was told as well, if every chair is used on every
/// open day, as a forecast takes for granted. Not in it, since nobody knows them: turnovers, counts, events, and what
/// is counted from work yet to be done.
#[sqlx::test]
async fn a_forecast_holds_over_the_year_s_end_when_chairs_are_used_as_it_expects(pool: PgPool) {
    let app = App::new(pool.clone(), at("2026-11-01T22:00:00Z")).await;
    let clinic = configured(&app).await;
    for (number, content) in (540..).zip(long_routines()) {
        let body = json!({ "effective_on": "2026-11-02", "routine": content });
        clinic.admin.put(&format!("/v1/routines/{}", id(number)), body).await.expect(201);
    }
    app.plan().await;
    let (from, to) = ("2026-11-03", "2027-01-12");
    let before = forecast(&clinic.manager, &format!("from={from}&to={to}&by=day&by=hour")).await;
    for day in 0..72 {
        // Eight in the morning, an hour before any patient; the first day is over in ten hours.
        app.set(at("2026-11-01T22:00:00Z") + TimeDelta::days(day));
        app.keep_house().await;
        app.plan().await;
        let local = app.clock.now() + TimeDelta::hours(10);
        let is_open = local.weekday().num_days_from_monday() < 5 && local.date_naive().to_string() != "2026-11-10";
        if is_open {
            let seated = format!("/v1/operatories/{}/seated", clinic.chair);
            clinic.desk.post_once(&seated, &format!("day {day}"), json!({})).await.expect(201);
        }
        app.plan().await;
    }
    let planned = stored(&pool, from, to).await;
    assert_eq!(planned, before);
    // None of the anchors is missing, so that the equality is about each of them.
    for number in 540..540 + u32::try_from(long_routines().len()).expect("few") {
        let of_routine =
            "select count(*) from task where group_id = $1 and routine_id = $2 and due_by between $3 and $4";
        let count: i64 = sqlx::query_scalar(of_routine)
            .bind(id(1))
            .bind(id(number))
            .bind(at("2026-11-02T14:00:00Z"))
            .bind(at("2027-01-12T14:00:00Z"))
            .fetch_one(&pool)
            .await
            .expect("the owner reads everything");
        assert!(count > 0, "{number}");
    }
}

#[sqlx::test]
async fn every_grouping_sums_to_the_same_and_csv_has_the_same_rows(pool: PgPool) {
    let app = App::new(pool, at("2026-11-01T22:00:00Z")).await;
    let clinic = configured(&app).await;
    let sum = |page: &Value| {
        let items = page["items"].as_array().expect("items");
        let of = |field: &str| items.iter().map(|item| item[field].as_u64().expect("a number")).sum::<u64>();
        (items.len(), of("tasks"), of("rough_minutes"))
    };
    let fine = clinic.desk.get("/v1/forecast?by=clinic&by=subject&by=day&by=hour").await.expect(200);
    let (rows, tasks, minutes) = sum(&fine);
    assert!(rows > 40 && tasks > 80 && minutes > tasks, "{rows} {tasks} {minutes}");
    for (by, expected) in [("clinic", Some(1)), ("subject", Some(2)), ("day", None), ("hour", None)] {
        let coarse = clinic.desk.get(&format!("/v1/forecast?by={by}")).await.expect(200);
        let (rows, t, m) = sum(&coarse);
        assert_eq!((t, m), (tasks, minutes), "{by}");
        assert!(expected.is_none_or(|expected| expected == rows), "{by} {rows}");
    }
    let headers = [("accept", "text/csv")];
    let csv = clinic.manager.call(axum::http::Method::GET, "/v1/forecast", &headers, None).await;
    let json = clinic.manager.get("/v1/forecast").await.expect(200);
    assert_eq!(csv.text.lines().count(), sum(&json).0 + 1);
    assert!(csv.text.starts_with("clinic_id,clinic_name,subject_id,subject_name,on,hour,tasks,rough_minutes\r\n"));
}

#[sqlx::test]
async fn a_forecast_is_for_whom_it_concerns_and_within_reach(pool: PgPool) {
    let app = App::new(pool, at("2026-11-01T22:00:00Z")).await;
    let clinic = configured(&app).await;
    clinic.tablet.get("/v1/forecast").await.expect(403);
    for client in [&clinic.admin, &clinic.manager, &clinic.desk] {
        client.get(&format!("/v1/forecast?clinic_id={}", clinic.clinic_id)).await.expect(200);
        client.get(&format!("/v1/forecast?clinic_id={}", id(77))).await.expect(404);
        client.get("/v1/forecast?from=2026-10-30").await.expect(422);
        client.get("/v1/forecast?by=week").await.expect(400);
    }
    for number in 0..50 {
        let body = json!({ "name": format!("Branch {number}"), "zone": "Europe/London" });
        clinic.admin.put(&format!("/v1/clinics/{}", id(1000 + number)), body).await.expect(201);
    }
    clinic.admin.get("/v1/forecast").await.expect(422);
    clinic.desk.get("/v1/forecast").await.expect(200);
}
