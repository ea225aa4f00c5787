//! Clinics.
//!
//! The rule of this file: a clinic out of a key's reach does not exist for it, and one operatory's key reaches no
//! clinic.

pub mod closure_import;
pub mod closures;
pub mod equipment;
pub mod full_days;
pub mod group;
pub mod hours;
pub mod instruments;
pub mod operatories;
pub mod special_openings;
pub mod subjects;
pub mod weeks;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::configuration::{Change, EditQuery, Edited, created_or_ok, without_faults};
use super::extract::{Body, Path, Query};
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult};
use super::samples;
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::jurisdiction::is_code;
use crate::store;
use crate::store::clinics::ClinicRow;
use crate::store::seals::marks;

/// A clinic as it is set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ClinicInput {
    /// What people call it.
    #[schema(min_length = 1, max_length = 120, example = "Lantern Street")]
    pub name: String,
    /// Its IANA time zone. All its local times are read in it.
    #[schema(min_length = 1, max_length = 64, example = "America/Los_Angeles")]
    pub zone: String,
    /// Its address.
    #[serde(default)]
    #[schema(max_length = 300, example = "1 Lantern Street")]
    pub address: String,
    /// Whose code applies: a country by ISO 3166-1 (`GB`) or a part of one by ISO 3166-2 (`US-WA`); empty: not said, and
    /// then no rule of a place applies.
    #[serde(default)]
    #[schema(max_length = 60, pattern = "^([A-Z]{2}(-[A-Z0-9]{1,3})?)?$", example = "US-WA")]
    pub jurisdiction: String,
    /// Whose water it is, as the supplier's notices name the area.
    #[serde(default)]
    #[schema(max_length = 120, example = "Lower Valley")]
    pub supply_area: String,
    /// Whatever is recorded on a shared tablet (`shared` of its key) takes the person's PIN. Without it the work is kept all
    /// the same, and flagged `pin_missing`: a tablet that was offline keeps nobody's PIN.
    #[serde(default)]
    pub pin_required: bool,
}

impl ClinicInput {
    /// The clinic it describes, as yet without hours.
    fn check(self, clinic_id: Uuid) -> Result<ClinicRow, Vec<Fault>> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/name", &self.name, 120);
        check_optional_text(&mut faults, "/address", &self.address, 300);
        check_optional_text(&mut faults, "/jurisdiction", &self.jurisdiction, 60);
        check_optional_text(&mut faults, "/supply_area", &self.supply_area, 120);
        let Ok(zone) = self.zone.parse() else {
            faults.push(Fault::new("/zone", "must be an IANA time zone, e.g. Europe/Berlin"));
            return Err(faults);
        };
        let Self { name, address, jurisdiction, supply_area, pin_required, .. } = self;
        let row = ClinicRow { clinic_id, name, zone, address, jurisdiction, supply_area, pin_required, week: None };
        without_faults(row, faults)
    }
}

/// A clinic.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ClinicDocument {
    /// Its identity.
    pub clinic_id: Uuid,
    /// What people call it.
    pub name: String,
    /// Its IANA time zone.
    pub zone: String,
    /// Its address; may be empty.
    pub address: String,
    /// Whose code applies; may be empty.
    pub jurisdiction: String,
    /// Whose water it is; may be empty.
    pub supply_area: String,
    /// Whatever is recorded on a shared tablet takes the person's PIN.
    pub pin_required: bool,
}

impl From<&ClinicRow> for ClinicDocument {
    fn from(row: &ClinicRow) -> Self {
        Self {
            clinic_id: row.clinic_id,
            name: row.name.clone(),
            zone: row.zone.name().to_owned(),
            address: row.address.clone(),
            jurisdiction: row.jurisdiction.clone(),
            supply_area: row.supply_area.clone(),
            pin_required: row.pin_required,
        }
    }
}

/// The clinics a key reaches.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ClinicList {
    /// By name.
    pub items: Vec<ClinicDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_clinics)).routes(routes!(get_clinic, put_clinic))
}

/// List clinics within reach
#[utoipa::path(
    get,
    path = "/v1/clinics",
    operation_id = "list_clinics",
    tag = "Clinics",
    responses((status = 200, description = "The clinics the key reaches, by name.", body = ClinicList))
)]
async fn list_clinics(State(state): State<AppState>, caller: Caller) -> ApiResult<Json<ClinicList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let clinics = store::clinics::list(&mut tx, caller.group_id).await?;
    tx.commit().await?;
    let items = clinics.iter().filter(|c| caller.reach.covers_clinic(c.clinic_id)).map(ClinicDocument::from).collect();
    Ok(Json(ClinicList { items }))
}

/// Read one clinic
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}",
    operation_id = "get_clinic",
    tag = "Clinics",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    responses((status = 200, description = "The clinic.", body = ClinicDocument))
)]
async fn get_clinic(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
) -> ApiResult<Json<ClinicDocument>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let clinic = find_reached(&mut tx, &caller, clinic_id).await?;
    tx.commit().await?;
    Ok(Json(ClinicDocument::from(&clinic)))
}

/// Create or replace a clinic
///
/// The id is made by the client, so a repeat is harmless. The clinic's hours are a document of their own and stay.
#[utoipa::path(
    put,
    path = "/v1/clinics/{clinic_id}",
    operation_id = "put_clinic",
    tag = "Clinics",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), EditQuery),
    request_body = ClinicInput,
    responses(
        (status = 200, description = "It stood before, and is now as sent.", body = ClinicDocument),
        (status = 201, description = "It was created.", body = ClinicDocument)
    )
)]
async fn put_clinic(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<ClinicInput>,
) -> Edited<(StatusCode, Json<ClinicDocument>)> {
    let (mut change, clinic) = Change::begin(&state, &caller, edit, input.check(clinic_id)).await?;
    let before = store::clinics::find(change.db(), caller.group_id, clinic_id).await?;
    let clinic = ClinicRow { week: before.as_ref().and_then(|b| b.week.clone()), ..clinic };
    // What was any text before there was such a rule may stay.
    if !clinic.jurisdiction.is_empty()
        && !is_code(&clinic.jurisdiction)
        && before.as_ref().is_none_or(|before| before.jurisdiction != clinic.jurisdiction)
    {
        let detail = "must be a country by ISO 3166-1, e.g. GB, or a part of one by ISO 3166-2, e.g. US-WA";
        return Err(ApiError::rule_broken("/jurisdiction", detail).into());
    }
    let document = ClinicDocument::from(&clinic);
    if before.as_ref() != Some(&clinic) {
        if before.is_none() && store::clinics::subjects::find(change.db(), caller.group_id, clinic_id).await?.is_some()
        {
            return Err(ApiError::conflict(
                "kind-is-fixed",
                "The id names something else",
                "this id was given to an operatory or a piece of equipment; make a new one for the clinic",
            )
            .into());
        }
        store::clinics::save(change.db(), caller.group_id, &clinic, caller.now).await?;
        change.tell(EventKind::ClinicChanged, Some(clinic_id), &json!({ "clinic": document })).await?;
        if before.as_ref().is_none_or(|b| b.zone != clinic.zone) {
            change.replan_clinic(clinic_id).await?;
        }
        if before.is_none() {
            marks::mark_for_new_clinic(change.db(), caller.group_id, clinic_id, caller.marking()).await?;
        }
    }
    change.commit().await?;
    Ok((created_or_ok(before.is_none()), Json(document)))
}

/// The clinic, if the caller reaches it.
///
/// # Errors
/// 404 otherwise.
pub(super) async fn find_reached(db: &mut PgConnection, caller: &Caller, clinic_id: Uuid) -> ApiResult<ClinicRow> {
    caller.must_reach_clinic(clinic_id)?;
    store::clinics::find(db, caller.group_id, clinic_id).await?.ok_or_else(|| ApiError::not_found("clinic"))
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let input = ClinicInput {
        name: "Lantern Street".to_owned(),
        zone: "America/Los_Angeles".to_owned(),
        address: "1 Lantern Street".to_owned(),
        jurisdiction: "US-WA".to_owned(),
        supply_area: "Lower Valley".to_owned(),
        pin_required: true,
    };
    let document = ClinicDocument {
        clinic_id: samples::CLINIC,
        name: input.name.clone(),
        zone: input.zone.clone(),
        address: input.address.clone(),
        jurisdiction: input.jurisdiction.clone(),
        supply_area: input.supply_area.clone(),
        pin_required: input.pin_required,
    };
    let list = ClinicList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_clinics", part: Part::Response, value: json!(list) },
        Example { operation_id: "get_clinic", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_clinic", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_clinic", part: Part::Response, value: json!(document) },
    ]
}
