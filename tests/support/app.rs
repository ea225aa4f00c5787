//! The service in process, and clients of it.

use std::sync::Arc;

use axum::Router;
use axum::body::Body;
use axum::http::{HeaderMap, Method, Request, StatusCode};
use chairtide::clock::Clock;
use chairtide::domain::access::{Reach, Role};
use chairtide::http::streaming::Room;
use chairtide::http::{self, AppState, Limits};
use chairtide::jobs::{Jobs, housekeeping, planner};
use chairtide::store;
use chairtide::store::groups::Group;
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};
use sqlx::PgPool;
use tokio::sync::Notify;
use tower::ServiceExt as _;
use uuid::Uuid;

use super::id;

/// How far ahead the tests plan.
pub(crate) const HORIZON_DAYS: u32 = 14;

/// The service on a database of its own.
pub(crate) struct App {
    pub(crate) pool: PgPool,
    pub(crate) clock: Clock,
    router: Router,
}

/// An answer.
#[derive(Debug)]
pub(crate) struct Answer {
    pub(crate) status: StatusCode,
    pub(crate) headers: HeaderMap,
    pub(crate) text: String,
}

impl Answer {
    /// The body as JSON.
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.text).unwrap_or_else(|e| panic!("no JSON ({e}): {}", self.text))
    }

    /// The body as JSON of an answer that must have this status.
    #[track_caller]
    pub(crate) fn expect(&self, status: u16) -> Value {
        assert_eq!(self.status.as_u16(), status, "{}", self.text);
        if self.text.is_empty() { Value::Null } else { self.json() }
    }

    /// The pointers of a problem's bad fields.
    pub(crate) fn pointers(&self) -> Vec<String> {
        let body = self.json();
        let errors = body["errors"].as_array().cloned().unwrap_or_default();
        errors.iter().filter_map(|e| e["pointer"].as_str().map(str::to_owned)).collect()
    }

    /// A header's text; empty when it is not there.
    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers.get(name).and_then(|v| v.to_str().ok()).unwrap_or_default()
    }
}

impl App {
    /// The service at `now`, with its partitions made.
    pub(crate) async fn new(pool: PgPool, now: DateTime<Utc>) -> Self {
        let clock = Clock::manual(now);
        let state = AppState {
            pool: pool.clone(),
            clock: clock.clone(),
            // Longer than any request takes on a busy machine: no test of this service is a timed one.
            limits: Arc::new(Limits { body_bytes: 2_000_000, request_seconds: 300, concurrent_requests: 64 }),
            wake_planner: Arc::new(Notify::new()),
            horizon_days: HORIZON_DAYS,
            streams: Arc::new(Room::beside(16)),
            last_look: Arc::default(),
        };
        let app = Self { pool, clock, router: http::app(state) };
        app.keep_house().await;
        app
    }

    /// The service, for requests that are sent from tasks of their own.
    pub(crate) fn router(&self) -> Router {
        self.router.clone()
    }

    /// One tick of housekeeping.
    pub(crate) async fn keep_house(&self) {
        let jobs = Jobs {
            pool: self.pool.clone(),
            clock: self.clock.clone(),
            wake_planner: Arc::new(Notify::new()),
            horizon_days: HORIZON_DAYS,
            instance_id: id(1),
            zone_data: chairtide::domain::zone::database().release().to_string(),
        };
        housekeeping::tick(&jobs).await.expect("housekeeping ticks");
    }

    /// One tick of the planner.
    pub(crate) async fn plan(&self) -> planner::Report {
        planner::tick(&self.pool, &self.clock, HORIZON_DAYS).await.expect("the planner ticks")
    }

    /// Sets the clock.
    pub(crate) fn set(&self, now: DateTime<Utc>) {
        self.clock.set(now);
    }

    /// Moves the clock on.
    pub(crate) fn advance(&self, by: TimeDelta) {
        self.clock.set(self.clock.now() + by);
    }

    /// A group with its first administrator key, as the command line makes them.
    pub(crate) async fn group(&self, group_id: Uuid) -> Client<'_> {
        let now = self.clock.now();
        let mut tx = store::begin(&self.pool, group_id).await.expect("the database answers");
        let group = Group { group_id, name: "Tidewater Practices".to_owned(), created_at: now };
        store::groups::insert(&mut tx, &group).await.expect("the group is kept");
        let token = http::caller::Token::make(group_id).expect("randomness");
        let key = store::keys::Key {
            key_id: Uuid::new_v4(),
            label: "first administrator".to_owned(),
            role: Role::Administrator,
            reach: Reach::Group {},
            shared: false,
            created_at: now,
            revoked_at: None,
            last_used_at: None,
        };
        store::keys::insert(&mut tx, group_id, &key, &token.secret_hash()).await.expect("the key is kept");
        tx.commit().await.expect("committed");
        Client { app: self, token: token.reveal() }
    }

    /// Sends a request as it stands; a server error is a failed test.
    pub(crate) async fn send(&self, request: Request<Body>) -> Answer {
        let answer = self.send_anyhow(request).await;
        assert!(!answer.status.is_server_error(), "a server error: {} {}", answer.status, answer.text);
        answer
    }

    async fn send_anyhow(&self, request: Request<Body>) -> Answer {
        let response = self.router.clone().oneshot(request).await.expect("the router never fails");
        let (parts, body) = response.into_parts();
        let bytes = axum::body::to_bytes(body, usize::MAX).await.expect("the body is whole");
        let text = String::from_utf8(bytes.to_vec()).expect("answers are UTF-8");
        Answer { status: parts.status, headers: parts.headers, text }
    }
}

/// A client with a key.
#[derive(Clone)]
pub(crate) struct Client<'a> {
    pub(crate) app: &'a App,
    pub(crate) token: String,
}

impl<'a> Client<'a> {
    /// A request with the key and these headers.
    pub(crate) async fn call(
        &self,
        method: Method,
        path: &str,
        headers: &[(&str, &str)],
        body: Option<&Value>,
    ) -> Answer {
        self.app.send(self.request(method, path, headers, body)).await
    }

    /// As [`Client::call`], where a server error is an answer like any other.
    pub(crate) async fn ask(
        &self,
        method: Method,
        path: &str,
        headers: &[(&str, &str)],
        body: Option<&Value>,
    ) -> Answer {
        self.app.send_anyhow(self.request(method, path, headers, body)).await
    }

    fn request(&self, method: Method, path: &str, headers: &[(&str, &str)], body: Option<&Value>) -> Request<Body> {
        let mut request =
            Request::builder().method(method).uri(path).header("authorization", format!("Bearer {}", self.token));
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let body = match body {
            Some(value) => {
                request = request.header("content-type", "application/json");
                Body::from(value.to_string())
            }
            None => Body::empty(),
        };
        request.body(body).expect("a well-formed request")
    }

    pub(crate) async fn get(&self, path: &str) -> Answer {
        self.call(Method::GET, path, &[], None).await
    }

    pub(crate) async fn put(&self, path: &str, body: Value) -> Answer {
        self.call(Method::PUT, path, &[], Some(&body)).await
    }

    pub(crate) async fn post(&self, path: &str, body: Value) -> Answer {
        self.call(Method::POST, path, &[], Some(&body)).await
    }

    /// A post under an `Idempotency-Key`.
    pub(crate) async fn post_once(&self, path: &str, key: &str, body: Value) -> Answer {
        self.call(Method::POST, path, &[("idempotency-key", &format!("\"{key}\""))], Some(&body)).await
    }

    pub(crate) async fn delete(&self, path: &str) -> Answer {
        self.call(Method::DELETE, path, &[], None).await
    }

    /// A new key, made over the API.
    pub(crate) async fn key(&self, role: &str, reach: Value) -> Client<'a> {
        let body = json!({ "key_id": Uuid::new_v4(), "label": format!("a {role}"), "role": role, "reach": reach });
        let made = self.post("/v1/keys", body).await.expect(201);
        Client { app: self.app, token: made["token"].as_str().expect("shown once").to_owned() }
    }
}
