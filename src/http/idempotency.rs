//! The `Idempotency-Key` header (IETF draft-ietf-httpapi-idempotency-key-header-07).
//!
//! The rule of this file: the answer is kept in the transaction of the change it answers, so either both exist or
//! neither does. A second request with the key while the first runs gets 409; the same key with another request 422.

use axum::Json;
use axum::extract::FromRequestParts;
use axum::http::StatusCode;
use axum::http::request::Parts;
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use sha2::{Digest, Sha256};
use sqlx::{Postgres, Transaction};
use utoipa::ToSchema;

use super::AppState;
use super::caller::Caller;
use super::problem::{ApiError, ApiResult};
use crate::store;
use crate::store::idempotency::Answered;

/// The header's value, if it was sent: a structured-field string, `"…"`; the bare form is taken too.
#[derive(Debug, ToSchema)]
#[schema(value_type = String, pattern = r#"^("[ -~]{1,255}"|[!#-~]([ -~]{0,253}[!-~])?)$"#)]
pub struct IdempotencyKey(Option<String>);

impl FromRequestParts<AppState> for IdempotencyKey {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, _state: &AppState) -> ApiResult<Self> {
        let Some(header) = parts.headers.get("idempotency-key") else { return Ok(Self(None)) };
        let text = header.to_str().unwrap_or_default().trim();
        let key = match text.strip_prefix('"') {
            // One that is opened and not closed is read as none.
            Some(rest) => rest.strip_suffix('"').unwrap_or_default(),
            None => text,
        };
        if key.is_empty() || key.len() > 255 || !key.bytes().all(|b| (0x20..0x7f).contains(&b)) {
            return Err(ApiError::malformed("Idempotency-Key must be a string of 1 to 255 printable ASCII characters"));
        }
        Ok(Self(Some(key.to_owned())))
    }
}

/// A request that is answered once: either it was answered before, or it is ours to answer.
pub enum Once {
    /// Answered before: this is that answer.
    Replay(Response),
    /// Ours: do the work in the transaction, then [`Ticket::answer`].
    Fresh(Ticket),
}

/// The right to answer a request under its key.
#[derive(Debug)]
pub struct Ticket {
    key: Option<String>,
    request_hash: Vec<u8>,
}

impl IdempotencyKey {
    /// Fails unless the header was sent.
    ///
    /// # Errors
    /// 400.
    pub fn required(self) -> ApiResult<Self> {
        if self.0.is_some() {
            return Ok(self);
        }
        Err(ApiError::malformed("this post has no natural key: send an Idempotency-Key header, e.g. a fresh UUID"))
    }

    /// Looks for an earlier answer. `request` is what must be the same for a repeat: path and body.
    ///
    /// # Errors
    /// 409 while the first request runs, 422 when the key was used for another request.
    pub async fn begin(
        self,
        tx: &mut Transaction<'static, Postgres>,
        caller: &Caller,
        request: &[&[u8]],
    ) -> ApiResult<Once> {
        let mut hash = Sha256::new();
        for part in request {
            hash.update((part.len() as u64).to_be_bytes());
            hash.update(part);
        }
        let request_hash = hash.finalize().to_vec();
        let Some(key) = &self.0 else { return Ok(Once::Fresh(Ticket { key: None, request_hash })) };
        if !store::idempotency::hold(tx, caller.group_id, caller.key_id, key).await? {
            return Err(ApiError::conflict(
                "request-in-flight",
                "The first request with this Idempotency-Key is still running",
                "wait for its answer, or repeat later",
            ));
        }
        match store::idempotency::find(tx, caller.group_id, caller.key_id, key).await? {
            None => Ok(Once::Fresh(Ticket { key: self.0, request_hash })),
            Some(answered) if answered.request_hash != request_hash => Err(ApiError::idempotency_key_reused()),
            Some(answered) => {
                let status = u16::try_from(answered.status).ok().and_then(|s| StatusCode::from_u16(s).ok());
                Ok(Once::Replay((status.unwrap_or(StatusCode::OK), Json(answered.body)).into_response()))
            }
        }
    }
}

impl Ticket {
    /// Keeps the answer under the key, commits, and answers.
    ///
    /// # Errors
    /// When the database does not answer: then nothing was kept.
    pub async fn answer<T: Serialize>(
        self,
        mut tx: Transaction<'static, Postgres>,
        caller: &Caller,
        status: StatusCode,
        body: &T,
    ) -> ApiResult<Response> {
        let body = serde_json::to_value(body).map_err(|error| {
            tracing::error!(%error, "an answer cannot be written as JSON");
            ApiError::internal()
        })?;
        if let Some(key) = &self.key {
            let status = i16::try_from(status.as_u16()).unwrap_or(200);
            let answered = Answered { request_hash: self.request_hash, status, body: body.clone() };
            store::idempotency::insert(&mut tx, caller.group_id, caller.key_id, key, &answered, caller.now).await?;
        }
        tx.commit().await?;
        Ok((status, Json(body)).into_response())
    }
}
