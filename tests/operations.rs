//! Running the service: what it says about itself, what it does by itself, and the database it refuses.

use std::sync::Arc;

use axum::Router;
use axum::body::Body;
use axum::http::{Request, StatusCode};
use chairtide::clock::Clock;
use chairtide::database;
use chairtide::http::streaming::Room;
use chairtide::http::{self, AppState, Limits};
use chairtide::jobs::Jobs;
use chairtide::jobs::housekeeping::{self, Kept};
use chairtide::store;
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::Value;
use sqlx::PgPool;
use tokio::sync::Notify;
use tower::ServiceExt as _;
use uuid::Uuid;

use crate::support::app::App;
use crate::support::scenario;

fn noon() -> DateTime<Utc> {
    "2026-12-01T12:00:00Z".parse().expect("an RFC 3339 instant")
}

fn service(pool: PgPool) -> Router {
    service_at(pool, &Clock::manual(noon()))
}

fn service_at(pool: PgPool, clock: &Clock) -> Router {
    let limits = Limits { body_bytes: 100_000, request_seconds: 10, concurrent_requests: 10 };
    http::app(AppState {
        pool,
        clock: clock.clone(),
        limits: Arc::new(limits),
        wake_planner: Arc::new(Notify::new()),
        horizon_days: 14,
        streams: Arc::new(Room::beside(16)),
        last_look: Arc::default(),
    })
}

fn jobs(pool: PgPool, clock: &Clock) -> Jobs {
    Jobs {
        pool,
        clock: clock.clone(),
        wake_planner: Arc::new(Notify::new()),
        horizon_days: 14,
        instance_id: Uuid::from_u128(7),
        zone_data: "2026f".to_owned(),
    }
}

async fn get(app: Router, path: &str) -> (StatusCode, String) {
    let request = Request::get(path).body(Body::empty()).unwrap();
    let response = app.oneshot(request).await.unwrap();
    let status = response.status();
    let body = axum::body::to_bytes(response.into_body(), 10_000_000).await.unwrap();
    (status, String::from_utf8(body.to_vec()).unwrap())
}

fn state_of(health: &str, part: &str) -> String {
    let health: Value = serde_json::from_str(health).unwrap();
    let parts = health["parts"].as_array().unwrap();
    let found = parts.iter().find(|p| p["name"] == part).unwrap_or_else(|| panic!("no {part} in {health}"));
    found["state"].as_str().unwrap().to_owned()
}

#[sqlx::test]
async fn a_migrated_database_is_ready_and_one_that_lacks_a_migration_is_not(pool: PgPool) {
    let (status, health) = get(service(pool.clone()), "/health/ready").await;
    assert_eq!((status, state_of(&health, "migrations").as_str()), (StatusCode::OK, "ok"));
    database::check(&pool).await.unwrap();

    sqlx::query("delete from _sqlx_migrations where version = 2").execute(&pool).await.unwrap();
    let (status, health) = get(service(pool.clone()), "/health/ready").await;
    assert_eq!((status, state_of(&health, "migrations").as_str()), (StatusCode::SERVICE_UNAVAILABLE, "failed"));
    let refusal = database::check(&pool).await.unwrap_err().to_string();
    assert!(refusal.contains("migration 2 was not applied"), "{refusal}");
}

#[sqlx::test]
async fn a_clinic_that_waits_to_be_sealed_shows_in_health_and_metrics(pool: PgPool) {
    let app = App::new(pool.clone(), noon()).await;
    scenario::clinic(&app, "Europe/London").await;
    for (later, state) in [(TimeDelta::zero(), "ok"), (TimeDelta::days(2), "late")] {
        let service = service_at(pool.clone(), &Clock::manual(noon() + later));
        let (status, health) = get(service.clone(), "/health/ready").await;
        assert_eq!((status, state_of(&health, "sealer").as_str()), (StatusCode::OK, state), "{health}");
        let (_, metrics) = get(service, "/metrics").await;
        let lag = format!("chairtide_sealer_lag_seconds {}", later.num_seconds());
        assert!(metrics.contains(&lag), "{metrics}");
    }
}

#[sqlx::test]
async fn an_instance_without_its_database_lives_and_is_not_ready(pool: PgPool) {
    pool.close().await;
    let (status, _) = get(service(pool.clone()), "/health/live").await;
    assert_eq!(status, StatusCode::OK);
    let (status, health) = get(service(pool.clone()), "/health/ready").await;
    assert_eq!((status, state_of(&health, "database").as_str()), (StatusCode::SERVICE_UNAVAILABLE, "failed"));
    let (status, metrics) = get(service(pool), "/metrics").await;
    assert_eq!(status, StatusCode::OK);
    assert!(metrics.contains("chairtide_database_up"), "{metrics}");
}

#[sqlx::test]
async fn however_often_health_and_metrics_are_asked_the_database_is_looked_at_once_a_second(pool: PgPool) {
    let clock = Clock::manual(noon());
    let app = service_at(pool.clone(), &clock);
    assert_eq!(get(app.clone(), "/health/ready").await.0, StatusCode::OK);
    // Nobody can look any more: whoever is told that the database answers was told from memory.
    pool.close().await;
    for milliseconds in [0, 500, 999] {
        clock.set(noon() + TimeDelta::milliseconds(milliseconds));
        assert_eq!(get(app.clone(), "/health/ready").await.0, StatusCode::OK, "{milliseconds} ms");
        get(app.clone(), "/metrics").await;
    }
    // The second is over, and asking for metrics is a look too: what it found is what readiness tells.
    clock.set(noon() + TimeDelta::milliseconds(1_000));
    get(app.clone(), "/metrics").await;
    let (status, health) = get(app, "/health/ready").await;
    assert_eq!((status, state_of(&health, "database").as_str()), (StatusCode::SERVICE_UNAVAILABLE, "failed"));
}

#[sqlx::test]
async fn a_table_of_a_groups_rows_without_row_level_security_is_refused(pool: PgPool) {
    sqlx::query("alter table closure disable row level security").execute(&pool).await.unwrap();
    let refusal = database::check(&pool).await.unwrap_err().to_string();
    assert!(refusal.contains("closure"), "{refusal}");
}

#[sqlx::test]
async fn a_role_that_owns_tables_or_is_a_superuser_is_found_out(pool: PgPool) {
    // The pool's own login made the tables, and it is what the migrations' owner is: not what requests run as.
    let mut db = pool.acquire().await.unwrap();
    let ways = store::setup::ways_past_row_security(&mut db).await.unwrap();
    assert!(ways.iter().any(|way| way.ends_with("owns the table task")), "{ways:?}");

    let mut tx = store::begin_without_tenant(&pool).await.unwrap();
    assert_eq!(store::setup::ways_past_row_security(&mut tx).await.unwrap(), Vec::<String>::new());
}

#[sqlx::test]
async fn housekeeping_makes_the_months_once_and_forgets_answers_after_seven_days(pool: PgPool) {
    let clock = Clock::manual(noon());
    let jobs = jobs(pool.clone(), &clock);
    // From 2026-07-24 to 2028-04-10: twenty-two months of eight partitioned tables, counted by hand.
    assert_eq!(housekeeping::tick(&jobs).await.unwrap(), Kept { partitions_made: 176, answers_forgotten: 0 });
    assert_eq!(housekeeping::tick(&jobs).await.unwrap(), Kept { partitions_made: 0, answers_forgotten: 0 });

    let (group_id, key_id) = (Uuid::from_u128(1), Uuid::from_u128(2));
    let mut tx = store::begin(&pool, group_id).await.unwrap();
    let group = store::groups::Group { group_id, name: "Saltmarrow".to_owned(), created_at: noon() };
    assert!(store::groups::insert(&mut tx, &group).await.unwrap());
    assert!(!store::groups::insert(&mut tx, &group).await.unwrap(), "a repeat makes no second group");
    for (key, age_seconds) in [("old", 1), ("kept", 0)] {
        let answered = store::idempotency::Answered { request_hash: vec![0; 32], status: 201, body: Value::Null };
        let at = noon() - TimeDelta::seconds(age_seconds);
        store::idempotency::insert(&mut tx, group_id, key_id, key, &answered, at).await.unwrap();
    }
    tx.commit().await.unwrap();

    clock.set(noon() + TimeDelta::days(7));
    assert_eq!(housekeeping::tick(&jobs).await.unwrap().answers_forgotten, 1);
    let mut tx = store::begin(&pool, group_id).await.unwrap();
    assert!(store::idempotency::find(&mut tx, group_id, key_id, "old").await.unwrap().is_none());
    assert!(store::idempotency::find(&mut tx, group_id, key_id, "kept").await.unwrap().is_some());
}

#[sqlx::test]
async fn the_pulse_follows_the_services_clock(pool: PgPool) {
    let clock = Clock::manual(noon());
    let jobs = jobs(pool.clone(), &clock);
    for minutes in [0, 1] {
        clock.set(noon() + TimeDelta::minutes(minutes));
        housekeeping::tick(&jobs).await.unwrap();
        let pulses: Vec<(DateTime<Utc>, String)> =
            sqlx::query_as("select ticked_at, zone_data from service_pulse").fetch_all(&pool).await.unwrap();
        assert_eq!(pulses, [(clock.now(), "2026f".to_owned())]);
    }
}

#[sqlx::test]
async fn the_document_and_the_page_to_read_it_are_served_without_a_key(pool: PgPool) {
    let (status, document) = get(service(pool.clone()), "/openapi.json").await;
    assert_eq!(status, StatusCode::OK);
    let served: Value = serde_json::from_str(&document).unwrap();
    assert_eq!(served, serde_json::to_value(chairtide::http::openapi::document()).unwrap());

    let (status, page) = get(service(pool), "/docs/").await;
    assert_eq!(status, StatusCode::OK);
    // Nothing comes from another host.
    assert!(!page.contains("://") && !page.contains("\"//"), "{page}");
}
