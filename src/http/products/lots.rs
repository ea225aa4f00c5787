//! Lots of products, where they stand, and what became of them.
//!
//! The rule of this file: a lot and its marks are never changed. What was entered wrongly is corrected by a further mark
//! with a reason, and all marks are shown for ever.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::lot_marks;
use crate::domain::access::Role;
use crate::domain::cautions;
use crate::domain::event::EventKind;
use crate::domain::fault::check_text;
use crate::domain::lot::{LotInUse, LotMark, LotMarkKind, in_use_until, last_like, standing_recall};
use crate::domain::zone;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{check_date, created_or_ok, must_have_room, without_faults};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::paging::{NewestFirst, linked};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store::products::lots::{LotRow, LotUse, Wanted};
use crate::store::{self, clinics, events};

/// Most lots of one clinic, those that were used up among them: ten a day for ten years.
const MOST_LOTS: i64 = 36_500;
pub(super) const MAY_KEEP: [Role; 3] = [Role::Chairside, Role::Manager, Role::Administrator];

/// A lot as it is entered.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LotInput {
    /// Its product.
    pub product_id: Uuid,
    /// Where it stands.
    pub clinic_id: Uuid,
    /// As the label prints it.
    #[schema(min_length = 1, max_length = 60, example = "LC3-26-0418")]
    pub lot_number: String,
    /// The last day it may be used on: where the label gives a month, its last day.
    pub expires_on: NaiveDate,
}

/// A mark of a lot as it is kept.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LotMarkDocument {
    /// What became of it.
    pub kind: LotMarkKind,
    /// When, as the person says; of a recall, when it was recorded.
    pub marked_at: DateTime<Utc>,
    /// The person.
    pub marked_by: String,
    /// Why; may be empty.
    pub reason: String,
    /// Of a recall: whose notice it follows; else empty.
    pub authority: String,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
}

impl From<LotMark> for LotMarkDocument {
    fn from(mark: LotMark) -> Self {
        Self {
            kind: mark.kind,
            marked_at: mark.marked_at,
            marked_by: mark.marked_by,
            reason: mark.reason,
            authority: mark.authority,
            recorded_at: mark.recorded_at,
        }
    }
}

/// A lot.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LotDocument {
    /// Its identity.
    pub lot_id: Uuid,
    /// Its product.
    pub product_id: Uuid,
    /// Where it stands.
    pub clinic_id: Uuid,
    /// As the label prints it.
    pub lot_number: String,
    /// The last day it may be used on.
    pub expires_on: NaiveDate,
    /// When it was entered.
    pub recorded_at: DateTime<Utc>,
    /// When it was opened, by the last entry; null: no opening is recorded.
    #[schema(required)]
    pub opened_at: Option<DateTime<Utc>>,
    /// From when on it may not be used any more: the end of its expiry date at the clinic, or of its life after opening.
    pub in_use_until: DateTime<Utc>,
    /// When it was emptied or discarded, by the last entry; null: not recorded.
    #[schema(required)]
    pub ended_at: Option<DateTime<Utc>>,
    /// When the recall that stands was recorded; null: none stands.
    #[schema(required)]
    pub recalled_at: Option<DateTime<Utc>>,
    /// Every mark, in the order they came.
    pub marks: Vec<LotMarkDocument>,
    /// Cautions of the product and of every product.
    pub cautions: Vec<String>,
}

impl LotDocument {
    fn of(row: LotRow, lot: LotInUse) -> Self {
        let opened_at = last_like(&lot.marks, LotMarkKind::Opened).map(|mark| mark.marked_at);
        let life = lot.version.product.life_after_opening;
        let mut cautions = lot.version.product.cautions;
        cautions.extend(cautions::PRODUCTS.map(str::to_owned));
        Self {
            lot_id: row.lot_id,
            product_id: row.product_id,
            clinic_id: row.clinic_id,
            lot_number: row.lot_number,
            expires_on: row.expires_on,
            recorded_at: row.recorded_at,
            opened_at,
            in_use_until: in_use_until(row.expires_on, opened_at, life, &lot.zone),
            ended_at: last_like(&lot.marks, LotMarkKind::Emptied).map(|mark| mark.marked_at),
            recalled_at: standing_recall(&lot.marks).map(|mark| mark.recorded_at),
            marks: lot.marks.into_iter().map(LotMarkDocument::from).collect(),
            cautions,
        }
    }

    /// The documents of some lots, in their order, by the versions in force today.
    pub(super) async fn of_rows(db: &mut PgConnection, caller: &Caller, rows: Vec<LotRow>) -> ApiResult<Vec<Self>> {
        let ids: Vec<Uuid> = rows.iter().map(|row| row.lot_id).collect();
        let mut lots = store::products::lots::list_in_use(db, caller.group_id, &ids, caller.now.date_naive()).await?;
        rows.into_iter()
            .map(|row| {
                let lot = lots.remove(&row.lot_id).ok_or_else(ApiError::internal)?;
                Ok(Self::of(row, lot))
            })
            .collect()
    }

    /// The document of one lot.
    pub(super) async fn of_row(db: &mut PgConnection, caller: &Caller, row: LotRow) -> ApiResult<Self> {
        Self::of_rows(db, caller, vec![row]).await?.pop().ok_or_else(ApiError::internal)
    }
}

/// One page of lots.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LotPage {
    /// The newest entry first.
    pub items: Vec<LotDocument>,
}

/// One completion that was worked with a lot.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LotUseDocument {
    /// The completion.
    pub completion_id: Uuid,
    /// Its task.
    pub task_id: Uuid,
    /// Where it fell due.
    pub clinic_id: Uuid,
    /// What it was about.
    pub subject_id: Uuid,
    /// Its clinic day.
    pub clinic_day: NaiveDate,
    /// When it was done.
    pub performed_at: DateTime<Utc>,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// The person.
    pub performed_by: String,
    /// Its verdict as it was given when it was recorded: a recall that came later changes none.
    pub verdict: String,
    /// The steps that name the lot.
    pub steps: Vec<String>,
}

impl From<LotUse> for LotUseDocument {
    fn from(used: LotUse) -> Self {
        Self {
            completion_id: used.completion_id,
            task_id: used.task_id,
            clinic_id: used.clinic_id,
            subject_id: used.subject_id,
            clinic_day: used.clinic_day,
            performed_at: used.performed_at,
            recorded_at: used.recorded_at,
            performed_by: used.performed_by,
            verdict: used.verdict,
            steps: used.step_keys,
        }
    }
}

/// One page of what was worked with a lot.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct LotUsePage {
    /// How many completions name the lot, on all pages.
    #[schema(minimum = 0)]
    pub total: i64,
    /// The newest work first.
    pub items: Vec<LotUseDocument>,
}

/// Which lots are listed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct LotQuery {
    /// Only those at this clinic.
    pub clinic_id: Option<Uuid>,
    /// Only those that expire within so many days from today, or have expired, and were neither emptied nor discarded.
    #[param(minimum = 0, maximum = 3660)]
    pub expiring_within_days: Option<u16>,
    /// Most items in one answer; 100 when not given.
    #[param(minimum = 1, maximum = 500)]
    pub limit: Option<u16>,
    /// Where to go on, as the `Link` field of the page before gave it.
    #[param(pattern = "^[A-Za-z0-9_-]{34}$")]
    pub cursor: Option<String>,
}

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
