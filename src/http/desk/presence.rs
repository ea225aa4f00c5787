//! Who is on site on a clinic day.
//!
//! The rule of this file: the desk says who is there, and every list that differs is kept as a further one. It speaks
//! of places of work only; why somebody is away has no place here.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::fault::Fault;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{check_found, without_faults};
use crate::http::extract::{Body, Path};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::http::staff::signature::clinic_day as today_at;
use crate::store::desk::presence::{self, PresenceMark};
use crate::store::{self, events, staff};

/// Most people on one list.
const MOST_PEOPLE: usize = 200;
/// How many days back a list may be for: a desk that was away for a month.
const OLDEST_DAYS: i64 = 31;
/// How many days ahead.
const AHEAD_DAYS: i64 = 7;

/// Who is on site.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PresenceInput {
    /// Everybody on site that clinic day; empty: nobody.
    #[schema(max_items = 200)]
    pub staff_ids: Vec<Uuid>,
}

/// The list of those on site that counts.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct PresenceDocument {
    /// The clinic.
    pub clinic_id: Uuid,
    /// The clinic day.
    pub clinic_day: NaiveDate,
    /// Place among the day's lists; earlier ones stay on record.
    #[schema(minimum = 1)]
    pub number: i32,
    /// The people, in order of their ids.
    pub staff_ids: Vec<Uuid>,
    /// When the service received it.
    pub recorded_at: DateTime<Utc>,
    /// The device it was posted with.
    pub key_id: Uuid,
}

impl PresenceDocument {
    fn of(clinic_id: Uuid, clinic_day: NaiveDate, mark: PresenceMark) -> Self {
        let PresenceMark { number, staff_ids, recorded_at, key_id } = mark;
        Self { clinic_id, clinic_day, number, staff_ids, recorded_at, key_id }
    }
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_presence, put_presence))
}

/// Read who is on site on a clinic day, as last recorded
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/presence/{clinic_day}",
    operation_id = "get_presence",
    tag = "Front desk",
    params(("clinic_id" = Uuid, Path, description = "The clinic."),
           ("clinic_day" = NaiveDate, Path, description = "The clinic day.")),
    responses((status = 200, description = "The list that counts.", body = PresenceDocument))
)]
async fn get_presence(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, clinic_day)): Path<(Uuid, NaiveDate)>,
) -> ApiResult<Json<PresenceDocument>> {
    caller.must_reach_clinic(clinic_id)?;
    let mut faults = Vec::new();
    crate::http::configuration::check_date(&mut faults, "/clinic_day", clinic_day);
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let mark = presence::find(&mut tx, caller.group_id, clinic_id, clinic_day).await?;
    tx.commit().await?;
    let mark = mark.ok_or_else(|| ApiError::not_found("list of those on site"))?;
    Ok(Json(PresenceDocument::of(clinic_id, clinic_day, mark)))
}

/// Record who is on site on a clinic day
///
/// For up to 31 days back and 7 ahead. The whole list each time: one that differs from the last is kept as a further
/// one, and the same again is harmless. Work recorded from then on by somebody who is not on it is flagged.
#[utoipa::path(
    put,
    path = "/v1/clinics/{clinic_id}/presence/{clinic_day}",
    operation_id = "put_presence",
    tag = "Front desk",
    params(("clinic_id" = Uuid, Path, description = "The clinic."),
           ("clinic_day" = NaiveDate, Path, description = "The clinic day.")),
    request_body = PresenceInput,
    responses(
        (status = 200, description = "It was said before.", body = PresenceDocument),
        (status = 201, description = "It is recorded.", body = PresenceDocument)
    )
)]
async fn put_presence(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, clinic_day)): Path<(Uuid, NaiveDate)>,
    Body(mut input): Body<PresenceInput>,
) -> ApiResult<(StatusCode, Json<PresenceDocument>)> {
    caller.must_be(&[Role::FrontDesk, Role::Manager, Role::Administrator])?;
    caller.must_reach_clinic(clinic_id)?;
    // A set, whatever the order it was sent in: a repeat is then recognised.
    input.staff_ids.sort_unstable();
    input.staff_ids.dedup();
    if input.staff_ids.len() > MOST_PEOPLE {
        return Err(ApiError::rule_broken("/staff_ids", format!("must name at most {MOST_PEOPLE}")));
    }
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let today = today_at(&mut tx, &caller, clinic_id).await?;
    let mut faults = Vec::new();
    if !(-OLDEST_DAYS..=AHEAD_DAYS).contains(&(clinic_day - today).num_days()) {
        let rule = format!("must be from {OLDEST_DAYS} days before today, {today}, to {AHEAD_DAYS} days after it");
        faults.push(Fault::new("/clinic_day", rule));
    }
    let missing = staff::list_missing(&mut tx, caller.group_id, &input.staff_ids).await?;
    check_found(&mut faults, "/staff_ids", &missing, "person");
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    presence::hold(&mut tx, caller.group_id, clinic_id, clinic_day).await?;
    let before = presence::find(&mut tx, caller.group_id, clinic_id, clinic_day).await?;
    let number = before.as_ref().map_or(1, |mark| mark.number + 1);
    if let Some(mark) = before.filter(|mark| mark.staff_ids == input.staff_ids) {
        tx.commit().await?;
        return Ok((StatusCode::OK, Json(PresenceDocument::of(clinic_id, clinic_day, mark))));
    }
    let mark = PresenceMark { number, staff_ids: input.staff_ids, recorded_at: caller.now, key_id: caller.key_id };
    presence::insert(&mut tx, caller.group_id, (clinic_id, clinic_day), &mark).await?;
    let document = PresenceDocument::of(clinic_id, clinic_day, mark);
    let body = json!({ "clinic_day": clinic_day, "number": number, "staff_ids": document.staff_ids });
    let kind = EventKind::PresenceRecorded;
    events::append(&mut tx, caller.group_id, kind, Some(clinic_id), &body, caller.now).await?;
    tx.commit().await?;
    Ok((StatusCode::CREATED, Json(document)))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let input = PresenceInput { staff_ids: vec![samples::STAFF] };
    let document = PresenceDocument {
        clinic_id: samples::CLINIC,
        clinic_day: samples::day(),
        number: 1,
        staff_ids: input.staff_ids.clone(),
        recorded_at: samples::morning(8, 5),
        key_id: samples::KEY,
    };
    vec![
        Example { operation_id: "get_presence", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_presence", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_presence", part: Part::Response, value: json!(document) },
    ]
}
