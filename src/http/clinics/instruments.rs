//! Instruments: what readings are taken with, and until when their calibration counts.
//!
//! The rule of this file: an instrument belongs to one clinic, and readings of another cannot name it.

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
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::instrument::Instrument;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{
    Change, EditQuery, Edited, check_date, created_or_ok, must_have_room, without_faults,
};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store;
use crate::store::seals::marks;

/// Most instruments of one clinic.
const MOST_INSTRUMENTS: i64 = 500;

/// An instrument as it is set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct InstrumentInput {
    /// Where it belongs.
    pub clinic_id: Uuid,
    /// What people call it.
    #[schema(min_length = 1, max_length = 120, example = "Thermometer 2")]
    pub name: String,
    /// Its serial number.
    #[serde(default)]
    #[schema(max_length = 80, example = "TH-0417")]
    pub serial: String,
    /// When it was last calibrated; left out: no calibration is known, and its readings say so.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibrated_on: Option<NaiveDate>,
    /// The last day on which that counts; left out: it does not end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibration_ends_on: Option<NaiveDate>,
}

impl InstrumentInput {
    fn check(self, instrument_id: Uuid) -> Result<Instrument, Vec<Fault>> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/name", &self.name, 120);
        check_optional_text(&mut faults, "/serial", &self.serial, 80);
        for (pointer, date) in
            [("/calibrated_on", self.calibrated_on), ("/calibration_ends_on", self.calibration_ends_on)]
        {
            if let Some(date) = date {
                check_date(&mut faults, pointer, date);
            }
        }
        match (self.calibrated_on, self.calibration_ends_on) {
            (Some(from), Some(until)) if until < from => {
                faults.push(Fault::new("/calibration_ends_on", "must not be before calibrated_on"));
            }
            (None, Some(_)) => {
                faults.push(Fault::new("/calibrated_on", "is missing: a calibration that ends was made once"));
            }
            _ => {}
        }
        let Self { clinic_id, name, serial, calibrated_on, calibration_ends_on } = self;
        let id = instrument_id;
        without_faults(Instrument { id, clinic_id, name, serial, calibrated_on, calibration_ends_on }, faults)
    }
}

/// An instrument.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct InstrumentDocument {
    /// Its identity.
    pub instrument_id: Uuid,
    /// Where it belongs.
    pub clinic_id: Uuid,
    /// What people call it.
    pub name: String,
    /// Its serial number; may be empty.
    pub serial: String,
    /// When it was last calibrated; null: no calibration is known.
    #[schema(required)]
    pub calibrated_on: Option<NaiveDate>,
    /// The last day on which that counts; null: it does not end.
    #[schema(required)]
    pub calibration_ends_on: Option<NaiveDate>,
}

impl From<Instrument> for InstrumentDocument {
    fn from(instrument: Instrument) -> Self {
        let Instrument { id, clinic_id, name, serial, calibrated_on, calibration_ends_on } = instrument;
        Self { instrument_id: id, clinic_id, name, serial, calibrated_on, calibration_ends_on }
    }
}

/// A clinic's instruments.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct InstrumentList {
    /// By name.
    #[schema(max_items = 500)]
    pub items: Vec<InstrumentDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_instruments)).routes(routes!(put_instrument))
}

/// List a clinic's instruments
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/instruments",
    operation_id = "list_instruments",
    tag = "Clinics",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    responses((status = 200, description = "The instruments, by name.", body = InstrumentList))
)]
async fn list_instruments(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
) -> ApiResult<Json<InstrumentList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let instruments = store::clinics::instruments::list_of_clinic(&mut tx, caller.group_id, clinic_id).await?;
    tx.commit().await?;
    Ok(Json(InstrumentList { items: instruments.into_iter().map(InstrumentDocument::from).collect() }))
}

/// Create or replace an instrument
///
/// The id is made by the client, so a repeat is harmless. A reading that was recorded keeps what was found about its
/// instrument then.
#[utoipa::path(
    put,
    path = "/v1/instruments/{instrument_id}",
    operation_id = "put_instrument",
    tag = "Clinics",
    params(("instrument_id" = Uuid, Path, description = "The instrument."), EditQuery),
    request_body = InstrumentInput,
    responses(
        (status = 200, description = "It stood before, and is now as sent.", body = InstrumentDocument),
        (status = 201, description = "It was created.", body = InstrumentDocument)
    )
)]
async fn put_instrument(
    State(state): State<AppState>,
    caller: Caller,
    Path(instrument_id): Path<Uuid>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<InstrumentInput>,
) -> Edited<(StatusCode, Json<InstrumentDocument>)> {
    let (mut change, instrument) = Change::begin(&state, &caller, edit, input.check(instrument_id)).await?;
    let clinic_id = instrument.clinic_id;
    if store::clinics::find(change.db(), caller.group_id, clinic_id).await?.is_none() {
        return Err(ApiError::rule_broken("/clinic_id", "names no clinic of this group").into());
    }
    let before = store::clinics::instruments::list_named(change.db(), caller.group_id, &[instrument_id]).await?.pop();
    if before.as_ref().is_none_or(|before| before.clinic_id != clinic_id) {
        let standing = store::clinics::instruments::count_of_clinic(change.db(), caller.group_id, clinic_id).await?;
        must_have_room(standing, MOST_INSTRUMENTS, "instruments of a clinic")?;
    }
    let document = InstrumentDocument::from(instrument.clone());
    if before.as_ref() != Some(&instrument) {
        store::clinics::instruments::save(change.db(), caller.group_id, &instrument, caller.now).await?;
        let concerned = before.iter().map(|before| before.clinic_id).chain([clinic_id]).collect();
        marks::mark_instrument(change.db(), caller.group_id, instrument_id, &concerned, caller.marking()).await?;
        change.tell(EventKind::InstrumentChanged, Some(clinic_id), &json!(document)).await?;
    }
    change.commit().await?;
    Ok((created_or_ok(before.is_none()), Json(document)))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let input = InstrumentInput {
        clinic_id: samples::CLINIC,
        name: "Thermometer 2".to_owned(),
        serial: "TH-0417".to_owned(),
        calibrated_on: NaiveDate::from_ymd_opt(2026, 3, 2),
        calibration_ends_on: NaiveDate::from_ymd_opt(2027, 3, 1),
    };
    let document = InstrumentDocument {
        instrument_id: samples::INSTRUMENT,
        clinic_id: input.clinic_id,
        name: input.name.clone(),
        serial: input.serial.clone(),
        calibrated_on: input.calibrated_on,
        calibration_ends_on: input.calibration_ends_on,
    };
    let list = InstrumentList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_instruments", part: Part::Response, value: json!(list) },
        Example { operation_id: "put_instrument", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_instrument", part: Part::Response, value: json!(document) },
    ]
}
