//! Every answer that is not the wished-for one: an RFC 9457 problem document.
//!
//! The rule of this file: what a caller reads and what the log holds are two texts. Database and library messages go
//! to the log with the request id; the caller gets a stable type, the rule that was broken, and the same id.

use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::domain::fault::Fault;
use crate::store::StoreError;

tokio::task_local! {
    /// Id of the request that the running task answers.
    pub(super) static REQUEST_ID: String;
}

/// An RFC 9457 problem document.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct Problem {
    /// Stable name of the kind of problem, a reference relative to this service.
    #[serde(rename = "type")]
    #[schema(example = "/problems/rule-broken")]
    pub kind: String,
    /// The kind in words.
    #[schema(example = "A rule is broken")]
    pub title: String,
    /// The status code, again.
    #[schema(example = 422)]
    pub status: u16,
    /// What happened this time.
    pub detail: String,
    /// Each bad field.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<FieldProblem>,
    /// Id to quote when asking for help; the log holds it too.
    pub request_id: String,
}

/// One bad field of a problem document.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct FieldProblem {
    /// RFC 6901 pointer into the request body; empty for the body as a whole.
    #[schema(example = "/steps/0/reading/unit")]
    pub pointer: String,
    /// The rule it breaks.
    pub detail: String,
}

/// What a handler answers when it cannot answer as wished.
#[derive(Debug)]
pub struct ApiError {
    status: StatusCode,
    slug: &'static str,
    title: &'static str,
    detail: String,
    errors: Vec<Fault>,
    /// When to come back, where that is known.
    retry_after_seconds: Option<i64>,
}

/// Shorthand of handlers.
pub type ApiResult<T> = Result<T, ApiError>;

impl ApiError {
    fn new(status: StatusCode, slug: &'static str, title: &'static str, detail: impl Into<String>) -> Self {
        Self { status, slug, title, detail: detail.into(), errors: Vec::new(), retry_after_seconds: None }
    }

    /// 400: the request cannot be read.
    pub fn malformed(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "malformed-request", "The request cannot be read", detail)
    }

    /// 400: a field of the body cannot be read.
    pub fn malformed_field(pointer: impl Into<String>, detail: impl Into<String>) -> Self {
        let fault = Fault::new(pointer, detail);
        Self { errors: vec![fault], ..Self::malformed("a field of the body cannot be read") }
    }

    /// 401: no key, or none that is known.
    pub fn unauthenticated() -> Self {
        Self::new(
            StatusCode::UNAUTHORIZED,
            "key-missing",
            "A valid key is needed",
            "send an API key that is not revoked as `Authorization: Bearer …`",
        )
    }

    /// 403: the key's role may not do this.
    pub fn forbidden(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, "role-may-not", "The key's role may not do this", detail)
    }

    /// 403: a person's signature does not do for this; `detail` says what is missing.
    pub fn signature_refused(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, "signature-refused", "The signature is refused", detail)
    }

    /// 429: a person's PIN was wrong too often in a row.
    pub fn pin_locked(seconds: i64) -> Self {
        let detail = format!(
            "too many wrong PINs in a row: nothing is looked at for {seconds} seconds, not even the right one; an \
             administrator can give the person another PIN"
        );
        let error = Self::new(StatusCode::TOO_MANY_REQUESTS, "pin-locked", "The person's PIN is locked", detail);
        Self { retry_after_seconds: Some(seconds), ..error }
    }

    /// 404: it does not exist, as far as this key may know.
    pub fn not_found(what: &str) -> Self {
        Self::new(StatusCode::NOT_FOUND, "not-found", "Not found", format!("no such {what} within this key's reach"))
    }

    /// 405.
    pub fn method_not_allowed() -> Self {
        Self::new(
            StatusCode::METHOD_NOT_ALLOWED,
            "method-not-allowed",
            "Method not allowed",
            "the path exists and does not take this method; see the Allow header",
        )
    }

    /// 406.
    pub fn not_acceptable(offered: &str) -> Self {
        let detail = format!("this answer comes as {offered}");
        Self::new(StatusCode::NOT_ACCEPTABLE, "not-acceptable", "No such representation", detail)
    }

    /// 408.
    pub fn timed_out() -> Self {
        Self::new(
            StatusCode::REQUEST_TIMEOUT,
            "timed-out",
            "The request took too long",
            "nothing is known to have changed; repeat it",
        )
    }

    /// 409.
    pub fn conflict(slug: &'static str, title: &'static str, detail: impl Into<String>) -> Self {
        Self::new(StatusCode::CONFLICT, slug, title, detail)
    }

    /// 409: something has to be there first, each thing as a sentence.
    pub fn not_yet(slug: &'static str, title: &'static str, missing: Vec<String>, caution: &str) -> Self {
        let detail = format!("{}. {caution}", missing.join("; "));
        let errors = missing.into_iter().map(|rule| Fault::new("", rule)).collect();
        Self { errors, ..Self::conflict(slug, title, detail.trim()) }
    }

    /// 413.
    pub fn too_large(limit: usize) -> Self {
        let detail = format!("the body may have at most {limit} bytes");
        Self::new(StatusCode::PAYLOAD_TOO_LARGE, "body-too-large", "The body is too large", detail)
    }

    /// 415.
    pub fn unsupported_media_type(wanted: &str) -> Self {
        Self::new(
            StatusCode::UNSUPPORTED_MEDIA_TYPE,
            "unsupported-media-type",
            "The body's type is not taken",
            format!("send `Content-Type: {wanted}`"),
        )
    }

    /// 422: it can be read, and breaks rules of the domain.
    pub fn rules_broken(errors: Vec<Fault>) -> Self {
        let detail = match errors.as_slice() {
            [one] => format!("{} {}", one.pointer.trim_start_matches('/'), one.rule).trim().to_owned(),
            many => format!("{} fields break a rule; see errors", many.len()),
        };
        let error = Self::new(StatusCode::UNPROCESSABLE_ENTITY, "rule-broken", "A rule is broken", detail);
        Self { errors, ..error }
    }

    /// 422: one field breaks a rule of the domain.
    pub fn rule_broken(pointer: impl Into<String>, rule: impl Into<String>) -> Self {
        Self::rules_broken(vec![Fault::new(pointer, rule)])
    }

    /// 422: the same Idempotency-Key with another request.
    pub fn idempotency_key_reused() -> Self {
        Self::new(
            StatusCode::UNPROCESSABLE_ENTITY,
            "idempotency-key-reused",
            "The Idempotency-Key was used for another request",
            "make a new key for a new request; repeat the first request unchanged to get its answer again",
        )
    }

    /// 503: the service cannot take it now.
    pub fn unavailable(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, "unavailable", "The service cannot answer now", detail)
    }

    /// 500: our own fault; the caller learns no more than that.
    pub fn internal() -> Self {
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "internal",
            "The service failed",
            "the failure is logged under the request id; nothing of this request was kept",
        )
    }

    /// Its status code.
    #[must_use]
    pub fn status(&self) -> StatusCode {
        self.status
    }

    /// The same problem seen from one level further out, e.g. an item of a batch.
    #[must_use]
    pub fn under(mut self, prefix: &str) -> Self {
        self.errors = self.errors.into_iter().map(|f| f.under(prefix)).collect();
        self
    }

    /// The document.
    #[must_use]
    pub fn into_document(self) -> Problem {
        let errors = self.errors.into_iter().map(|f| FieldProblem { pointer: f.pointer, detail: f.rule }).collect();
        Problem {
            kind: format!("/problems/{}", self.slug),
            title: self.title.to_owned(),
            status: self.status.as_u16(),
            detail: self.detail,
            errors,
            request_id: REQUEST_ID.try_with(Clone::clone).unwrap_or_default(),
        }
    }
}

impl From<StoreError> for ApiError {
    fn from(error: StoreError) -> Self {
        use sqlx::Error as Sqlx;
        match &error {
            StoreError::Database(Sqlx::PoolTimedOut | Sqlx::PoolClosed | Sqlx::Io(_) | Sqlx::WorkerCrashed) => {
                tracing::warn!(%error, "database out of reach");
                Self::unavailable("the database is out of reach; repeat the request")
            }
            StoreError::Database(Sqlx::Database(db)) if is_passing(db.code().as_deref()) => {
                tracing::warn!(%error, "database refused for now");
                Self::unavailable("the database could not take the request now; repeat it")
            }
            StoreError::Sealed { .. } => {
                tracing::warn!(%error, "too late for the seal");
                Self::unavailable("the day it would be recorded on is sealed already; repeat the request")
            }
            _ => {
                tracing::error!(%error, "request failed");
                Self::internal()
            }
        }
    }
}

impl From<sqlx::Error> for ApiError {
    fn from(error: sqlx::Error) -> Self {
        StoreError::from(error).into()
    }
}

/// SQLSTATE classes that pass by themselves: connection lost, shutting down, serialization or deadlock, lock timeout.
fn is_passing(code: Option<&str>) -> bool {
    code.is_some_and(|c| {
        c.starts_with("08") || c.starts_with("57P") || matches!(c, "40001" | "40P01" | "55P03" | "53300")
    })
}

impl IntoResponse for ApiError {
    fn into_response(self) -> Response {
        let status = self.status;
        let retry_after = self.retry_after_seconds;
        let body = serde_json::to_vec(&self.into_document()).unwrap_or_default();
        let mut response = (status, [(header::CONTENT_TYPE, "application/problem+json")], body).into_response();
        if status == StatusCode::UNAUTHORIZED {
            let challenge = header::HeaderValue::from_static("Bearer");
            response.headers_mut().insert(header::WWW_AUTHENTICATE, challenge);
        }
        if let Some(seconds) = retry_after {
            response.headers_mut().insert(header::RETRY_AFTER, header::HeaderValue::from(seconds));
        } else if status == StatusCode::SERVICE_UNAVAILABLE {
            response.headers_mut().insert(header::RETRY_AFTER, header::HeaderValue::from_static("1"));
        }
        response
    }
}
