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
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::AppState;
use super::problem::ApiError;

/// A JSON body.
#[derive(Debug)]
pub struct Body<T>(pub T);

impl<T: DeserializeOwned + Serialize> FromRequest<AppState> for Body<T> {
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
        if !has_type(&request, "application/json") {
            return Err(ApiError::unsupported_media_type("application/json"));
        }
        read_bytes(request, state).await.map(Self)
    }
}

/// The text of an iCalendar file.
#[derive(Debug)]
pub struct CalendarBody(pub String);

impl FromRequest<AppState> for CalendarBody {
    type Rejection = ApiError;

    async fn from_request(request: Request, state: &AppState) -> Result<Self, ApiError> {
        let charset = parameter(&request, "charset");
        // RFC 5545, section 3.1.4: UTF-8 unless something else is said.
        let is_utf_8 = charset.is_none_or(|name| ["utf-8", "us-ascii"].contains(&name.as_str()));
        if !has_type(&request, "text/calendar") || !is_utf_8 {
            return Err(ApiError::unsupported_media_type("text/calendar; charset=utf-8"));
        }
        let bytes = read_bytes(request, state).await?;
        let text = String::from_utf8(bytes.into()).map_err(|_| ApiError::malformed("the body is not UTF-8"))?;
        if text.contains('\0') {
            return Err(ApiError::malformed("the body must not hold a NUL character"));
        }
        Ok(Self(text))
    }
}

fn content_type(request: &Request) -> impl Iterator<Item = &str> {
    let value = request.headers().get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok());
    value.unwrap_or_default().split(';').map(str::trim)
}

fn has_type(request: &Request, wanted: &str) -> bool {
    content_type(request).next().is_some_and(|found| found.eq_ignore_ascii_case(wanted))
}

/// A parameter of the content type, in lower case.
fn parameter(request: &Request, wanted: &str) -> Option<String> {
    let (_, value) = (content_type(request).skip(1).filter_map(|part| part.split_once('=')))
        .find(|(name, _)| name.trim().eq_ignore_ascii_case(wanted))?;
    Some(value.trim().trim_matches('"').to_ascii_lowercase())
}

async fn read_bytes(request: Request, state: &AppState) -> Result<Bytes, ApiError> {
    let limit = state.limits.body_bytes;
    Bytes::from_request(request, state).await.map_err(|rejection| match rejection {
        BytesRejection::FailedToBufferBody(inner) if inner.status() == StatusCode::PAYLOAD_TOO_LARGE => {
            ApiError::too_large(limit)
        }
        _ => ApiError::malformed("the body could not be read to its end"),
    })
}

/// Reads a JSON document, naming the field that cannot be read.
///
/// # Errors
/// When the bytes are not JSON, hold a NUL character, or do not have the shape of `T`.
pub fn read_json<T: DeserializeOwned + Serialize>(bytes: &[u8]) -> Result<T, ApiError> {
    read_value(parse_json(bytes)?)
}

/// As [`read_json`], for a part of a document that was parsed already.
///
/// # Errors
/// As [`read_json`].
pub fn read_value<T: DeserializeOwned + Serialize>(value: Value) -> Result<T, ApiError> {
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
pub fn read_frame<T: DeserializeOwned + Serialize>(bytes: &[u8]) -> Result<T, ApiError> {
    shape(parse_json(bytes)?)
}

fn parse_json(bytes: &[u8]) -> Result<Value, ApiError> {
    serde_json::from_slice(bytes).map_err(|e| ApiError::malformed(format!("the body is not JSON: {e}")))
}

fn shape<T: DeserializeOwned + Serialize>(mut value: Value) -> Result<T, ApiError> {
    write_integers_plainly(&mut value);
    let read: T = serde_path_to_error::deserialize(&value).map_err(|error| {
        let pointer = json_pointer(error.path());
        ApiError::malformed_field(pointer, error.into_inner().to_string())
    })?;
    let understood = serde_json::to_value(&read).map_err(|error| {
        tracing::error!(%error, "what was read cannot be written");
        ApiError::internal()
    })?;
    match find_misreading(&value, &understood) {
        Some((pointer, wanted)) => Err(ApiError::malformed_field(pointer, format!("must be {wanted}"))),
        None => Ok(read),
    }
}

/// JSON has one kind of number, and JSON Schema counts `3.0` among the integers; serde does not.
fn write_integers_plainly(value: &mut Value) {
    /// Up to here every integer has a double of its own.
    const LARGEST: f64 = 9_007_199_254_740_992.0;
    match value {
        Value::Number(number) if number.is_f64() => {
            if let Some(whole) = number.as_f64().filter(|n| n.fract() == 0.0 && n.abs() <= LARGEST) {
                #[expect(clippy::cast_possible_truncation, reason = "it is whole and within 2^53")]
                let whole = whole as i64;
                *number = whole.into();
            }
        }
        Value::Array(items) => items.iter_mut().for_each(write_integers_plainly),
        Value::Object(fields) => fields.values_mut().for_each(write_integers_plainly),
        _ => {}
    }
}

/// Where something was read as other than it was sent, and what it must be. serde takes the values of a struct in order
/// without their names, the number of a variant for its name, and drops repeats from a set; the document promises that
/// all of these are refused.
fn find_misreading(sent: &Value, understood: &Value) -> Option<(String, &'static str)> {
    match (sent, understood) {
        (Value::Array(_), Value::Object(_)) => Some((String::new(), "an object and not a list of its values")),
        (Value::Number(_), Value::String(_)) => Some((String::new(), "a name and not a number")),
        (Value::Array(sent), Value::Array(understood)) if sent.len() != understood.len() => {
            Some((String::new(), "a list without repeats"))
        }
        (Value::Array(sent), Value::Array(understood)) => {
            sent.iter().zip(understood).enumerate().find_map(|(i, (s, u))| {
                let (rest, wanted) = find_misreading(s, u)?;
                Some((format!("/{i}{rest}"), wanted))
            })
        }
        (Value::Object(sent), Value::Object(understood)) => sent.iter().find_map(|(name, s)| {
            let (rest, wanted) = find_misreading(s, understood.get(name)?)?;
            Some((format!("/{}{rest}", escape(name)), wanted))
        }),
        _ => None,
    }
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

#[cfg(test)]
mod tests {
    use serde::Deserialize;
    use serde_json::json;

    use super::*;
    use crate::domain::access::Reach;
    use crate::domain::anchor::Anchor;
    use crate::domain::routine::Selection;

    #[derive(Debug, PartialEq, Serialize, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Outer {
        #[serde(default)]
        inner: Inner,
        #[serde(default)]
        list: Vec<Inner>,
    }

    #[derive(Debug, Default, PartialEq, Serialize, Deserialize)]
    #[serde(default, deny_unknown_fields)]
    struct Inner {
        count: u32,
        list: Vec<u32>,
    }

    fn pointer<T: DeserializeOwned + Serialize + std::fmt::Debug>(sent: Value) -> String {
        read_value::<T>(sent).expect_err("refused").into_document().errors[0].pointer.clone()
    }

    #[test]
    fn what_serde_would_read_as_something_else_is_refused() {
        assert_eq!(pointer::<Outer>(json!([{ "count": 1 }])), "");
        assert_eq!(pointer::<Outer>(json!({ "inner": [1] })), "/inner");
        assert_eq!(pointer::<Outer>(json!({ "list": [{}, [2]] })), "/list/1");
        assert_eq!(pointer::<Reach>(json!(["group"])), "");
        let dates = json!({ "rule": "FREQ=DAILY", "starts_on": "2026-01-01" });
        let anchor =
            json!({ "kind": "calendar", "dates": dates, "place": { "kind": 1 }, "closed_day": "not_required" });
        assert_eq!(pointer::<Anchor>(anchor), "/place/kind");
        let clinic_ids = json!([uuid::Uuid::max(), uuid::Uuid::nil(), uuid::Uuid::max()]);
        assert_eq!(pointer::<Selection>(json!({ "clinic_ids": clinic_ids })), "/clinic_ids");
        assert!(read_value::<Outer>(json!({ "inner": { "list": [] }, "list": [] })).is_ok());
    }

    /// JSON Schema Validation 2020-12, 6.1.1: `integer` matches any number with a zero fractional part.
    #[test]
    fn a_whole_number_is_an_integer_however_it_is_written() {
        let read = |text: &str| read_json::<Inner>(format!("{{\"count\": {text}}}").as_bytes()).map(|i| i.count).ok();
        for (text, count) in [("3", Some(3)), ("3.0", Some(3)), ("3e0", Some(3)), ("30e-1", Some(3)), ("-0.0", Some(0))]
        {
            assert_eq!(read(text), count, "{text}");
        }
        for text in ["3.5", "-1.0", "1e10", "1e300", "\"3\""] {
            assert_eq!(read(text), None, "{text}");
        }
    }

    #[test]
    fn a_nul_character_is_refused_where_it_stands_and_passed_over_in_a_frame() {
        assert_eq!(pointer::<Value>(json!({ "a/b": ["", "x\u{0}"] })), "/a~1b/1");
        assert!(read_frame::<Value>(br#"{"items": ["\u0000"]}"#).is_ok());
    }
}
