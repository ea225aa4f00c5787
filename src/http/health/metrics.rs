//! What a monitoring system counts, as Prometheus text at `/metrics`.
//!
//! The rule of this file: labels come from small closed sets (the routed path, never the path that was asked for), so
//! that no caller can make the numbers of series grow.

use std::sync::OnceLock;
use std::time::Instant;

use axum::extract::{MatchedPath, Request, State};
use axum::http::{Method, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, TimeDelta, Utc};
use metrics::{Unit, counter, describe_counter, describe_gauge, describe_histogram, gauge, histogram};
use metrics_exporter_prometheus::{Matcher, PrometheusBuilder, PrometheusHandle};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::http::{AppState, health};

const REQUESTS: &str = "chairtide_http_requests_total";
const LATENCY: &str = "chairtide_http_request_seconds";
const CONNECTIONS: &str = "chairtide_pool_connections";
const DATABASE_UP: &str = "chairtide_database_up";
const PLANNER_LAG: &str = "chairtide_planner_lag_seconds";
const SEALER_LAG: &str = "chairtide_sealer_lag_seconds";

/// Tasks the planner added, changed or withdrew, with the label `change`; the planner counts them.
const TASKS_CHANGED: &str = "chairtide_tasks_changed_total";

/// Clinic days sealed, clinics that could not be sealed or checked, and findings; the sealer counts them.
const DAYS_SEALED: &str = "chairtide_days_sealed_total";
const SEALING_FAILED: &str = "chairtide_sealing_failed_total";
const SEAL_FINDINGS: &str = "chairtide_seal_findings_total";

/// Upper bounds of the latency histogram, in seconds.
const LATENCY_BOUNDS: [f64; 11] = [0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0];

/// The recorder of this process. Several apps may live in one process, as in tests; they share it.
fn recorder() -> &'static PrometheusHandle {
    static HANDLE: OnceLock<PrometheusHandle> = OnceLock::new();
    HANDLE.get_or_init(|| {
        let recorder = PrometheusBuilder::new()
            .set_buckets_for_metric(Matcher::Full(LATENCY.to_owned()), &LATENCY_BOUNDS)
            .expect("the bounds are a constant that is not empty")
            .build_recorder();
        let handle = recorder.handle();
        if metrics::set_global_recorder(recorder).is_err() {
            tracing::warn!("another recorder of metrics was installed before; /metrics stays empty");
        }
        describe_counter!(REQUESTS, "Requests answered, by method, routed path and class of status");
        describe_histogram!(LATENCY, Unit::Seconds, "Time to the answer, by method and routed path");
        describe_gauge!(CONNECTIONS, "Connections to the database, by state");
        describe_gauge!(DATABASE_UP, "1 when the database answered, looked at a second ago at most");
        describe_gauge!(PLANNER_LAG, Unit::Seconds, "How long the clinic that waits longest has waited to be planned");
        describe_gauge!(SEALER_LAG, Unit::Seconds, "How long the clinic that waits longest has waited to be sealed");
        describe_counter!(DAYS_SEALED, "Clinic days sealed");
        describe_counter!(SEALING_FAILED, "Times a clinic could not be sealed or checked");
        describe_counter!(SEAL_FINDINGS, "Things found that are not as they were sealed");
        describe_counter!(TASKS_CHANGED, "Tasks the planner changed, by kind of change");
        handle
    })
}

/// Installs the recorder before anything is counted, so that nothing is lost.
pub fn install() {
    recorder();
}

/// Folds what was measured into the histograms. Somebody must call it now and then when nobody scrapes, or samples
/// pile up.
pub fn upkeep() {
    recorder().run_upkeep();
}

/// Counts a request and how long it took.
pub(in crate::http) async fn measure(request: Request, next: Next) -> Response {
    let method = method_label(request.method());
    let path = request.extensions().get::<MatchedPath>().cloned();
    let started = Instant::now();
    let response = next.run(request).await;

    let path = path.map_or_else(|| "unknown".to_owned(), |path| path.as_str().to_owned());
    histogram!(LATENCY, "method" => method, "path" => path.clone()).record(started.elapsed());
    let status = status_class(response.status().as_u16());
    counter!(REQUESTS, "method" => method, "path" => path, "status" => status).increment(1);
    response
}

fn method_label(method: &Method) -> &'static str {
    match *method {
        Method::GET => "GET",
        Method::HEAD => "HEAD",
        Method::POST => "POST",
        Method::PUT => "PUT",
        Method::DELETE => "DELETE",
        _ => "other",
    }
}

fn status_class(status: u16) -> &'static str {
    match status {
        100..200 => "1xx",
        200..300 => "2xx",
        300..400 => "3xx",
        400..500 => "4xx",
        _ => "5xx",
    }
}

/// The routes of this resource.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_metrics))
}

/// Read metrics for a monitoring system
///
/// Prometheus text: requests and their latency, connections to the database, and how far behind the planner and
/// the sealer are. Holds no group's data. However often this is asked, the database is looked at once a second.
#[utoipa::path(get, path = "/metrics", operation_id = "get_metrics", tag = "Operations",
    responses((status = 200, description = "The metrics", body = String, content_type = "text/plain")))]
async fn get_metrics(State(state): State<AppState>) -> Response {
    let idle = u32::try_from(state.pool.num_idle()).unwrap_or(u32::MAX);
    gauge!(CONNECTIONS, "state" => "idle").set(idle);
    gauge!(CONNECTIONS, "state" => "in_use").set(state.pool.size().saturating_sub(idle));
    if let Some(found) = health::at_database(&state).await {
        gauge!(DATABASE_UP).set(1);
        gauge!(PLANNER_LAG).set(lag(found.plan_due_at, state.clock.now()).as_seconds_f64());
        gauge!(SEALER_LAG).set(lag(found.seal_due_at, state.clock.now()).as_seconds_f64());
    } else {
        gauge!(DATABASE_UP).set(0);
    }
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], recorder().render()).into_response()
}

/// How far behind a loop is; nothing while nobody waits.
pub(super) fn lag(due_at: Option<DateTime<Utc>>, now: DateTime<Utc>) -> TimeDelta {
    due_at.map_or(TimeDelta::zero(), |due_at| (now - due_at).max(TimeDelta::zero()))
}

#[cfg(test)]
mod tests {
    use axum::Router;
    use axum::body::Body;
    use axum::middleware::from_fn;
    use axum::routing::get;
    use tower::ServiceExt as _;

    use super::*;

    #[tokio::test]
    async fn a_request_is_counted_under_the_path_it_was_routed_to() {
        install();
        let app = Router::new().route("/counted/{id}", get(async || "done")).layer(from_fn(measure));
        for path in ["/counted/1", "/counted/2", "/never-routed"] {
            let request = Request::builder().uri(path).body(Body::empty()).unwrap();
            app.clone().oneshot(request).await.unwrap();
        }
        let text = recorder().render();
        assert!(
            text.contains(r#"chairtide_http_requests_total{method="GET",path="/counted/{id}",status="2xx"} 2"#),
            "{text}"
        );
        assert!(text.contains(r#"path="/counted/{id}",le="10"} 2"#), "{text}");
        assert!(!text.contains("never-routed"));
    }

    #[test]
    fn a_loop_that_nobody_waits_for_has_no_lag() {
        let now = DateTime::from_timestamp(1_798_200_000, 0).unwrap();
        let minute = TimeDelta::minutes(1);
        let behind = |due_at| lag(due_at, now);
        assert_eq!(
            [behind(None), behind(Some(now + minute)), behind(Some(now - minute))],
            [TimeDelta::zero(), TimeDelta::zero(), minute]
        );
    }
}
