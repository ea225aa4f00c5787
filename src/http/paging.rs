//! Lists longer than one answer: where the next page begins, and how a caller is told.
//!
//! The rule of this file: a cursor is opaque, versioned and holds a place, never a right. What a caller may see is
//! decided by its key on every page; a cursor from somewhere else only starts the list at another place. It carries
//! the instant of the first page, so that all pages show one moment.

use axum::Json;
use axum::http::HeaderValue;
use axum::http::header::LINK;
use axum::response::{IntoResponse as _, Response};
use chrono::{DateTime, Datelike, TimeDelta, Utc};
use data_encoding::BASE64URL_NOPAD;
use serde::{Deserialize, Serialize};
use utoipa::IntoParams;
use uuid::Uuid;

use super::problem::{ApiError, ApiResult};
use crate::store::tasks::overdue::Position;

/// First byte of a cursor; another layout gets another number, and old cursors are then refused instead of misread.
const VERSION: u8 = 1;
const LENGTH: usize = 34;
/// The same of a place in a list that is read from the newest entry on.
const PLACE_VERSION: u8 = 2;
const PLACE_LENGTH: usize = 25;
/// The same of a place in a list that goes from clinic to clinic.
const CLINIC_VERSION: u8 = 3;
const CLINIC_LENGTH: usize = 17;
/// Clinics of one answer: each of them is worked out anew.
const DEFAULT_CLINICS: u16 = 20;
const MOST_CLINICS: u16 = 50;
const DEFAULT_LIMIT: u16 = 100;
const HIGHEST_LIMIT: u16 = 500;
/// The most rungs a ladder can have (`domain::ladder`).
const TOP_LEVEL: u8 = 9;
/// A list is read to its end in minutes; later the plan may have moved under it.
const GOOD_FOR: TimeDelta = TimeDelta::days(1);
/// A bound that keeps what Postgres is asked within its calendar: no window of a task is longer than 181 days
/// (`domain::routine`), but an action or a day may be left for years.
const LONGEST_OVERDUE: TimeDelta = TimeDelta::days(40 * 366);

/// Where the next page of the overdue list begins.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cursor {
    /// The instant of the first page.
    pub as_of: DateTime<Utc>,
    /// The last place that was shown.
    pub after: Position,
}

impl Cursor {
    /// Its opaque text: base64url without padding (RFC 4648, section 5).
    #[must_use]
    pub fn encode(&self) -> String {
        let mut bytes = Vec::with_capacity(LENGTH);
        bytes.push(VERSION);
        bytes.extend(self.as_of.timestamp_micros().to_be_bytes());
        bytes.push(self.after.level);
        bytes.extend(self.after.overdue_at.timestamp_micros().to_be_bytes());
        bytes.extend(self.after.item_id.as_bytes());
        BASE64URL_NOPAD.encode(&bytes)
    }

    /// Reads a cursor at `now`.
    ///
    /// # Errors
    /// 400 when it is not one of ours, or too old.
    pub fn read(text: &str, now: DateTime<Utc>) -> ApiResult<Self> {
        let cursor = Self::decode(text)
            .ok_or_else(|| ApiError::malformed("cursor is not one that this list handed out; start without one"))?;
        if (now - cursor.as_of).abs() > GOOD_FOR {
            return Err(ApiError::malformed("cursor is more than a day old; start without one"));
        }
        Ok(cursor)
    }

    fn decode(text: &str) -> Option<Self> {
        let bytes: [u8; LENGTH] = BASE64URL_NOPAD.decode(text.as_bytes()).ok()?.try_into().ok()?;
        let instant = |at: usize| {
            let micros = i64::from_be_bytes(bytes[at..at + 8].try_into().ok()?);
            DateTime::from_timestamp_micros(micros)
        };
        let as_of = instant(1)?;
        let overdue_at = instant(10)?;
        let after = Position { level: bytes[9], overdue_at, item_id: Uuid::from_slice(&bytes[18..]).ok()? };
        let possible = bytes[0] == VERSION
            && after.level <= TOP_LEVEL
            && (TimeDelta::zero()..LONGEST_OVERDUE).contains(&(as_of - overdue_at));
        possible.then_some(Self { as_of, after })
    }
}

/// Which part of a list that is read from the newest entry on.
///
/// Such a list only grows, and nothing in it changes its place, so a cursor needs no instant of its own and does not
/// age: what was added since the first page lies before it.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct NewestFirst {
    /// Most items in one answer; 100 when not given.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u16>,
    /// Where to go on, as the `Link` field of the page before gave it.
    #[param(pattern = "^[A-Za-z0-9_-]{34}$")]
    pub cursor: Option<String>,
}

/// A place in such a list: an entry's instant and id.
pub type Place = (DateTime<Utc>, Uuid);

impl NewestFirst {
    /// Most items in one answer.
    ///
    /// # Errors
    /// 400 when it is out of range.
    pub fn limit(&self) -> ApiResult<u16> {
        let limit = self.limit.unwrap_or(DEFAULT_LIMIT);
        if (1..=HIGHEST_LIMIT).contains(&limit) {
            Ok(limit)
        } else {
            Err(ApiError::malformed(format!("limit must be from 1 to {HIGHEST_LIMIT}")))
        }
    }

    /// The last place that was shown.
    ///
    /// # Errors
    /// 400 when the cursor is not one of ours.
    pub fn place(&self) -> ApiResult<Option<Place>> {
        let read = |text: &String| {
            decode_place(text)
                .ok_or_else(|| ApiError::malformed("cursor is not one that this list handed out; start without one"))
        };
        self.cursor.as_ref().map(read).transpose()
    }

    /// Cuts what was read down to a page, and links to the next one when more was read than is shown.
    pub fn cut<T>(
        &self,
        path: &str,
        items: &mut Vec<T>,
        limit: u16,
        place: impl Fn(&T) -> Place,
    ) -> Option<HeaderValue> {
        self.cut_filtered(path, &[], items, limit, place)
    }

    /// As [`Self::cut`], with filters that the next page keeps.
    pub fn cut_filtered<T>(
        &self,
        path: &str,
        filters: &[(&str, Option<String>)],
        items: &mut Vec<T>,
        limit: u16,
        place: impl Fn(&T) -> Place,
    ) -> Option<HeaderValue> {
        let limit = usize::from(limit);
        let has_more = items.len() > limit;
        items.truncate(limit);
        let last = items.last().filter(|_| has_more)?;
        let cursor = encode_place(place(last));
        let mut parameters = filters.to_vec();
        parameters.extend([("limit", self.limit.map(|limit| limit.to_string())), ("cursor", Some(cursor))]);
        next_link(path, &parameters)
    }
}

fn encode_place((at, id): Place) -> String {
    let mut bytes = Vec::with_capacity(PLACE_LENGTH);
    bytes.push(PLACE_VERSION);
    bytes.extend(at.timestamp_micros().to_be_bytes());
    bytes.extend(id.as_bytes());
    BASE64URL_NOPAD.encode(&bytes)
}

fn decode_place(text: &str) -> Option<Place> {
    let bytes: [u8; PLACE_LENGTH] = BASE64URL_NOPAD.decode(text.as_bytes()).ok()?.try_into().ok()?;
    let at = DateTime::from_timestamp_micros(i64::from_be_bytes(bytes[1..9].try_into().ok()?))?;
    // The years that are planned for: Postgres could not compare with every instant that eight bytes hold.
    let possible = bytes[0] == PLACE_VERSION && (1970..=2199).contains(&at.year());
    possible.then_some((at, Uuid::from_slice(&bytes[9..]).ok()?))
}

/// Which part of a list that goes from clinic to clinic, in the order of their ids.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ByClinic {
    /// Most clinics in one answer; 20 when not given.
    #[param(minimum = 1, maximum = 50)]
    pub limit: Option<u16>,
    /// Where to go on, as the `Link` field of the page before gave it.
    #[param(pattern = "^[A-Za-z0-9_-]{23}$")]
    pub cursor: Option<String>,
}

impl ByClinic {
    /// Most clinics in one answer.
    ///
    /// # Errors
    /// 400 when it is out of range.
    pub fn limit(&self) -> ApiResult<usize> {
        let limit = self.limit.unwrap_or(DEFAULT_CLINICS);
        if (1..=MOST_CLINICS).contains(&limit) {
            Ok(limit.into())
        } else {
            Err(ApiError::malformed(format!("limit must be from 1 to {MOST_CLINICS}")))
        }
    }

    /// The last clinic that was shown.
    ///
    /// # Errors
    /// 400 when the cursor is not one of ours.
    pub fn after(&self) -> ApiResult<Option<Uuid>> {
        let decode = |text: &String| {
            let bytes: [u8; CLINIC_LENGTH] = BASE64URL_NOPAD.decode(text.as_bytes()).ok()?.try_into().ok()?;
            Uuid::from_slice(&bytes[1..]).ok().filter(|_| bytes[0] == CLINIC_VERSION)
        };
        let read = |text: &String| {
            decode(text)
                .ok_or_else(|| ApiError::malformed("cursor is not one that this list handed out; start without one"))
        };
        self.cursor.as_ref().map(read).transpose()
    }

    /// The way to the page after the one that ends with `last`.
    pub fn link_after(&self, path: &str, last: Uuid) -> Option<HeaderValue> {
        let mut bytes = vec![CLINIC_VERSION];
        bytes.extend(last.as_bytes());
        let cursor = BASE64URL_NOPAD.encode(&bytes);
        next_link(path, &[("limit", self.limit.map(|limit| limit.to_string())), ("cursor", Some(cursor))])
    }
}

/// A `Link` field to the next page (RFC 8288): a reference relative to this service, with the filters of this page.
/// The values are ids, numbers and stable names, none of which needs escaping in a query string.
#[must_use]
pub fn next_link(path: &str, parameters: &[(&str, Option<String>)]) -> Option<HeaderValue> {
    let query: Vec<String> =
        parameters.iter().filter_map(|(name, value)| value.as_ref().map(|v| format!("{name}={v}"))).collect();
    HeaderValue::try_from(format!("<{path}?{}>; rel=\"next\"", query.join("&"))).ok()
}

/// A page with the way to the next one (RFC 8288), where there is one.
pub(super) fn linked<P: Serialize>(page: &P, next: Option<HeaderValue>) -> Response {
    with_next(Json(page).into_response(), next)
}

/// An answer in whichever format, with the way to the next page (RFC 8288), where there is one.
pub(super) fn with_next(mut response: Response, next: Option<HeaderValue>) -> Response {
    if let Some(next) = next {
        response.headers_mut().insert(LINK, next);
    }
    response
}

#[cfg(test)]
mod tests {
    use axum::http::StatusCode;
    use data_encoding::BASE64URL_NOPAD;
    use proptest::prelude::*;

    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().expect("an instant")
    }

    fn cursor() -> Cursor {
        let after = Position { level: 2, overdue_at: at("2026-11-30T08:10:00Z"), item_id: Uuid::max() };
        Cursor { as_of: at("2026-11-30T09:00:00.000001Z"), after }
    }

    proptest! {
        #[test]
        fn a_cursor_read_back_is_the_same(
            micros in 0_i64..4_000_000_000_000_000,
            late_micros in 0_i64..15_000_000_000_000,
            level in 0_u8..=9,
            id in any::<u128>(),
        ) {
            let as_of = DateTime::from_timestamp_micros(micros).expect("in range");
            let overdue_at = as_of - TimeDelta::microseconds(late_micros);
            let cursor = Cursor { as_of, after: Position { level, overdue_at, item_id: Uuid::from_u128(id) } };
            let text = cursor.encode();
            // The unreserved characters of RFC 3986, section 2.3: it needs no escaping in a query string.
            prop_assert!(text.bytes().all(|b| b.is_ascii_alphanumeric() || b"-._~".contains(&b)));
            prop_assert_eq!(Cursor::read(&text, as_of).expect("ours"), cursor);
        }

        #[test]
        fn a_place_read_back_is_the_same(micros in 0_i64..7_000_000_000_000_000, id in any::<u128>()) {
            let place = (DateTime::from_timestamp_micros(micros).expect("in range"), Uuid::from_u128(id));
            let query = NewestFirst { limit: None, cursor: Some(encode_place(place)) };
            prop_assert_eq!(query.place().expect("ours"), Some(place));
        }

        #[test]
        fn bytes_from_elsewhere_are_never_read_as_a_place_outside_the_planned_years(bytes in any::<[u8; PLACE_LENGTH]>()) {
            let mut bytes = bytes;
            bytes[0] = PLACE_VERSION;
            if let Some((at, _)) = decode_place(&BASE64URL_NOPAD.encode(&bytes)) {
                prop_assert!((1970..=2199).contains(&at.year()));
            }
        }

        #[test]
        fn text_from_elsewhere_is_refused_or_read_without_a_panic(text in "\\PC{0,60}") {
            if let Err(error) = Cursor::read(&text, at("2026-11-30T09:00:00Z")) {
                prop_assert_eq!(error.status(), StatusCode::BAD_REQUEST);
            }
        }

        #[test]
        fn bytes_from_elsewhere_are_never_read_as_a_place_that_cannot_be(bytes in any::<[u8; LENGTH]>()) {
            if let Some(cursor) = Cursor::decode(&BASE64URL_NOPAD.encode(&bytes)) {
                prop_assert!(cursor.after.level <= TOP_LEVEL && cursor.after.overdue_at <= cursor.as_of);
            }
        }
    }

    #[test]
    fn a_clinics_place_is_read_back_and_no_other_text_is_read_as_one() {
        let query = |cursor: String| ByClinic { limit: Some(7), cursor: Some(cursor) };
        let link = query(String::new()).link_after("/v1/plan-warnings", Uuid::max()).expect("a header value");
        let link = link.to_str().expect("ASCII");
        let cursor =
            link.strip_prefix("</v1/plan-warnings?limit=7&cursor=").and_then(|l| l.strip_suffix(">; rel=\"next\""));
        let cursor = cursor.expect("a link with the limit that was asked for").to_owned();
        assert_eq!(query(cursor.clone()).after().expect("ours"), Some(Uuid::max()));
        for bad in [String::new(), format!("{cursor}A"), format!("Q{}", &cursor[1..]), cursor[1..].to_owned()] {
            assert_eq!(query(bad).after().expect_err("not ours").status(), StatusCode::BAD_REQUEST);
        }
    }

    #[test]
    fn a_cursor_of_another_version_length_level_or_order_is_refused() {
        let good = BASE64URL_NOPAD.decode(cursor().encode().as_bytes()).expect("base64url");
        assert!(Cursor::decode(&BASE64URL_NOPAD.encode(&good)).is_some());
        let mut version = good.clone();
        version[0] = VERSION + 1;
        let mut level = good.clone();
        level[9] = TOP_LEVEL + 1;
        let mut order = good.clone();
        order[10] = 0x7f;
        for bad in [&version[..], &level, &order, &good[..LENGTH - 1], &[]] {
            assert!(Cursor::decode(&BASE64URL_NOPAD.encode(bad)).is_none(), "{bad:?}");
        }
        assert!(Cursor::decode(&format!("{}=", cursor().encode())).is_none());
    }

    #[test]
    fn a_cursor_is_good_for_a_day() {
        let text = cursor().encode();
        assert!(Cursor::read(&text, cursor().as_of + GOOD_FOR).is_ok());
        let late = Cursor::read(&text, cursor().as_of + GOOD_FOR + TimeDelta::microseconds(1)).expect_err("too old");
        assert_eq!(late.status(), StatusCode::BAD_REQUEST);
    }

    #[test]
    fn the_link_keeps_the_filters_that_were_given() {
        // Syntax: RFC 8288, section 3, its examples in 3.5.
        let parameters =
            [("blocking", Some("true".to_owned())), ("clinic_id", None), ("cursor", Some("AQ".to_owned()))];
        let link = next_link("/v1/overdue", &parameters).expect("a header value");
        assert_eq!(link, "</v1/overdue?blocking=true&cursor=AQ>; rel=\"next\"");
    }
}
