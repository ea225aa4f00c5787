//! Weeks that take the place of the ordinary one from a date on: summer hours, a winter timetable.
//!
//! The rule of this file: a clinic day has one week in force, so the date a week begins on is its identity.

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
use super::hours::{HoursDocument, example_week};
use crate::domain::dated_weeks::WeekOrder;
use crate::domain::event::EventKind;
use crate::domain::hours::Week;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{
    Change, EditQuery, Edited, check_date, created_or_ok, must_have_room, without_faults,
};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::store;

/// Most weeks of one clinic that begin on a date, past ones too: ten a year for twenty years.
const MOST_WEEKS: i64 = 200;

/// A week that begins on a date.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DatedWeekDocument {
    /// The first clinic day it is in force for, until the next one's.
    pub effective_on: NaiveDate,
    /// Opening sessions by weekday, in the clinic's local time.
    pub week: Week,
}

/// A clinic's weeks that begin on a date.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DatedWeekList {
    /// By that date.
    pub items: Vec<DatedWeekDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_weeks)).routes(routes!(put_week, delete_week))
}

/// List a clinic's dated weeks, past ones too
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/weeks",
    operation_id = "list_weeks",
    tag = "Clinics",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    responses((status = 200, description = "The weeks, by the date they begin on.", body = DatedWeekList))
)]
async fn list_weeks(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
) -> ApiResult<Json<DatedWeekList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let weeks = store::clinics::weeks::list_weeks(&mut tx, caller.group_id, clinic_id).await?;
    tx.commit().await?;
    let items = weeks.into_iter().map(|(effective_on, week)| DatedWeekDocument { effective_on, week }).collect();
    Ok(Json(DatedWeekList { items }))
}

/// Set a clinic's week from a date on
///
/// It is in force from that clinic day on until the next such week begins; before the first of them, and where there
/// is none, the clinic's ordinary hours hold. A late session of the evening before must be over before this week's
/// first one opens, and so at its end.
#[utoipa::path(
    put,
    path = "/v1/clinics/{clinic_id}/weeks/{effective_on}",
    operation_id = "put_week",
    tag = "Clinics",
    params(
        ("clinic_id" = Uuid, Path, description = "The clinic."),
        ("effective_on" = NaiveDate, Path, description = "Its first clinic day, in the years 1970 to 2199."),
        EditQuery
    ),
    request_body = HoursDocument,
    responses(
        (status = 200, description = "It stood before, and is now as sent.", body = DatedWeekDocument),
        (status = 201, description = "It was created.", body = DatedWeekDocument)
    )
)]
async fn put_week(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, effective_on)): Path<(Uuid, NaiveDate)>,
    Query(edit): Query<EditQuery>,
    Body(HoursDocument { week }): Body<HoursDocument>,
) -> Edited<(StatusCode, Json<DatedWeekDocument>)> {
    let mut faults = Vec::new();
    check_date(&mut faults, "", effective_on);
    faults.extend(week.faults().into_iter().map(|f| f.under("/week")));
    let (mut change, week) = Change::begin(&state, &caller, edit, without_faults(week, faults)).await?;
    let clinic = change.clinic(clinic_id).await?;
    let weeks = store::clinics::weeks::list_weeks(change.db(), caller.group_id, clinic_id).await?;
    let before = weeks.get(&effective_on);
    let document = DatedWeekDocument { effective_on, week };
    if before != Some(&document.week) {
        let order = WeekOrder { undated: clinic.week.as_ref(), dated: &weeks };
        let faults = order.faults(Some(effective_on), &document.week);
        let faults = faults.into_iter().map(|f| f.under("/week")).collect();
        without_faults((), faults).map_err(ApiError::rules_broken)?;
        if before.is_none() {
            must_have_room(i64::try_from(weeks.len()).unwrap_or(i64::MAX), MOST_WEEKS, "dated weeks of a clinic")?;
        }
        let week = (effective_on, &document.week);
        store::clinics::weeks::save_week(change.db(), caller.group_id, clinic_id, week, caller.now).await?;
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &json!({ "dated_week": document })).await?;
        change.replan_clinic(clinic_id).await?;
    }
    change.commit().await?;
    Ok((created_or_ok(before.is_none()), Json(document)))
}

/// Withdraw a dated week
///
/// The week before it goes on in its place. A repeat, and a date on which none begins, are harmless.
#[utoipa::path(
    delete,
    path = "/v1/clinics/{clinic_id}/weeks/{effective_on}",
    operation_id = "delete_week",
    tag = "Clinics",
    params(
        ("clinic_id" = Uuid, Path, description = "The clinic."),
        ("effective_on" = NaiveDate, Path, description = "Its first clinic day, in the years 1970 to 2199."),
        EditQuery
    ),
    responses((status = 204, description = "No week begins on that date any more."))
)]
async fn delete_week(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, effective_on)): Path<(Uuid, NaiveDate)>,
    Query(edit): Query<EditQuery>,
) -> Edited<StatusCode> {
    let mut faults = Vec::new();
    check_date(&mut faults, "", effective_on);
    let (mut change, ()) = Change::begin(&state, &caller, edit, without_faults((), faults)).await?;
    let clinic = change.clinic(clinic_id).await?;
    let weeks = store::clinics::weeks::list_weeks(change.db(), caller.group_id, clinic_id).await?;
    if weeks.contains_key(&effective_on) {
        let order = WeekOrder { undated: clinic.week.as_ref(), dated: &weeks };
        if let Some(next_on) = order.overlap_without(effective_on) {
            return Err(ApiError::conflict(
                "weeks-overlap",
                "The weeks around it would overlap",
                format!("the week before it has a late session that would run into the one that begins on {next_on}"),
            )
            .into());
        }
        store::clinics::weeks::delete_week(change.db(), caller.group_id, clinic_id, effective_on).await?;
        let what = json!({ "removed_dated_week_on": effective_on });
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &what).await?;
        change.replan_clinic(clinic_id).await?;
    }
    change.commit().await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let effective_on = NaiveDate::from_ymd_opt(2027, 6, 1).expect("a date of the calendar");
    let document = DatedWeekDocument { effective_on, week: example_week() };
    let list = DatedWeekList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_weeks", part: Part::Response, value: json!(list) },
        Example { operation_id: "put_week", part: Part::Request, value: json!(HoursDocument { week: example_week() }) },
        Example { operation_id: "put_week", part: Part::Response, value: json!(document) },
    ]
}
