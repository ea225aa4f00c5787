//! A clinic's ordinary week.
//!
//! The rule of this file: a week is sent and kept whole, so that no half of one is ever in force.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::NaiveTime;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::find_reached;
use crate::domain::dated_weeks::WeekOrder;
use crate::domain::event::EventKind;
use crate::domain::hours::{Session, Week};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{Change, EditQuery, Edited, created_or_ok, without_faults};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::store;
use crate::store::clinics::ClinicRow;

/// A clinic's opening hours.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct HoursDocument {
    /// Opening sessions by weekday, in the clinic's local time.
    pub week: Week,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_hours, put_hours))
}

/// Read a clinic's opening hours
///
/// The week that holds before the first one that begins on a date. Not found until somebody has set it; weeks that
/// begin on a date, closures and special openings are documents of their own.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/hours",
    operation_id = "get_hours",
    tag = "Clinics",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    responses((status = 200, description = "The ordinary week.", body = HoursDocument))
)]
async fn get_hours(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
) -> ApiResult<Json<HoursDocument>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let clinic = find_reached(&mut tx, &caller, clinic_id).await?;
    tx.commit().await?;
    let week = clinic.week.ok_or_else(|| ApiError::not_found("opening hours"))?;
    Ok(Json(HoursDocument { week }))
}

/// Set a clinic's opening hours
#[utoipa::path(
    put,
    path = "/v1/clinics/{clinic_id}/hours",
    operation_id = "put_hours",
    tag = "Clinics",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), EditQuery),
    request_body = HoursDocument,
    responses(
        (status = 200, description = "Hours stood before, and are now as sent.", body = HoursDocument),
        (status = 201, description = "The clinic had no hours and has them now.", body = HoursDocument)
    )
)]
async fn put_hours(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(edit): Query<EditQuery>,
    Body(hours): Body<HoursDocument>,
) -> Edited<(StatusCode, Json<HoursDocument>)> {
    let faults = hours.week.faults().into_iter().map(|f| f.under("/week")).collect();
    let (mut change, hours) = Change::begin(&state, &caller, edit, without_faults(hours, faults)).await?;
    let before = change.clinic(clinic_id).await?;
    let created = before.week.is_none();
    if before.week.as_ref() != Some(&hours.week) {
        let dated = store::clinics::weeks::list_weeks(change.db(), caller.group_id, clinic_id).await?;
        let faults = WeekOrder { undated: None, dated: &dated }.faults(None, &hours.week);
        let faults = faults.into_iter().map(|f| f.under("/week")).collect();
        without_faults((), faults).map_err(ApiError::rules_broken)?;
        let after = ClinicRow { week: Some(hours.week.clone()), ..before };
        store::clinics::save(change.db(), caller.group_id, &after, caller.now).await?;
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &json!({ "hours": hours })).await?;
        change.replan_clinic(clinic_id).await?;
    }
    change.commit().await?;
    Ok((created_or_ok(created), Json(hours)))
}

/// A week as examples show it.
pub(super) fn example_week() -> Week {
    let time = |hour| NaiveTime::from_hms_opt(hour, 0, 0).expect("a full hour of the day");
    let session = |opens, closes| Session { opens: time(opens), closes: time(closes) };
    let weekday = vec![session(8, 12), session(13, 17)];
    Week {
        monday: weekday.clone(),
        tuesday: weekday.clone(),
        wednesday: weekday.clone(),
        thursday: weekday,
        friday: vec![session(8, 14)],
        ..Week::default()
    }
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let hours = json!(HoursDocument { week: example_week() });
    vec![
        Example { operation_id: "get_hours", part: Part::Response, value: hours.clone() },
        Example { operation_id: "put_hours", part: Part::Request, value: hours.clone() },
        Example { operation_id: "put_hours", part: Part::Response, value: hours },
    ]
}
