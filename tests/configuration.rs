//! Configuring a group over HTTP, on a database of its own.

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use chairtide::clock::Clock;
use chairtide::domain::access::{Reach, Role};
use chairtide::http::caller::Token;
use chairtide::http::streaming::Room;
use chairtide::http::{AppState, Limits, resources};
use chairtide::store;
use chairtide::store::keys::Key;
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};
use sqlx::PgPool;
use tower::ServiceExt;
use uuid::Uuid;

const GROUP: Uuid = Uuid::from_u128(1);
const CLINIC: Uuid = Uuid::from_u128(0xC1);
const OTHER_CLINIC: Uuid = Uuid::from_u128(0xC2);
const OPERATORY: Uuid = Uuid::from_u128(0xA1);
const ROUTINE: Uuid = Uuid::from_u128(0xB1);

struct House {
    state: AppState,
    admin: String,
}

impl House {
    async fn new(pool: PgPool) -> Self {
        let now = DateTime::parse_from_rfc3339("2026-12-02T11:00:00Z").expect("an instant").to_utc();
        sqlx::query("insert into dental_group (group_id, name, created_at) values ($1, 'Test group', $2)")
            .bind(GROUP)
            .bind(now)
            .execute(&pool)
            .await
            .expect("a group");
        sqlx::query("select ensure_partitions('2026-11-01', '2027-02-01')").execute(&pool).await.expect("partitions");
        let limits = Limits { body_bytes: 1 << 20, request_seconds: 10, concurrent_requests: 16 };
        let state = AppState {
            pool,
            clock: Clock::manual(now),
            limits: limits.into(),
            wake_planner: std::sync::Arc::default(),
            horizon_days: 30,
            streams: std::sync::Arc::new(Room::beside(16)),
            last_look: std::sync::Arc::default(),
        };
        let mut house = Self { state, admin: String::new() };
        house.admin = house.token(Role::Administrator, Reach::Group {}, now).await;
        house
    }

    async fn token(&self, role: Role, reach: Reach, now: DateTime<Utc>) -> String {
        let token = Token::make(GROUP).expect("randomness");
        let key = Key {
            key_id: Uuid::new_v4(),
            label: "test".into(),
            role,
            reach,
            shared: false,
            created_at: now,
            revoked_at: None,
            last_used_at: None,
        };
        let mut tx = store::begin(&self.state.pool, GROUP).await.expect("a transaction");
        store::keys::insert(&mut tx, GROUP, &key, &token.secret_hash()).await.expect("a key");
        tx.commit().await.expect("kept");
        token.reveal()
    }

    async fn send(&self, token: &str, method: &str, path: &str, body: Option<Value>) -> (StatusCode, Value) {
        let request = Request::builder()
            .method(method)
            .uri(path)
            .header(header::AUTHORIZATION, format!("Bearer {token}"))
            .header(header::CONTENT_TYPE, "application/json")
            .body(body.map_or_else(Body::empty, |b| Body::from(b.to_string())))
            .expect("a request");
        let (router, _) = resources().split_for_parts();
        let response = router.with_state(self.state.clone()).oneshot(request).await.expect("an answer");
        let status = response.status();
        let bytes = axum::body::to_bytes(response.into_body(), 1 << 20).await.expect("a body");
        (status, serde_json::from_slice(&bytes).unwrap_or(Value::Null))
    }

    async fn put(&self, path: &str, body: Value) -> (u16, Value) {
        let (status, value) = self.send(&self.admin, "PUT", path, Some(body)).await;
        (status.as_u16(), value)
    }

    async fn get(&self, token: &str, path: &str) -> (u16, Value) {
        let (status, value) = self.send(token, "GET", path, None).await;
        (status.as_u16(), value)
    }

    async fn count(&self, of: &str) -> i64 {
        sqlx::query_scalar(sqlx::AssertSqlSafe(format!("select count(*) from {of}")))
            .fetch_one(&self.state.pool)
            .await
            .expect("a count")
    }

    async fn settle_plans(&self) {
        sqlx::query("update clinic_plan set plan_due_at = '2999-01-01Z'")
            .execute(&self.state.pool)
            .await
            .expect("updated");
    }

    async fn plans_due(&self) -> i64 {
        self.count("clinic_plan where plan_due_at < '2999-01-01Z'").await
    }

    async fn with_two_clinics(self) -> Self {
        for id in [CLINIC, OTHER_CLINIC] {
            assert_eq!(self.put(&format!("/v1/clinics/{id}"), clinic()).await.0, 201);
        }
        self.settle_plans().await;
        self
    }
}

fn clinic() -> Value {
    json!({ "name": "Lantern Street", "zone": "Europe/Berlin" })
}

fn operatory(clinic_id: Uuid) -> Value {
    json!({ "clinic_id": clinic_id, "name": "Room 2", "water_source": "own_reservoir",
            "circuits": ["syringe"], "suction_lines": ["suction-high"], "service": { "state": "in_service" } })
}

fn routine(name: &str) -> Value {
    let source = json!({ "title": "common practice", "edition": "none", "seen": "common_practice" });
    json!({ "name": name, "subject_kind": "operatory", "anchor": { "kind": "opening" },
            "window": { "may_start_minutes": -60, "due_by_minutes": 0, "overdue_minutes": 10, "missed_minutes": 240 },
            "steps": [{ "key": "flush", "instruction": "Flush.", "evidence": { "kind": "confirmation" } }],
            "sources": [source], "rough_minutes": 2 })
}

#[sqlx::test]
async fn a_repeated_put_changes_nothing(pool: PgPool) {
    let house = House::new(pool).await.with_two_clinics().await;
    let week = json!({ "week": { "monday": [{ "opens": "08:00", "closes": "12:00" }] } });
    let closure = json!({ "from_local": "2026-12-24T14:00", "until_local": "2026-12-27T00:00", "reason": "holidays" });
    let special = json!({ "sessions": [{ "opens": "09:00", "closes": "13:00" }], "reason": "extra Saturday" });
    let ladder = json!({ "rungs": [{ "after_minutes": 5, "counted_in": "elapsed_time", "audience": "chairside" }] });
    let equipment = json!({ "clinic_id": CLINIC, "kind": "eyewash", "name": "Eyewash",
                            "service": { "state": "out_of_service", "reason": "leaks" } });
    let puts = [
        (format!("/v1/clinics/{CLINIC}/hours"), week),
        (format!("/v1/clinics/{CLINIC}/closures/{}", Uuid::from_u128(7)), closure),
        (format!("/v1/clinics/{CLINIC}/special-openings/2026-12-05"), special),
        (format!("/v1/operatories/{OPERATORY}"), operatory(CLINIC)),
        (format!("/v1/equipment/{}", Uuid::from_u128(8)), equipment),
        (format!("/v1/routines/{ROUTINE}"), json!({ "routine": routine("Flush") })),
        ("/v1/ladder".to_owned(), ladder),
    ];
    for (path, body) in puts {
        house.settle_plans().await;
        let (status, created) = house.put(&path, body.clone()).await;
        assert_eq!(status, 201, "{path}: {created}");
        assert!(house.plans_due().await > 0, "{path}");
        house.settle_plans().await;
        let events = house.count("event").await;
        let later = house.state.clock.now() + TimeDelta::hours(30);
        house.state.clock.set(later);
        assert_eq!(house.put(&path, body).await, (200, created), "{path}");
        assert_eq!((house.count("event").await, house.plans_due().await), (events, 0), "{path}");
    }
}

#[sqlx::test]
async fn a_move_keeps_the_history_and_has_both_clinics_planned_anew(pool: PgPool) {
    let house = House::new(pool).await.with_two_clinics().await;
    let path = format!("/v1/operatories/{OPERATORY}");
    assert_eq!(house.put(&path, operatory(CLINIC)).await.0, 201);
    house.settle_plans().await;
    // At the very same instant: the history must still have an order.
    assert_eq!(house.put(&path, operatory(OTHER_CLINIC)).await.0, 200);
    assert_eq!(house.plans_due().await, 2);
    let stood: Vec<Uuid> =
        sqlx::query_scalar("select clinic_id from subject_change where subject_id = $1 order by changed_at")
            .bind(OPERATORY)
            .fetch_all(&house.state.pool)
            .await
            .expect("a history");
    assert_eq!(stood, [CLINIC, OTHER_CLINIC]);
    house.settle_plans().await;
    let mut renamed = operatory(OTHER_CLINIC);
    renamed["name"] = json!("Room 3");
    assert_eq!(house.put(&path, renamed).await.0, 200);
    assert_eq!(
        (house.plans_due().await, house.count(&format!("subject_change where subject_id = '{OPERATORY}'")).await),
        (0, 2)
    );
}

#[sqlx::test]
async fn out_of_service_counts_from_the_first_time_it_was_said(pool: PgPool) {
    let house = House::new(pool).await.with_two_clinics().await;
    let path = format!("/v1/operatories/{OPERATORY}");
    let out = |reason: &str| {
        let mut body = operatory(CLINIC);
        body["service"] = json!({ "state": "out_of_service", "reason": reason });
        body
    };
    let since = house.put(&path, out("leaks")).await.1["service"]["since"].clone();
    assert_eq!(since, "2026-12-02T11:00:00Z");
    house.state.clock.set(house.state.clock.now() + TimeDelta::hours(1));
    assert_eq!(house.put(&path, out("awaiting a part")).await.1["service"]["since"], since);
    assert_eq!(
        house.get(&house.admin, &path).await.1["service"],
        json!({ "state": "out_of_service", "reason": "awaiting a part", "since": since })
    );
}

#[sqlx::test]
async fn a_change_of_a_routine_is_a_new_version_and_never_reaches_back(pool: PgPool) {
    let house = House::new(pool).await.with_two_clinics().await;
    let path = format!("/v1/routines/{ROUTINE}");
    // UTC-12 is still in the day before at 11:00 UTC.
    let (status, first) = house.put(&path, json!({ "routine": routine("Flush") })).await;
    assert_eq!((status, &first["version"], &first["effective_on"]), (201, &json!(1), &json!("2026-12-01")));
    let (status, second) =
        house.put(&path, json!({ "routine": routine("Flush all"), "effective_on": "2027-01-01" })).await;
    assert_eq!((status, &second["version"]), (200, &json!(2)));
    let (status, problem) =
        house.put(&path, json!({ "routine": routine("Flush"), "effective_on": "2026-11-30" })).await;
    assert_eq!((status, &problem["errors"][0]["pointer"]), (422, &json!("/effective_on")));
    let versions = house.get(&house.admin, &format!("{path}/versions")).await.1;
    assert_eq!(versions["items"], json!([first, second]));
    assert_eq!(house.get(&house.admin, "/v1/routines").await.1["items"], json!([second]));
    let mut nowhere = routine("Flush");
    nowhere["selection"] = json!({ "clinic_ids": [Uuid::from_u128(9)], "subject_ids": [CLINIC] });
    let (status, problem) = house.put(&path, json!({ "routine": nowhere })).await;
    assert_eq!((status, problem["errors"].as_array().map(Vec::len)), (422, Some(2)));
}

#[sqlx::test]
async fn what_a_key_does_not_reach_does_not_exist_for_it(pool: PgPool) {
    let house = House::new(pool).await.with_two_clinics().await;
    let now = house.state.clock.now();
    let path = format!("/v1/operatories/{OPERATORY}");
    house.put(&path, operatory(CLINIC)).await;
    let near = house.token(Role::Reader, Reach::Clinics { clinic_ids: vec![CLINIC] }, now).await;
    let far = house.token(Role::Reader, Reach::Clinics { clinic_ids: vec![OTHER_CLINIC] }, now).await;
    let chair = house.token(Role::Chairside, Reach::Operatory { operatory_id: OPERATORY }, now).await;
    for (token, one, operatories, clinics) in [(&near, 200, 1, 1), (&far, 404, 0, 1), (&chair, 200, 1, 0)] {
        assert_eq!(house.get(token, &path).await.0, one);
        assert_eq!(house.get(token, "/v1/operatories").await.1["items"].as_array().map(Vec::len), Some(operatories));
        assert_eq!(house.get(token, "/v1/clinics").await.1["items"].as_array().map(Vec::len), Some(clinics));
        assert_eq!(house.get(token, "/v1/keys").await.0, 403);
        assert_eq!(house.send(token, "PUT", &path, Some(operatory(CLINIC))).await.0, 403);
    }
    assert_eq!(house.get(&far, &format!("/v1/clinics/{CLINIC}/closures")).await.0, 404);
    assert_eq!(house.get(&chair, &format!("/v1/clinics/{CLINIC}")).await.0, 404);
    assert_eq!(house.get(&house.admin, &format!("/v1/operatories?clinic_id={}", Uuid::from_u128(9))).await.0, 404);
    let local = house.token(Role::Administrator, Reach::Clinics { clinic_ids: vec![CLINIC] }, now).await;
    assert_eq!(house.send(&local, "PUT", &path, Some(operatory(CLINIC))).await.0, 403);
}

#[sqlx::test]
async fn an_id_keeps_its_kind(pool: PgPool) {
    let house = House::new(pool).await.with_two_clinics().await;
    house.put(&format!("/v1/operatories/{OPERATORY}"), operatory(CLINIC)).await;
    assert_eq!(house.put(&format!("/v1/operatories/{CLINIC}"), operatory(CLINIC)).await.0, 409);
    assert_eq!(house.put(&format!("/v1/clinics/{OPERATORY}"), clinic()).await.0, 409);
    let equipment =
        json!({ "clinic_id": CLINIC, "kind": "eyewash", "name": "E", "service": { "state": "in_service" } });
    assert_eq!(house.put(&format!("/v1/equipment/{OPERATORY}"), equipment).await.0, 409);
    assert_eq!(house.get(&house.admin, &format!("/v1/equipment/{OPERATORY}")).await.0, 404);
}

#[sqlx::test]
async fn broken_rules_are_named_by_pointer(pool: PgPool) {
    let house = House::new(pool).await.with_two_clinics().await;
    let pointer = async |path: String, body: Value| {
        let (status, problem) = house.put(&path, body).await;
        assert_eq!(status, 422, "{path}: {problem}");
        problem["errors"][0]["pointer"].as_str().unwrap_or_default().to_owned()
    };
    let session = |opens, closes| json!({ "opens": opens, "closes": closes });
    let at = format!("/v1/clinics/{CLINIC}");
    assert_eq!(pointer(at.clone(), json!({ "name": "A", "zone": "Mars/Olympus" })).await, "/zone");
    let overlapping = json!({ "week": { "monday": [session("08:00", "12:00"), session("11:00", "13:00")] } });
    assert_eq!(pointer(format!("{at}/hours"), overlapping).await, "/week/monday/1");
    let no_session = json!({ "sessions": [], "reason": "r" });
    assert_eq!(pointer(format!("{at}/special-openings/2026-12-05"), no_session).await, "/sessions");
    let good = json!({ "sessions": [session("08:00", "12:00")], "reason": "r" });
    assert_eq!(pointer(format!("{at}/special-openings/2200-01-01"), good).await, "");
    let path = format!("/v1/operatories/{OPERATORY}");
    assert_eq!(pointer(path.clone(), operatory(Uuid::from_u128(9))).await, "/clinic_id");
    let mut twice = operatory(CLINIC);
    twice["circuits"] = json!(["syringe", "syringe"]);
    assert_eq!(pointer(path, twice).await, "/circuits/1");
    let far_past = format!("{at}/special-openings/-9000-01-01");
    assert_eq!(house.send(&house.admin, "DELETE", &far_past, None).await.0, 422);
    let never = format!("{at}/closures/{}", Uuid::from_u128(9));
    assert_eq!(house.send(&house.admin, "DELETE", &never, None).await.0, 204);
}

#[sqlx::test]
async fn a_key_shows_its_token_once_and_opens_nothing_when_revoked(pool: PgPool) {
    let house = House::new(pool).await.with_two_clinics().await;
    let key_id = Uuid::from_u128(0xF1);
    let body = json!({ "key_id": key_id, "label": "tablet", "role": "reader",
                       "reach": { "kind": "clinics", "clinic_ids": [OTHER_CLINIC, CLINIC, CLINIC] } });
    let post = async |body: &Value| house.send(&house.admin, "POST", "/v1/keys", Some(body.clone())).await;
    let (status, made) = post(&body).await;
    assert_eq!(status, 201, "{made}");
    let token = made["token"].as_str().expect("a token").to_owned();
    let (status, repeated) = post(&body).await;
    assert_eq!((status.as_u16(), repeated.get("token")), (200, None));
    let mut other = body.clone();
    other["role"] = json!("manager");
    assert_eq!(post(&other).await.0, 409);
    let mut nowhere = body.clone();
    nowhere["key_id"] = json!(Uuid::from_u128(0xF2));
    nowhere["reach"] = json!({ "kind": "operatory", "operatory_id": CLINIC });
    assert_eq!(post(&nowhere).await.1["errors"][0]["pointer"], "/reach/operatory_id");
    assert_eq!(house.get(&token, "/v1/clinics").await.0, 200);
    let path = format!("/v1/keys/{key_id}");
    for _ in 0..2 {
        assert_eq!(house.send(&house.admin, "DELETE", &path, None).await.0, 204);
    }
    assert_eq!(house.get(&token, "/v1/clinics").await.0, 401);
    assert_eq!(house.count("event where kind = 'key_revoked'").await, 1);
    let everything = house.get(&house.admin, "/v1/keys").await.1.to_string();
    let kept: String = sqlx::query_scalar("select string_agg(body::text, ' ') from event")
        .fetch_one(&house.state.pool)
        .await
        .expect("events");
    let secret = token.rsplit('.').next().expect("a secret");
    assert!(!everything.contains(secret) && !kept.contains(secret) && !everything.contains("secret"));
}
