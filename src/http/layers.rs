//! What surrounds every handler: the request's id and its line in the log, and the answers no handler gives, since
//! the request never reached one or never came back.
//!
//! The rule of this file: whatever happens, a caller gets a problem document with the request id, and the log gets
//! one line under the same id. Neither bodies nor the Authorization header are ever logged.

use std::any::Any;
use std::sync::Arc;
use std::time::{Duration, Instant};

use axum::Router;
use axum::extract::{DefaultBodyLimit, MatchedPath, Request, State};
use axum::http::{HeaderName, HeaderValue, header};
use axum::middleware::{Next, from_fn, from_fn_with_state};
use axum::response::{IntoResponse, Response};
use tokio::sync::Semaphore;
use tower_http::catch_panic::CatchPanicLayer;
use tracing::Instrument as _;
use uuid::Uuid;

use super::Limits;
use super::health::metrics;
use super::problem::{ApiError, REQUEST_ID};

const X_REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

/// When to come back after 503, in seconds.
const RETRY_AFTER_SECONDS: HeaderValue = HeaderValue::from_static("2");

/// Puts the layers around the routes. The last one added is the first a request meets.
pub fn surround(routes: Router, limits: &Limits) -> Router {
    routes
        .fallback(async || ApiError::not_found("path"))
        .method_not_allowed_fallback(async || ApiError::method_not_allowed())
        .layer(DefaultBodyLimit::max(limits.body_bytes))
        .layer(from_fn_with_state(Arc::new(Semaphore::new(limits.concurrent_requests)), turn_away_when_full))
        .layer(from_fn_with_state(Duration::from_secs(limits.request_seconds), give_up_in_time))
        .layer(CatchPanicLayer::custom(answer_for_panic))
        .layer(from_fn(metrics::measure))
        .layer(from_fn(name_request))
}

/// Names the request, for its caller, for the log and for every problem document made on the way.
async fn name_request(request: Request, next: Next) -> Response {
    let request_id = request
        .headers()
        .get(X_REQUEST_ID)
        .and_then(|value| value.to_str().ok())
        .filter(|text| is_sane_id(text))
        .map_or_else(|| Uuid::new_v4().simple().to_string(), str::to_owned);
    // The path as it was routed: one that was asked for may hold anything.
    let path = request.extensions().get::<MatchedPath>().map_or("", MatchedPath::as_str);
    let span = tracing::info_span!("request", %request_id, method = %request.method(), path);

    // Probes and scrapes come every few seconds, and say something only when they fail.
    let is_routine = !request.uri().path().starts_with("/v1/");
    let header = HeaderValue::from_str(&request_id).ok();
    let answer = async move {
        let started = Instant::now();
        let mut response = next.run(request).await;
        let status = response.status().as_u16();
        let latency_ms = u64::try_from(started.elapsed().as_millis()).unwrap_or(u64::MAX);
        if is_routine && status < 400 {
            tracing::debug!(status, latency_ms, "answered");
        } else {
            tracing::info!(status, latency_ms, "answered");
        }
        if let Some(header) = header {
            response.headers_mut().insert(X_REQUEST_ID, header);
        }
        response
    };
    REQUEST_ID.scope(request_id, answer).instrument(span).await
}

/// Whether a caller's own id may stand in our log: 1 to 64 characters of an RFC 9110 token.
fn is_sane_id(text: &str) -> bool {
    (1..=64).contains(&text.len())
        && text.bytes().all(|byte| byte.is_ascii_alphanumeric() || b"!#$%&'*+-.^_`|~".contains(&byte))
}

/// Turns requests for resources away when as many are at work as may be. Health and metrics are always let through:
/// they are wanted most when it is full.
async fn turn_away_when_full(State(room): State<Arc<Semaphore>>, request: Request, next: Next) -> Response {
    if !request.uri().path().starts_with("/v1/") {
        return next.run(request).await;
    }
    let Ok(_place) = room.try_acquire() else {
        let mut response = ApiError::unavailable("too many requests are at work; repeat it shortly").into_response();
        response.headers_mut().insert(header::RETRY_AFTER, RETRY_AFTER_SECONDS);
        return response;
    };
    next.run(request).await
}

/// Gives a request up when it takes too long; its open transaction is rolled back.
async fn give_up_in_time(State(limit): State<Duration>, request: Request, next: Next) -> Response {
    match tokio::time::timeout(limit, next.run(request)).await {
        Ok(response) => response,
        Err(_) => ApiError::timed_out().into_response(),
    }
}

#[expect(clippy::needless_pass_by_value, reason = "the layer hands the panic over")]
fn answer_for_panic(panic: Box<dyn Any + Send>) -> Response {
    let text = panic.downcast_ref::<String>().map(String::as_str).or_else(|| panic.downcast_ref::<&str>().copied());
    tracing::error!(panic = text.unwrap_or("without a text"), "a handler panicked");
    ApiError::internal().into_response()
}

#[cfg(test)]
mod tests {
    use axum::body::{Body, Bytes};
    use axum::http::{Method, StatusCode};
    use axum::routing::{get, post};
    use tower::ServiceExt as _;

    use super::*;
    use crate::http::problem::Problem;

    const LIMITS: Limits = Limits { body_bytes: 10, request_seconds: 1, concurrent_requests: 1 };

    fn surrounded() -> Router {
        let routes = Router::new()
            .route("/v1/quick", get(async || "done"))
            .route("/v1/endless", get(std::future::pending::<()>))
            .route("/v1/broken", get(async || -> () { panic!("a secret of ours") }))
            .route("/v1/body", post(async |body: Bytes| body.len().to_string()))
            .route("/health/live", get(async || "alive"));
        surround(routes, &LIMITS)
    }

    fn request(method: Method, path: &str) -> Request {
        Request::builder().method(method).uri(path).body(Body::empty()).expect("the parts are valid")
    }

    async fn problem(response: Response) -> Problem {
        assert_eq!(response.headers()[header::CONTENT_TYPE], "application/problem+json");
        let id = response.headers()[X_REQUEST_ID].to_str().unwrap().to_owned();
        let status = response.status().as_u16();
        let bytes = axum::body::to_bytes(response.into_body(), 10_000).await.unwrap();
        let problem: Problem = serde_json::from_slice(&bytes).unwrap();
        assert_eq!((problem.status, &problem.request_id), (status, &id));
        problem
    }

    #[tokio::test]
    async fn a_sane_request_id_is_kept_and_any_other_is_replaced() {
        for (sent, kept) in [("trace-7.a_b", true), ("with space", false), ("", false), (&"x".repeat(65), false)] {
            let mut asked = request(Method::GET, "/v1/quick");
            asked.headers_mut().insert(X_REQUEST_ID, HeaderValue::from_str(sent).unwrap());
            let response = surrounded().oneshot(asked).await.unwrap();
            let answered = response.headers()[X_REQUEST_ID].to_str().unwrap();
            assert_eq!(answered == sent, kept, "{sent:?} became {answered:?}");
            assert!(is_sane_id(answered));
        }
    }

    #[tokio::test]
    async fn an_unknown_path_and_a_wrong_method_are_problems_and_the_latter_names_the_right_ones() {
        let unknown = surrounded().oneshot(request(Method::GET, "/v1/nothing")).await.unwrap();
        assert_eq!(problem(unknown).await.status, 404);

        let wrong = surrounded().oneshot(request(Method::DELETE, "/v1/quick")).await.unwrap();
        assert_eq!(wrong.headers()[header::ALLOW], "GET,HEAD");
        assert_eq!(problem(wrong).await.status, 405);
    }

    #[tokio::test]
    async fn a_panic_is_a_problem_that_says_nothing_of_its_text() {
        let response = surrounded().oneshot(request(Method::GET, "/v1/broken")).await.unwrap();
        let problem = problem(response).await;
        assert_eq!(problem.status, 500);
        assert!(!format!("{problem:?}").contains("secret"));
    }

    #[tokio::test(start_paused = true)]
    async fn a_request_that_takes_too_long_is_given_up_with_408() {
        let response = surrounded().oneshot(request(Method::GET, "/v1/endless")).await.unwrap();
        assert_eq!(problem(response).await.status, 408);
    }

    #[tokio::test]
    async fn a_full_service_turns_requests_away_but_still_says_that_it_lives() {
        let app = surrounded();
        let mut endless = Box::pin(app.clone().oneshot(request(Method::GET, "/v1/endless")));
        assert!(futures_poll_once(&mut endless).await, "the first request is at work");

        let turned_away = app.clone().oneshot(request(Method::GET, "/v1/quick")).await.unwrap();
        assert!(turned_away.headers().contains_key(header::RETRY_AFTER));
        assert_eq!(problem(turned_away).await.status, 503);
        let live = app.clone().oneshot(request(Method::GET, "/health/live")).await.unwrap();
        assert_eq!(live.status(), StatusCode::OK);

        drop(endless);
        let room_again = app.oneshot(request(Method::GET, "/v1/quick")).await.unwrap();
        assert_eq!(room_again.status(), StatusCode::OK);
    }

    /// Starts a future and leaves it; whether it is still at work.
    async fn futures_poll_once<F: Future + Unpin>(future: &mut F) -> bool {
        std::future::poll_fn(|context| {
            std::task::Poll::Ready(std::pin::Pin::new(&mut *future).poll(context).is_pending())
        })
        .await
    }
}
