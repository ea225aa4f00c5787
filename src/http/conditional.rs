//! Answers that a caller may have already.
//!
//! The rule of this file: a tag is made from the bytes of the answer, so it is the same as long as they are, whichever
//! instance answers.

use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse as _, Response};
use data_encoding::BASE64URL_NOPAD;
use sha2::{Digest as _, Sha256};

/// 304 when the caller has this very answer (RFC 9110, section 13.1.2), else the answer with its `ETag`.
pub(super) fn answer(content_type: &'static str, body: Vec<u8>, asked_with: &HeaderMap) -> Response {
    let tag = format!("\"{}\"", BASE64URL_NOPAD.encode(&Sha256::digest(&body)[..18]));
    let has_it = asked_with
        .get_all(header::IF_NONE_MATCH)
        .iter()
        .filter_map(|v| v.to_str().ok())
        .flat_map(|v| v.split(','))
        .map(|v| v.trim().trim_start_matches("W/"))
        .any(|v| v == tag || v == "*");
    let mut response = if has_it {
        StatusCode::NOT_MODIFIED.into_response()
    } else {
        ([(header::CONTENT_TYPE, content_type)], body).into_response()
    };
    let etag = HeaderValue::from_str(&tag).unwrap_or(HeaderValue::from_static("\"\""));
    response.headers_mut().insert(header::ETAG, etag);
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("private, no-cache"));
    response
}
