//! Days that people have filled already, so that levelled work goes elsewhere.
//!
//! The rule of this file: a full day is a mark and nothing more. It moves what may be moved; what hangs on the day
//! itself stays.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::find_reached;
use crate::domain::event::EventKind;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{
    Change, EditQuery, Edited, check_date, created_or_ok, must_have_room, without_faults,
};
use crate::http::extract::{Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::ApiResult;
use crate::http::samples;
use crate::store;

/// Most full days of one clinic, past ones too: two a week for twenty years.
const MOST_FULL_DAYS: i64 = 2000;

/// A full day.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct FullDayDocument {
    /// The clinic day.
    pub full_on: NaiveDate,
}

/// A clinic's full days.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct FullDayList {
    /// By date.
    pub items: Vec<FullDayDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_full_days)).routes(routes!(put_full_day, delete_full_day))
}

/// List a clinic's full days, past ones too
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/full-days",
    operation_id = "list_full_days",
    tag = "Clinics",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    responses((status = 200, description = "The full days, by date.", body = FullDayList))
)]
async fn list_full_days(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
) -> ApiResult<Json<FullDayList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let date = |year, month, day| NaiveDate::from_ymd_opt(year, month, day).expect("a date of the calendar");
    let every_day = (date(1970, 1, 1), date(2199, 12, 31));
    let days = store::clinics::weeks::list_full_days(&mut tx, caller.group_id, clinic_id, every_day).await?;
    tx.commit().await?;
    Ok(Json(FullDayList { items: days.into_iter().map(|full_on| FullDayDocument { full_on }).collect() }))
}

/// Mark a clinic's day as full
///
/// Work of a week, month, quarter or year that is spread over the open days gets none on a full day while its period
/// has another. The request has no body.
#[utoipa::path(
    put,
    path = "/v1/clinics/{clinic_id}/full-days/{full_on}",
    operation_id = "put_full_day",
    tag = "Clinics",
    params(
        ("clinic_id" = Uuid, Path, description = "The clinic."),
        ("full_on" = NaiveDate, Path, description = "The clinic day, in the years 1970 to 2199."),
        EditQuery
    ),
    responses(
        (status = 200, description = "It was full before.", body = FullDayDocument),
        (status = 201, description = "It is full from now on.", body = FullDayDocument)
    )
)]
async fn put_full_day(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, full_on)): Path<(Uuid, NaiveDate)>,
    Query(edit): Query<EditQuery>,
) -> Edited<(StatusCode, Json<FullDayDocument>)> {
    let mut faults = Vec::new();
    check_date(&mut faults, "", full_on);
    let (mut change, ()) = Change::begin(&state, &caller, edit, without_faults((), faults)).await?;
    change.clinic(clinic_id).await?;
    let standing = store::clinics::weeks::count_full_days(change.db(), caller.group_id, clinic_id).await?;
    let document = FullDayDocument { full_on };
    let created =
        store::clinics::weeks::insert_full_day(change.db(), caller.group_id, clinic_id, full_on, caller.now).await?;
    if created {
        must_have_room(standing, MOST_FULL_DAYS, "full days of a clinic")?;
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &json!({ "full_day": document })).await?;
        change.replan_clinic(clinic_id).await?;
    }
    change.commit().await?;
    Ok((created_or_ok(created), Json(document)))
}

/// Take back the mark of a full day
///
/// A repeat, and a date that was never full, are harmless.
#[utoipa::path(
    delete,
    path = "/v1/clinics/{clinic_id}/full-days/{full_on}",
    operation_id = "delete_full_day",
    tag = "Clinics",
    params(
        ("clinic_id" = Uuid, Path, description = "The clinic."),
        ("full_on" = NaiveDate, Path, description = "The clinic day, in the years 1970 to 2199."),
        EditQuery
    ),
    responses((status = 204, description = "That date is not marked as full any more."))
)]
async fn delete_full_day(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, full_on)): Path<(Uuid, NaiveDate)>,
    Query(edit): Query<EditQuery>,
) -> Edited<StatusCode> {
    let mut faults = Vec::new();
    check_date(&mut faults, "", full_on);
    let (mut change, ()) = Change::begin(&state, &caller, edit, without_faults((), faults)).await?;
    change.clinic(clinic_id).await?;
    if store::clinics::weeks::delete_full_day(change.db(), caller.group_id, clinic_id, full_on).await? {
        let what = json!({ "removed_full_day_on": full_on });
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &what).await?;
        change.replan_clinic(clinic_id).await?;
    }
    change.commit().await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let document = FullDayDocument { full_on: samples::day() };
    let list = FullDayList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_full_days", part: Part::Response, value: json!(list) },
        Example { operation_id: "put_full_day", part: Part::Response, value: json!(document) },
    ]
}
