//! Dated exceptions that open a clinic.
//!
//! The rule of this file: a clinic day has one special opening at most, so its date is its identity.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{NaiveDate, NaiveTime};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::find_reached;
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_text};
use crate::domain::hours::{Session, session_faults};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{Change, EditQuery, Edited, check_date, created_or_ok, without_faults};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::ApiResult;
use crate::store;
use crate::store::clinics::SpecialOpening;

/// A special opening as it is set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SpecialOpeningInput {
    /// The sessions of that day, in order and apart.
    #[schema(min_items = 1, max_items = 6)]
    pub sessions: Vec<Session>,
    /// Why.
    #[schema(min_length = 1, max_length = 200, example = "extra Saturday")]
    pub reason: String,
}

impl SpecialOpeningInput {
    fn check(self, opens_on: NaiveDate) -> Result<SpecialOpening, Vec<Fault>> {
        let mut faults = Vec::new();
        check_date(&mut faults, "", opens_on);
        check_text(&mut faults, "/reason", &self.reason, 200);
        if self.sessions.is_empty() {
            faults.push(Fault::new("/sessions", "must have a session; a day is closed by a closure"));
        }
        faults.extend(session_faults(&self.sessions).into_iter().map(|f| f.under("/sessions")));
        without_faults(SpecialOpening { opens_on, sessions: self.sessions, reason: self.reason }, faults)
    }
}

/// A special opening.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct SpecialOpeningDocument {
    /// The clinic day whose sessions it replaces.
    pub opens_on: NaiveDate,
    /// The sessions of that day.
    pub sessions: Vec<Session>,
    /// Why.
    pub reason: String,
}

impl From<SpecialOpening> for SpecialOpeningDocument {
    fn from(special: SpecialOpening) -> Self {
        Self { opens_on: special.opens_on, sessions: special.sessions, reason: special.reason }
    }
}

/// A clinic's special openings.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct SpecialOpeningList {
    /// By date.
    pub items: Vec<SpecialOpeningDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(list_special_openings))
        .routes(routes!(put_special_opening, delete_special_opening))
}

/// List a clinic's special openings, past ones too
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/special-openings",
    operation_id = "list_special_openings",
    tag = "Clinics",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    responses((status = 200, description = "The special openings, by date.", body = SpecialOpeningList))
)]
async fn list_special_openings(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
) -> ApiResult<Json<SpecialOpeningList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let specials = store::clinics::list_special_openings(&mut tx, caller.group_id, clinic_id).await?;
    tx.commit().await?;
    Ok(Json(SpecialOpeningList { items: specials.into_iter().map(SpecialOpeningDocument::from).collect() }))
}

/// Open a clinic on a date
///
/// Its sessions replace the weekly ones of that date and any closure of the whole date; a closure of part of the day
/// still cuts into them.
#[utoipa::path(
    put,
    path = "/v1/clinics/{clinic_id}/special-openings/{opens_on}",
    operation_id = "put_special_opening",
    tag = "Clinics",
    params(
        ("clinic_id" = Uuid, Path, description = "The clinic."),
        ("opens_on" = NaiveDate, Path, description = "The clinic day, in the years 1970 to 2199."),
        EditQuery
    ),
    request_body = SpecialOpeningInput,
    responses(
        (status = 200, description = "It stood before, and is now as sent.", body = SpecialOpeningDocument),
        (status = 201, description = "It was created.", body = SpecialOpeningDocument)
    )
)]
async fn put_special_opening(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, opens_on)): Path<(Uuid, NaiveDate)>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<SpecialOpeningInput>,
) -> Edited<(StatusCode, Json<SpecialOpeningDocument>)> {
    let (mut change, special) = Change::begin(&state, &caller, edit, input.check(opens_on)).await?;
    change.clinic(clinic_id).await?;
    let before = store::clinics::find_special_opening(change.db(), caller.group_id, clinic_id, opens_on).await?;
    let document = SpecialOpeningDocument::from(special.clone());
    if before.as_ref() != Some(&special) {
        store::clinics::save_special_opening(change.db(), caller.group_id, clinic_id, &special, caller.now).await?;
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &json!({ "special_opening": document })).await?;
        change.replan_clinic(clinic_id).await?;
    }
    change.commit().await?;
    Ok((created_or_ok(before.is_none()), Json(document)))
}

/// Take back a special opening
///
/// A repeat, and a date that never had one, are harmless.
#[utoipa::path(
    delete,
    path = "/v1/clinics/{clinic_id}/special-openings/{opens_on}",
    operation_id = "delete_special_opening",
    tag = "Clinics",
    params(
        ("clinic_id" = Uuid, Path, description = "The clinic."),
        ("opens_on" = NaiveDate, Path, description = "The clinic day, in the years 1970 to 2199."),
        EditQuery
    ),
    responses((status = 204, description = "That date has no special opening any more."))
)]
async fn delete_special_opening(
    State(state): State<AppState>,
    caller: Caller,
    Path((clinic_id, opens_on)): Path<(Uuid, NaiveDate)>,
    Query(edit): Query<EditQuery>,
) -> Edited<StatusCode> {
    let mut faults = Vec::new();
    check_date(&mut faults, "", opens_on);
    let (mut change, ()) = Change::begin(&state, &caller, edit, without_faults((), faults)).await?;
    change.clinic(clinic_id).await?;
    if store::clinics::delete_special_opening(change.db(), caller.group_id, clinic_id, opens_on).await? {
        let what = json!({ "removed_special_opening_on": opens_on });
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &what).await?;
        change.replan_clinic(clinic_id).await?;
    }
    change.commit().await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let time = |hour| NaiveTime::from_hms_opt(hour, 0, 0).expect("a full hour of the day");
    let input = SpecialOpeningInput {
        sessions: vec![Session { opens: time(9), closes: time(13) }],
        reason: "extra Saturday".to_owned(),
    };
    let document = SpecialOpeningDocument {
        opens_on: NaiveDate::from_ymd_opt(2026, 12, 5).expect("a date of the calendar"),
        sessions: input.sessions.clone(),
        reason: input.reason.clone(),
    };
    let list = SpecialOpeningList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_special_openings", part: Part::Response, value: json!(list) },
        Example { operation_id: "put_special_opening", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_special_opening", part: Part::Response, value: json!(document) },
    ]
}
