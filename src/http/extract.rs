//! How requests are read: JSON bodies, query strings and path values, each with a problem document when they cannot
//! be.
//!
//! The rule of this file: a request is read whole and strictly before any handler runs, so that a handler never sees
//! half of one. Text with a NUL character is refused here once, since Postgres could not keep it.

use axum::body::Bytes;
use axum::extract::rejection::{BytesRejection, PathRejection, QueryRejection};
use axum::extract::{FromRequest, FromRequestParts, Request};
use axum::http::request::Parts;
use axum::http::{StatusCode, header};
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::AppState;
use super::problem::ApiError;

/// A JSON body.
#[derive(Debug)]
pub struct Body<T>(pub T);

impl<T: DeserializeOwned> FromRequest<AppState> for Body<T> {
    type Rejection = ApiError;

    async fn from_request(request: Request, state: &AppState) -> Result<Self, ApiError> {
        let RawBody(bytes) = RawBody::from_request(request, state).await?;
        read_json(&bytes).map(Self)
    }
}

/// The bytes of a JSON body, for handlers that read its parts one by one or hash it.
#[derive(Debug)]
pub struct RawBody(pub Bytes);

impl FromRequest<AppState> for RawBody {
    type Rejection = ApiError;

    async fn from_request(request: Request, state: &AppState) -> Result<Self, ApiError> {
        let is_json =
            request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).is_some_and(|v| {
                v.split(';').next().is_some_and(|t| t.trim().eq_ignore_ascii_case("application/json"))
            });
        if !is_json {
            return Err(ApiError::unsupported_media_type());
        }
        let limit = state.limits.body_bytes;
        Bytes::from_request(request, state).await.map(Self).map_err(|rejection| match rejection {
            BytesRejection::FailedToBufferBody(inner) if inner.status() == StatusCode::PAYLOAD_TOO_LARGE => {
                ApiError::too_large(limit)
            }
            _ => ApiError::malformed("the body could not be read to its end"),
        })
    }
}

/// Reads a JSON document, naming the field that cannot be read.
///
/// # Errors
/// When the bytes are not JSON, hold a NUL character, or do not have the shape of `T`.
pub fn read_json<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, ApiError> {
    read_value(parse_json(bytes)?)
}

/// As [`read_json`], for a part of a document that was parsed already.
///
/// # Errors
/// As [`read_json`].
pub fn read_value<T: DeserializeOwned>(value: Value) -> Result<T, ApiError> {
    if let Some(pointer) = find_nul(&value) {
        return Err(ApiError::malformed_field(pointer, "must not hold a NUL character"));
    }
    shape(value)
}

/// As [`read_json`], for a document that only frames parts which are read one by one with [`read_value`]: a NUL
/// character is then the fault of its part and not of the whole.
///
/// # Errors
/// When the bytes are not JSON, or do not have the shape of `T`.
pub fn read_frame<T: DeserializeOwned>(bytes: &[u8]) -> Result<T, ApiError> {
    shape(parse_json(bytes)?)
}

fn parse_json(bytes: &[u8]) -> Result<Value, ApiError> {
    serde_json::from_slice(bytes).map_err(|e| ApiError::malformed(format!("the body is not JSON: {e}")))
}

fn shape<T: DeserializeOwned>(value: Value) -> Result<T, ApiError> {
    serde_path_to_error::deserialize(value).map_err(|error| {
        let pointer = json_pointer(error.path());
        ApiError::malformed_field(pointer, error.into_inner().to_string())
    })
}

fn find_nul(value: &Value) -> Option<String> {
    match value {
        Value::String(text) => text.contains('\0').then(String::new),
        Value::Array(items) => {
            items.iter().enumerate().find_map(|(i, v)| find_nul(v).map(|rest| format!("/{i}{rest}")))
        }
        Value::Object(fields) => fields.iter().find_map(|(name, v)| {
            if name.contains('\0') {
                return Some(String::new());
            }
            find_nul(v).map(|rest| format!("/{}{rest}", escape(name)))
        }),
        _ => None,
    }
}

fn escape(name: &str) -> String {
    name.replace('~', "~0").replace('/', "~1")
}

fn json_pointer(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    path.iter()
        .map(|segment| match segment {
            Segment::Seq { index } => format!("/{index}"),
            Segment::Map { key } => format!("/{}", escape(key)),
            Segment::Enum { variant } => format!("/{}", escape(variant)),
            Segment::Unknown => String::new(),
        })
        .collect()
}

/// Values of the path.
#[derive(Debug)]
pub struct Path<T>(pub T);

impl<T: DeserializeOwned + Send> FromRequestParts<AppState> for Path<T> {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &AppState) -> Result<Self, ApiError> {
        axum::extract::Path::<T>::from_request_parts(parts, state)
            .await
            .map(|axum::extract::Path(value)| Self(value))
            .map_err(|rejection| match rejection {
                PathRejection::FailedToDeserializePathParams(inner) => {
                    ApiError::malformed(format!("a value in the path cannot be read: {}", inner.body_text()))
                }
                _ => ApiError::malformed("the path cannot be read"),
            })
    }
}

/// The query string.
#[derive(Debug)]
pub struct Query<T>(pub T);

impl<T: DeserializeOwned> FromRequestParts<AppState> for Query<T> {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, state: &AppState) -> Result<Self, ApiError> {
        axum::extract::Query::<T>::from_request_parts(parts, state)
            .await
            .map(|axum::extract::Query(value)| Self(value))
            .map_err(|rejection| match rejection {
                QueryRejection::FailedToDeserializeQueryString(inner) => {
                    ApiError::malformed(format!("the query string cannot be read: {}", inner.body_text()))
                }
                _ => ApiError::malformed("the query string cannot be read"),
            })
    }
}
