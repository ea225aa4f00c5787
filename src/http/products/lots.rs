//! Lots of products, where they stand, and what became of them.
//!
//! The rule of this file: a lot and its marks are never changed. What was entered wrongly is corrected by a further mark
//! with a reason, and all marks are shown for ever.

mod documents;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::NaiveDate;
use serde_json::json;
use sqlx::PgConnection;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

pub use self::documents::{LotDocument, LotInput, LotMarkDocument, LotPage, LotQuery, LotUseDocument, LotUsePage};
use super::lot_marks;
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::fault::check_text;
use crate::domain::lot::{LotInUse, LotMark, LotMarkKind};
use crate::domain::zone;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{check_date, created_or_ok, must_have_room, without_faults};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::paging::{NewestFirst, linked};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store::products::lots::{LotRow, Wanted};
use crate::store::{self, clinics, events};

/// Most lots of one clinic, those that were used up among them: ten a day for ten years.
const MOST_LOTS: i64 = 36_500;
pub(super) const MAY_KEEP: [Role; 3] = [Role::Chairside, Role::Manager, Role::Administrator];

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(list_lots))
        .routes(routes!(get_lot, put_lot))
        .routes(routes!(list_lot_uses))
        .merge(lot_marks::router())
}

/// List lots within reach, the newest entry first
///
/// With `expiring_within_days`, those that a stock check looks for. A `Link` field with `rel="next"` leads to the next
/// page.
#[utoipa::path(
    get,
    path = "/v1/lots",
    operation_id = "list_lots",
    tag = "Products",
    params(LotQuery),
    responses((
        status = 200,
        description = "One page of the lots.",
        body = LotPage,
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)"))
    ))
)]
async fn list_lots(
    State(state): State<AppState>,
    caller: Caller,
    Query(query): Query<LotQuery>,
) -> ApiResult<Response> {
    let page = NewestFirst { limit: query.limit, cursor: query.cursor };
    let (limit, place) = (page.limit()?, page.place()?);
    let days = query.expiring_within_days;
    if days.is_some_and(|days| days > 3660) {
        return Err(ApiError::malformed("expiring_within_days must be from 0 to 3660"));
    }
    // A clinic out of reach lists nothing, as if it had no lots.
    let one = query.clinic_id.map(|id| if caller.reach.covers_clinic(id) { vec![id] } else { Vec::new() });
    let wanted = Wanted {
        clinic_ids: one.as_deref().or(caller.reach.clinics()),
        expiring_by: days.map(|days| caller.now.date_naive() + chrono::Days::new(days.into())),
        before: place,
        at_most: i64::from(limit) + 1,
    };
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let mut rows = store::products::lots::list(&mut tx, caller.group_id, &wanted).await?;
    let filters = [
        ("clinic_id", query.clinic_id.map(|id| id.to_string())),
        ("expiring_within_days", days.map(|d| d.to_string())),
    ];
    let link = page.cut_filtered("/v1/lots", &filters, &mut rows, limit, |row| (row.recorded_at, row.lot_id));
    let items = LotDocument::of_rows(&mut tx, &caller, rows).await?;
    tx.commit().await?;
    Ok(linked(&LotPage { items }, link))
}

/// Read one lot with all its marks
#[utoipa::path(
    get,
    path = "/v1/lots/{lot_id}",
    operation_id = "get_lot",
    tag = "Products",
    params(("lot_id" = Uuid, Path, description = "The lot.")),
    responses((status = 200, description = "The lot.", body = LotDocument))
)]
async fn get_lot(
    State(state): State<AppState>,
    caller: Caller,
    Path(lot_id): Path<Uuid>,
) -> ApiResult<Json<LotDocument>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let row = find_lot(&mut tx, &caller, lot_id).await?;
    let document = LotDocument::of_row(&mut tx, &caller, row).await?;
    tx.commit().await?;
    Ok(Json(document))
}

/// The lot, if there is one within the caller's reach.
pub(super) async fn find_lot(db: &mut PgConnection, caller: &Caller, lot_id: Uuid) -> ApiResult<LotRow> {
    let row = store::products::lots::find(db, caller.group_id, lot_id).await?;
    row.filter(|lot| caller.reach.covers_clinic(lot.clinic_id)).ok_or_else(|| ApiError::not_found("lot"))
}

/// Record a lot held at a clinic
///
/// The id is made by the client, and a repeat is harmless; other content under the same id is refused, because work may
/// have been judged by it. A lot that was entered wrongly is recorded as discarded, and entered again under a new id.
#[utoipa::path(
    put,
    path = "/v1/lots/{lot_id}",
    operation_id = "put_lot",
    tag = "Products",
    params(("lot_id" = Uuid, Path, description = "The lot.")),
    request_body = LotInput,
    responses(
        (status = 200, description = "It stood already.", body = LotDocument),
        (status = 201, description = "Entered.", body = LotDocument)
    )
)]
async fn put_lot(
    State(state): State<AppState>,
    caller: Caller,
    Path(lot_id): Path<Uuid>,
    Body(input): Body<LotInput>,
) -> ApiResult<(StatusCode, Json<LotDocument>)> {
    caller.must_be(&MAY_KEEP)?;
    let mut faults = Vec::new();
    check_text(&mut faults, "/lot_number", &input.lot_number, 60);
    check_date(&mut faults, "/expires_on", input.expires_on);
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let wanted = LotRow {
        lot_id,
        product_id: input.product_id,
        clinic_id: input.clinic_id,
        lot_number: input.lot_number,
        expires_on: input.expires_on,
        recorded_at: caller.now,
    };
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let (created, row) = keep(&mut tx, &caller, wanted).await?;
    let document = LotDocument::of_row(&mut tx, &caller, row).await?;
    if created {
        let event = json!({ "by_key_id": caller.key_id, "lot": document });
        let clinic = Some(document.clinic_id);
        events::append(&mut tx, caller.group_id, EventKind::LotRecorded, clinic, &event, caller.now).await?;
    }
    tx.commit().await?;
    Ok((created_or_ok(created), Json(document)))
}

/// Keeps the lot, or finds it kept already.
async fn keep(db: &mut PgConnection, caller: &Caller, wanted: LotRow) -> ApiResult<(bool, LotRow)> {
    if let Some(standing) = store::products::lots::find(db, caller.group_id, wanted.lot_id).await? {
        return must_be_the_same(caller, standing, &wanted).map(|row| (false, row));
    }
    let clinic = clinics::find(db, caller.group_id, wanted.clinic_id).await?;
    if clinic.is_none() || !caller.reach.covers_clinic(wanted.clinic_id) {
        return Err(ApiError::rule_broken("/clinic_id", "names no clinic within reach"));
    }
    if store::products::find_newest(db, caller.group_id, wanted.product_id).await?.is_none() {
        return Err(ApiError::rule_broken("/product_id", "names no product of this group"));
    }
    must_have_room(
        store::products::lots::count(db, caller.group_id, wanted.clinic_id).await?,
        MOST_LOTS,
        "lots at a clinic",
    )?;
    if !store::products::lots::insert(db, caller.group_id, &wanted, caller.key_id).await? {
        // Somebody entered it between the look and the write.
        let standing =
            store::products::lots::find(db, caller.group_id, wanted.lot_id).await?.ok_or_else(ApiError::internal)?;
        return must_be_the_same(caller, standing, &wanted).map(|row| (false, row));
    }
    Ok((true, wanted))
}

fn must_be_the_same(caller: &Caller, standing: LotRow, wanted: &LotRow) -> ApiResult<LotRow> {
    if !caller.reach.covers_clinic(standing.clinic_id) {
        return Err(ApiError::not_found("lot"));
    }
    if standing == (LotRow { recorded_at: standing.recorded_at, ..wanted.clone() }) {
        return Ok(standing);
    }
    Err(ApiError::conflict(
        "lot-differs",
        "The id names another lot",
        "a lot with other content was entered under this id, and entries are never changed; record it as discarded with a \
         reason, and enter another under a new id",
    ))
}

/// List every completion that names a lot, the newest work first
///
/// Over all clinics that the key reaches; failed work too. Verdicts are those given when the work was recorded. A `Link`
/// field with `rel="next"` leads to the next page.
#[utoipa::path(
    get,
    path = "/v1/lots/{lot_id}/uses",
    operation_id = "list_lot_uses",
    tag = "Products",
    params(("lot_id" = Uuid, Path, description = "The lot."), NewestFirst),
    responses((
        status = 200,
        description = "One page of the completions.",
        body = LotUsePage,
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)"))
    ))
)]
async fn list_lot_uses(
    State(state): State<AppState>,
    caller: Caller,
    Path(lot_id): Path<Uuid>,
    Query(query): Query<NewestFirst>,
) -> ApiResult<Response> {
    caller.must_be(&[Role::Chairside, Role::Manager, Role::Reader, Role::Administrator])?;
    let (limit, place) = (query.limit()?, query.place()?);
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_lot(&mut tx, &caller, lot_id).await?;
    let at_most = i64::from(limit) + 1;
    let reach = caller.reach.clinics();
    let mut uses = store::products::lots::list_uses(&mut tx, caller.group_id, lot_id, reach, place, at_most).await?;
    let total = store::products::lots::count_uses(&mut tx, caller.group_id, lot_id, reach).await?;
    tx.commit().await?;
    let path = format!("/v1/lots/{lot_id}/uses");
    let link = query.cut(&path, &mut uses, limit, |used| (used.performed_at, used.completion_id));
    Ok(linked(&LotUsePage { total, items: uses.into_iter().map(LotUseDocument::from).collect() }, link))
}

/// An invented lot, opened.
pub(super) fn sample() -> LotDocument {
    let row = LotRow {
        lot_id: samples::LOT,
        product_id: samples::PRODUCT,
        clinic_id: samples::CLINIC,
        lot_number: "LC3-26-0418".to_owned(),
        expires_on: NaiveDate::from_ymd_opt(2027, 4, 30).expect("a date"),
        recorded_at: samples::morning(7, 40),
    };
    let opened = LotMark {
        kind: LotMarkKind::Opened,
        marked_at: samples::morning(7, 45),
        marked_by: "KV".to_owned(),
        staff_id: None,
        reason: String::new(),
        authority: String::new(),
        recorded_at: samples::morning(7, 45),
    };
    let version = crate::domain::product::ProductVersion {
        product_id: row.product_id,
        version: 1,
        effective_on: samples::day(),
        product: super::sample(),
    };
    let zone = zone::database().zone("Europe/London").expect("every database has it");
    let lot = LotInUse {
        lot_number: row.lot_number.clone(),
        clinic_id: row.clinic_id,
        expires_on: row.expires_on,
        zone,
        version,
        marks: vec![opened],
    };
    LotDocument::of(row, lot)
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let document = sample();
    let input = LotInput {
        product_id: document.product_id,
        clinic_id: document.clinic_id,
        lot_number: document.lot_number.clone(),
        expires_on: document.expires_on,
    };
    let used = LotUseDocument {
        completion_id: samples::COMPLETION,
        task_id: samples::TASK,
        clinic_id: samples::CLINIC,
        subject_id: samples::OPERATORY,
        clinic_day: samples::day(),
        performed_at: samples::morning(8, 9),
        recorded_at: samples::morning(8, 10),
        performed_by: "KV".to_owned(),
        verdict: "passed".to_owned(),
        steps: vec!["fill".to_owned()],
    };
    let mut examples = lot_marks::examples(&document);
    examples.extend([
        Example {
            operation_id: "list_lots",
            part: Part::Response,
            value: json!(LotPage { items: vec![document.clone()] }),
        },
        Example { operation_id: "get_lot", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_lot", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_lot", part: Part::Response, value: json!(document) },
        Example {
            operation_id: "list_lot_uses",
            part: Part::Response,
            value: json!(LotUsePage { total: 1, items: vec![used] }),
        },
    ]);
    examples
}
