//! Times the planner against Postgres alone, side by side on one database; `tests/benchmarks/run` starts it.
//!
//! * One day of a large group (by default 1,000 clinics of 10 operatories, 30 routines each): from configuration in the
//!   database to committed tasks, against `COPY` of the very same rows into the very same, emptied table.
//! * One clinic's edit in that group, against the same edit in a group of one clinic: what a re-planning costs must be
//!   the clinic's size and not the group's.
//!
//! Configuring the group is not timed. Rounds alternate, and the medians are compared, since a machine has moods.

#![allow(dead_code, reason = "the benchmark uses a part of what the tests stand on")]

#[path = "../support/mod.rs"]
mod support;

use std::time::{Duration, Instant};

use chairtide::jobs::planner;
use chairtide::store::setup;
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};
use sqlx::{AssertSqlSafe, Executor as _, PgPool};

use self::support::app::{App, Client};
use self::support::{at, id, scenario};

const ROUNDS: usize = 3;
const EDITS: usize = 15;
const OPERATORIES: u32 = 10;
const ROUTINES: u32 = 30;

#[tokio::main]
async fn main() {
    let clinics = std::env::args().skip(1).find_map(|text| text.parse().ok()).unwrap_or(1000);
    let large = database("chairtide_benchmark_large").await;
    let small = database("chairtide_benchmark_small").await;
    // A Monday, hours before the first clinic opens.
    let now = at("2026-11-30T01:00:00Z");
    let (large, small) = (App::new(large, now).await, App::new(small, now).await);
    let admin = configure(&large, clinics).await;
    let admin_of_one = configure(&small, 1).await;

    seat_patients(&large.pool, now).await;
    seat_patients(&small.pool, now).await;
    let mut planning = Vec::new();
    let mut copying = Vec::new();
    let mut tasks = 0;
    for _ in 0..ROUNDS {
        forget_plans(&large.pool, now).await;
        let started = Instant::now();
        let report = planner::tick(&large.pool, &large.clock, 0).await.expect("planned");
        planning.push(started.elapsed());
        assert_eq!((report.clinics, report.failed), (clinics as usize, 0), "every clinic was planned");
        tasks = report.tasks;
        copy(&large.pool, "(select * from task) to").await;
        empty(&large.pool).await;
        let started = Instant::now();
        copy(&large.pool, "task from").await;
        copying.push(started.elapsed());
    }
    assert!(tasks >= (clinics * OPERATORIES * ROUTINES) as usize, "a task for each routine and operatory");

    planner::tick(&small.pool, &small.clock, 0).await.expect("planned");
    let mut edit_large = Vec::new();
    let mut edit_small = Vec::new();
    for n in 0..EDITS {
        edit_large.push(edit(&large, &admin, n).await);
        edit_small.push(edit(&small, &admin_of_one, n).await);
    }
    let seconds = |times: &mut Vec<Duration>| {
        times.sort_unstable();
        times[times.len() / 2].as_secs_f64()
    };
    println!(
        "{}",
        json!({
            "clinics": clinics, "tasks": tasks,
            "plan_seconds": seconds(&mut planning), "copy_seconds": seconds(&mut copying),
            "edit_in_large_group_seconds": seconds(&mut edit_large), "edit_alone_seconds": seconds(&mut edit_small),
        })
    );
}

/// A database of its own in the cluster that `DATABASE_URL` names, migrated.
async fn database(name: &str) -> PgPool {
    let url = std::env::var("DATABASE_URL").expect("set by tests/benchmarks/run");
    let options: sqlx::postgres::PgConnectOptions = url.parse().expect("a Postgres address");
    let owner = PgPool::connect_with(options.clone()).await.expect("Postgres answers");
    owner.execute(AssertSqlSafe(format!("drop database if exists {name}"))).await.expect("gone");
    owner.execute(AssertSqlSafe(format!("create database {name}"))).await.expect("made");
    let pool = chairtide::database::pool(options.database(name), 8);
    setup::MIGRATIONS.run(&pool).await.expect("migrated");
    pool
}

/// The group by the API, as an administrator makes it.
async fn configure(app: &App, clinics: u32) -> Client<'_> {
    let admin = app.group(id(1)).await;
    for n in 0..ROUTINES {
        put(&admin, &format!("/v1/routines/{}", id(5000 + n)), json!({ "routine": routine(n) })).await;
    }
    for n in 0..clinics {
        let clinic_id = id(10_000 + n);
        let clinic = json!({ "name": format!("Clinic {n}"), "zone": "Europe/London" });
        put(&admin, &format!("/v1/clinics/{clinic_id}"), clinic).await;
        put(&admin, &format!("/v1/clinics/{clinic_id}/hours"), json!({ "week": scenario::split_week() })).await;
        for chair in 0..OPERATORIES {
            let operatory = scenario::operatory(clinic_id, &format!("Chair {chair}"));
            put(&admin, &format!("/v1/operatories/{}", id(1_000_000 + n * OPERATORIES + chair)), operatory).await;
        }
    }
    admin
}

async fn put(admin: &Client<'_>, path: &str, body: Value) {
    let answer = admin.put(path, body).await;
    assert!(answer.status.is_success(), "{path}: {}", answer.text);
}

/// Work of every day: at its beginning, its end, before its first patient, and at a time.
fn routine(n: u32) -> Value {
    let anchor = match n % 4 {
        0 => json!({ "kind": "opening" }),
        1 => json!({ "kind": "closing" }),
        2 => json!({ "kind": "first_patient" }),
        _ => json!({ "kind": "calendar", "dates": { "rule": "FREQ=DAILY", "starts_on": "2026-01-05" },
                     "place": { "kind": "local_time", "at": "11:00" }, "closed_day": "not_required" }),
    };
    json!({
        "name": format!("Routine {n}"), "subject_kind": "operatory", "anchor": anchor,
        "steps": [{ "key": "work", "instruction": "Do the work.", "evidence": { "kind": "confirmation" } }],
        "sources": [{ "title": "invented for the benchmark", "edition": "none", "seen": "from_memory" }],
        "rough_minutes": 5,
        "window": { "may_start_minutes": -60, "due_by_minutes": 30, "overdue_minutes": 60, "missed_minutes": 300 },
    })
}

/// What a plan looks back at: three patients a day at each operatory, over two weeks.
async fn seat_patients(pool: &PgPool, now: DateTime<Utc>) {
    let marks = "insert into seating_mark (group_id, clinic_day, mark_id, clinic_id, operatory_id, edge, marked_at,
                                           recorded_at, key_id)
                 select group_id, ($1 - make_interval(days => day))::date, gen_random_uuid(), clinic_id, subject_id, edge,
                        $1 - make_interval(days => day, hours => patient), $1, gen_random_uuid()
                 from subject, generate_series(1, 14) as day, generate_series(1, 3) as patient,
                      unnest(array['seated', 'left']) as edge
                 where kind = 'operatory'";
    sqlx::query(marks).bind(now).execute(pool).await.expect("seated");
    pool.execute("analyze seating_mark").await.expect("looked at");
}

/// The group as it was before it was ever planned.
async fn forget_plans(pool: &PgPool, now: DateTime<Utc>) {
    empty(pool).await;
    sqlx::query("update clinic_plan set plan_due_at = $1, planned_through = null, zone_data = ''")
        .bind(now)
        .execute(pool)
        .await
        .expect("forgotten");
}

async fn empty(pool: &PgPool) {
    pool.execute("truncate task cascade").await.expect("emptied");
}

/// A file of the server's own, so that no client stands in the way of `COPY`.
async fn rows_file(pool: &PgPool) -> String {
    let folder: String =
        sqlx::query_scalar("select current_setting('data_directory')").fetch_one(pool).await.expect("a folder");
    format!("{folder}/benchmark_rows")
}

async fn copy(pool: &PgPool, what: &str) {
    let statement = format!("copy {what} '{}' (format binary)", rows_file(pool).await);
    pool.execute(AssertSqlSafe(statement)).await.expect("copied");
}

/// Closes one clinic early, at another hour each time, and plans what that marks.
async fn edit(app: &App, admin: &Client<'_>, n: usize) -> Duration {
    app.advance(TimeDelta::seconds(1));
    let from_local = format!("2026-11-30T{}:30", 14 + n % 3);
    let closure = json!({ "from_local": from_local, "until_local": "2026-11-30T20:00", "reason": "power" });
    let closure_id = id(1);
    put(admin, &format!("/v1/clinics/{}/closures/{closure_id}", id(10_000)), closure).await;
    let started = Instant::now();
    let report = planner::tick(&app.pool, &app.clock, 0).await.expect("planned");
    let took = started.elapsed();
    assert_eq!(report.clinics, 1, "one clinic was marked");
    assert!(report.tasks > 0, "the edit moved something");
    took
}
