//! Records in bulk, for other systems: every kind that `reporting` holds, from where a caller stopped the last time.
//!
//! The rule of this file: a row is told when nothing older can still appear. Rows go by the instant they were recorded
//! at, which is the request's and not the commit's; no request lives longer than
//! [`crate::domain::seal::SETTLED_AFTER`], so an export ends so long before now, and a cursor never passes a row that is
//! committed late.

pub mod evidence_packs;

use axum::extract::State;
use axum::http::HeaderValue;
use axum::http::header::{CONTENT_TYPE, LINK, VARY};
use axum::response::{IntoResponse as _, Response};
use chrono::{DateTime, Datelike as _, NaiveDate, Utc};
use data_encoding::BASE64URL_NOPAD;
use futures_util::TryStreamExt as _;
use serde::{Deserialize, Deserializer, de};
use serde_json::json;
use utoipa::openapi::RefOr;
use utoipa::openapi::schema::{ObjectBuilder, Schema, Type};
use utoipa::{IntoParams, PartialSchema, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::clinics::find_reached;
use super::extract::{Path, Query};
use super::openapi::Example;
use super::paging::next_link;
use super::problem::{ApiError, ApiResult};
use super::representation::{RowFormat, instant_cell};
use super::rows::{write_head, write_row};
use super::seals::MAY_READ;
use super::streaming::{self, PIECE_BYTES};
use crate::store;
use crate::store::exports::record_sets::{KeyType, Pace, RECORD_SETS, RecordSet};
use crate::store::exports::snapshots::Snapshot;
use crate::store::exports::{self, Page, Place};

const DEFAULT_LIMIT: u32 = 10_000;
const HIGHEST_LIMIT: u32 = 100_000;
/// First member of a cursor; another layout gets another number.
const VERSION: u8 = 1;
/// No cursor of ours is longer: two parts of a key at most are texts.
const LONGEST_CURSOR: usize = 600;

/// A kind of records.
#[derive(Clone, Copy, Debug)]
pub struct RecordsName(&'static RecordSet);

impl<'de> Deserialize<'de> for RecordsName {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let name = String::deserialize(deserializer)?;
        let found = RECORD_SETS.iter().find(|set| set.name == name);
        found.map(Self).ok_or_else(|| de::Error::custom("no such kind of records"))
    }
}

impl PartialSchema for RecordsName {
    fn schema() -> RefOr<Schema> {
        let names = RECORD_SETS.iter().map(|set| set.name);
        ObjectBuilder::new().schema_type(Type::String).enum_values(Some(names)).into()
    }
}

impl ToSchema for RecordsName {}

/// Which part of an export.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ExportQuery {
    /// Only records of this clinic; of every clinic in reach when not given.
    pub clinic_id: Option<Uuid>,
    /// Most rows in one answer; 10,000 when not given. What belongs to a completion (its steps, readings, results and
    /// uses of lots) comes together, and completions are counted.
    #[param(minimum = 1, maximum = 100_000)]
    pub limit: Option<u32>,
    /// Where to go on: the field `Export-Cursor` of the answer before, now or on any later day.
    #[param(min_length = 4, max_length = 600, pattern = "^[A-Za-z0-9_-]+$")]
    pub cursor: Option<String>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(export_records))
}

/// Export records in bulk, oldest first
///
/// The rows of one view of the schema `reporting`, with its columns, as a JSON object a line (the default) or as CSV, in
/// pieces of `limit` rows. Decimals are strings; in CSV words that a spreadsheet would run are led by an apostrophe.
///
/// **Where to go on.** Keep the field `Export-Cursor` and send it as `cursor` the next time, a minute or a year later. A
/// field `Link` with `rel="next"` says that there is more already. `Export-Horizon` is the instant up to which everything
/// is listed: ten minutes before now, because a request that is still at work could record something until then.
/// What was recorded before the horizon and was not listed can no longer appear.
///
/// **How often a row comes.**
/// - Never changed, so each row comes once: `completions`, `raised_flags`, `step_results`, `readings`, `water_results`, `lot_uses`,
///   `holds`, `cycles`, `cycle_records`, `day_marks`, `seatings`, `presence`, `miss_reasons`, `lot_marks`,
///   `staff_marks`, `competence_marks`, `instrument_marks`, `corrective_action_steps`, `corrective_action_steps_asked`,
///   `corrective_action_notes`, `service_changes`, `day_explanations`, `purges`.
/// - Something may be added later, and the row then comes again as it stands; replace the row with the same key:
///   `corrective_actions`, `quarantines`, `lots`, `site_events`, `water_advisories`, `legal_holds`.
/// - Listed whole, as it stands; the last page has no cursor, so begin again without one: `tasks`, `seals`, `clinics`,
///   `subjects`, `routines`, `products`, `instruments`, `closures`, `staff`, `competences`, `day_sign_offs`,
///   `readiness_intervals`.
///
/// An answer that fails midway is broken off and never ended as if it were whole; ask again from the same cursor.
#[utoipa::path(
    get,
    path = "/v1/exports/{records}",
    operation_id = "export_records",
    tag = "Exports",
    params(("records" = inline(RecordsName), Path, description = "The kind of records.", example = "completions"), ExportQuery),
    responses((
        status = 200,
        description = "The rows, one a line.",
        content((String = "application/x-ndjson"), (String = "text/csv")),
        headers(
            ("Export-Cursor" = String, description = "Where to go on; not there after the last page of what is listed whole"),
            ("Export-Horizon" = String, description = "Instant: everything recorded before it has been listed at the end"),
            ("Link" = String, description = "The next page, when there is more already (RFC 8288)")
        )
    ))
)]
async fn export_records(
    State(state): State<AppState>,
    caller: Caller,
    format: RowFormat,
    Path(RecordsName(set)): Path<RecordsName>,
    Query(query): Query<ExportQuery>,
) -> ApiResult<Response> {
    caller.must_be(&MAY_READ)?;
    let limit = query.limit.unwrap_or(DEFAULT_LIMIT);
    if !(1..=HIGHEST_LIMIT).contains(&limit) {
        return Err(ApiError::malformed(format!("limit must be from 1 to {HIGHEST_LIMIT}")));
    }
    let after = query.cursor.as_deref().map(|text| read_cursor(set, text)).transpose()?;
    let clinics = match query.clinic_id {
        None => caller.reach.clinics().map(<[Uuid]>::to_vec),
        Some(clinic_id) => {
            let mut tx = store::begin(&state.pool, caller.group_id).await?;
            find_reached(&mut tx, &caller, clinic_id).await?;
            tx.commit().await?;
            Some(vec![clinic_id])
        }
    };
    let horizon = exports::horizon(caller.now);
    let page = Page { clinics, after, before: horizon };
    let permit = state.streams.enter(caller.group_id).await?;
    let mut tx = Snapshot::begin(&state.pool, caller.group_id, caller.now, streaming::LONGEST_SECONDS).await?;
    let columns = exports::list_columns(&mut tx, set).await?;
    let end = exports::find_end(&mut tx, set, &page, limit).await?;
    let next = next_place(set, &page, end.as_ref());

    let has_more = end.is_some();
    let body = streaming::body(permit, move |pieces| async move {
        let mut piece = Vec::with_capacity(PIECE_BYTES * 2);
        write_head(&mut piece, format, &columns)?;
        {
            let mut rows = exports::stream(&mut tx, set, &columns, &page, end.as_ref());
            while let Some(cells) = rows.try_next().await? {
                write_row(&mut piece, format, &columns, &cells)?;
                if piece.len() >= PIECE_BYTES {
                    pieces.send(std::mem::take(&mut piece)).await?;
                }
            }
        }
        tx.finish().await?;
        if piece.is_empty() { Ok(()) } else { pieces.send(piece).await }
    });
    let mut response = body.into_response();
    let headers = response.headers_mut();
    headers.insert(VARY, HeaderValue::from_static("Accept"));
    headers.insert(
        CONTENT_TYPE,
        HeaderValue::from_static(match format {
            RowFormat::Lines => "application/x-ndjson",
            RowFormat::Csv => "text/csv; charset=utf-8; header=present",
        }),
    );
    if let Ok(value) = HeaderValue::try_from(instant_cell(horizon)) {
        headers.insert("export-horizon", value);
    }
    if let Some(cursor) = next.map(|place| write_cursor(set, &place)) {
        let clinic_id = query.clinic_id.map(|id| id.to_string());
        let parameters = [
            ("clinic_id", clinic_id),
            ("limit", query.limit.map(|limit| limit.to_string())),
            ("cursor", Some(cursor.clone())),
        ];
        let link = next_link(&format!("/v1/exports/{}", set.name), &parameters).filter(|_| has_more);
        if let Some(link) = link {
            headers.insert(LINK, link);
        }
        if let Ok(value) = HeaderValue::try_from(cursor) {
            headers.insert("export-cursor", value);
        }
    }
    Ok(response)
}

/// Where to go on: after the page's last row or, when the page told everything, at the horizon.
fn next_place(set: &RecordSet, page: &Page, end: Option<&Place>) -> Option<Place> {
    match (end, set.pace) {
        (Some(end), _) => Some(end.clone()),
        (None, Pace::Whole) => None,
        (None, _) => {
            // A clock that was set back must not set the cursor back.
            let after = page.after.clone().filter(|after| after.at.is_some_and(|at| at > page.before));
            Some(after.unwrap_or(Place { at: Some(page.before), key: None }))
        }
    }
}

/// The opaque text of a place: base64url without padding (RFC 4648, section 5).
fn write_cursor(set: &RecordSet, place: &Place) -> String {
    let place = json!([VERSION, set.name, place.at.map(|at| at.timestamp_micros()), place.key]);
    BASE64URL_NOPAD.encode(place.to_string().as_bytes())
}

fn read_cursor(set: &RecordSet, text: &str) -> ApiResult<Place> {
    let read = || {
        if text.len() > LONGEST_CURSOR {
            return None;
        }
        let bytes = BASE64URL_NOPAD.decode(text.as_bytes()).ok()?;
        let (version, name, at, key): (u8, String, Option<i64>, Option<Vec<String>>) =
            serde_json::from_slice(&bytes).ok()?;
        let at = match at {
            None => None,
            // The years that are planned for: Postgres could not compare with every instant.
            Some(micros) => {
                Some(DateTime::<Utc>::from_timestamp_micros(micros).filter(|at| (1970..=2199).contains(&at.year()))?)
            }
        };
        let types = set.key_types();
        let fits = key.as_ref().is_none_or(|key| {
            key.len() == types.len() && key.iter().zip(set.key_types()).all(|(part, of)| is_of(part, of))
        });
        let whole = set.pace == Pace::Whole;
        let possible =
            version == VERSION && name == set.name && fits && at.is_none() == whole && (!whole || key.is_some());
        possible.then_some(Place { at, key })
    };
    read().ok_or_else(|| ApiError::malformed("cursor is not one that this export handed out; start without one"))
}

/// Whether Postgres would take the text for a value of the type.
fn is_of(text: &str, of: KeyType) -> bool {
    match of {
        KeyType::Id => Uuid::try_parse(text).is_ok(),
        KeyType::Day => text.parse::<NaiveDate>().is_ok_and(|day| (1970..=2199).contains(&day.year())),
        KeyType::Number => text.parse::<i32>().is_ok(),
        KeyType::Name => text.len() <= 100 && !text.contains('\0'),
    }
}

/// Examples for the API's document: its bodies are no JSON documents.
pub(super) fn examples() -> Vec<Example> {
    Vec::new()
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn set(name: &str) -> &'static RecordSet {
        RECORD_SETS.iter().find(|set| set.name == name).expect("a kind")
    }

    #[test]
    fn a_cursor_is_read_back_as_the_place_it_was_made_of_and_only_by_its_own_kind() {
        let at = "2026-11-02T08:10:00.000001Z".parse().ok();
        let id = Uuid::max().to_string();
        let places = [
            ("completions", Place { at, key: Some(vec![id.clone()]) }),
            ("completions", Place { at, key: None }),
            ("holds", Place { at, key: Some(vec![id.clone(), "start".to_owned()]) }),
            ("presence", Place { at, key: Some(vec![id.clone(), "2026-11-02".to_owned(), "3".to_owned()]) }),
            ("tasks", Place { at: None, key: Some(vec!["2026-11-02".to_owned(), id.clone()]) }),
        ];
        for (name, place) in places {
            let text = write_cursor(set(name), &place);
            // The unreserved characters of RFC 3986, section 2.3.
            assert!(
                text.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b)) && text.len() <= LONGEST_CURSOR
            );
            assert_eq!(read_cursor(set(name), &text).expect("ours"), place);
            assert!(read_cursor(set("lots"), &text).is_err(), "{name} is no kind of lots");
        }
    }

    #[test]
    fn a_cursor_with_what_postgres_would_not_take_is_refused() {
        let at = "2026-11-02T08:10:00Z".parse().ok();
        let key = |parts: &[&str]| Some(parts.iter().map(|part| (*part).to_owned()).collect::<Vec<_>>());
        let id = Uuid::max().to_string();
        for (name, place) in [
            ("completions", Place { at, key: key(&["no id"]) }),
            ("completions", Place { at, key: key(&[]) }),
            ("completions", Place { at: None, key: key(&[&id]) }),
            ("completions", Place { at: "2500-01-01T00:00:00Z".parse().ok(), key: None }),
            ("presence", Place { at, key: key(&[&id, "2026-13-01", "3"]) }),
            ("presence", Place { at, key: key(&[&id, "2026-11-02", "99999999999"]) }),
            ("holds", Place { at, key: key(&[&id, "a\0b"]) }),
            ("tasks", Place { at, key: key(&["2026-11-02", &id]) }),
            ("tasks", Place { at: None, key: None }),
        ] {
            assert!(read_cursor(set(name), &write_cursor(set(name), &place)).is_err(), "{name} {place:?}");
        }
    }

    /// A client goes by what is written there: what comes once, what is to be replaced, what is to be read anew.
    #[test]
    fn the_document_names_every_kind_of_records_under_how_often_its_rows_come() {
        let document = serde_json::to_value(crate::http::openapi::document()).expect("plain JSON");
        let text = document["paths"]["/v1/exports/{records}"]["get"]["description"].as_str().expect("a description");
        let (_, list) = text.split_once("**How often a row comes.**").expect("the part about it");
        let (list, _) = list.split_once("\n\n").expect("its end");
        let paces = [
            ("Never changed", Pace::Recorded),
            ("Something may be added", Pace::Changed),
            ("Listed whole", Pace::Whole),
        ];
        let items: Vec<&str> = list.split("\n- ").skip(1).collect();
        assert_eq!(items.len(), paces.len(), "{list}");
        for (item, (begins, pace)) in items.into_iter().zip(paces) {
            assert!(item.starts_with(begins), "{item}");
            let mut told: Vec<&str> = item.split('`').skip(1).step_by(2).collect();
            told.sort_unstable();
            let mut kinds: Vec<&str> = RECORD_SETS.iter().filter(|set| set.pace == pace).map(|set| set.name).collect();
            kinds.sort_unstable();
            assert_eq!(told, kinds, "{pace:?}");
        }
    }

    proptest! {
        #[test]
        fn text_from_elsewhere_is_refused_or_read_without_a_panic(text in "\\PC{0,60}") {
            for set in &RECORD_SETS {
                prop_assert!(read_cursor(set, &text).is_err());
            }
        }
    }
}
