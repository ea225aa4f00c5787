//! Equipment: what needs its own routines and is no operatory.
//!
//! The rule of this file: every kind of subject but the clinic and the operatory is a kind of equipment, and the kinds
//! this resource takes are exactly those.

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

use super::subjects::{self, ServiceDocument, ServiceInput, SubjectQuery, Wanted, check_commissioned_on};
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::subject::{Subject, SubjectKind};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{EditQuery, Edited, without_faults};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::ApiResult;
use crate::http::samples;
use crate::store::clinics::subjects::SubjectRow;

/// Kinds of equipment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum EquipmentKind {
    /// Steam steriliser.
    Steriliser,
    /// Washer-disinfector.
    WasherDisinfector,
    /// Ultrasonic bath.
    UltrasonicBath,
    /// Water-treatment plant: reverse osmosis, distiller, softener.
    WaterPlant,
    /// Compressor with its dryer.
    Compressor,
    /// Amalgam separator.
    AmalgamSeparator,
    /// Eyewash station.
    Eyewash,
    /// A tap, shower or other outlet of the premises.
    PremisesOutlet,
}

impl EquipmentKind {
    const ALL: [Self; 8] = [
        Self::Steriliser,
        Self::WasherDisinfector,
        Self::UltrasonicBath,
        Self::WaterPlant,
        Self::Compressor,
        Self::AmalgamSeparator,
        Self::Eyewash,
        Self::PremisesOutlet,
    ];

    const fn subject_kind(self) -> SubjectKind {
        match self {
            Self::Steriliser => SubjectKind::Steriliser,
            Self::WasherDisinfector => SubjectKind::WasherDisinfector,
            Self::UltrasonicBath => SubjectKind::UltrasonicBath,
            Self::WaterPlant => SubjectKind::WaterPlant,
            Self::Compressor => SubjectKind::Compressor,
            Self::AmalgamSeparator => SubjectKind::AmalgamSeparator,
            Self::Eyewash => SubjectKind::Eyewash,
            Self::PremisesOutlet => SubjectKind::PremisesOutlet,
        }
    }

    fn of(kind: SubjectKind) -> Option<Self> {
        Self::ALL.into_iter().find(|equipment| equipment.subject_kind() == kind)
    }
}

fn kinds() -> [SubjectKind; 8] {
    EquipmentKind::ALL.map(EquipmentKind::subject_kind)
}

/// A piece of equipment as it is set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EquipmentInput {
    /// Where it stands. Moving it keeps its identity and its history.
    pub clinic_id: Uuid,
    /// What it is; fixed once it is set.
    pub kind: EquipmentKind,
    /// What people call it.
    #[schema(min_length = 1, max_length = 120, example = "Steriliser, back room")]
    pub name: String,
    /// Its serial number.
    #[serde(default)]
    #[schema(max_length = 80, example = "ST-2204")]
    pub serial: String,
    /// Whether it may be worked with.
    pub service: ServiceInput,
    /// The first clinic day it is there for, in the years 1970 to 2199 and at most 366 days ahead; it has no tasks for
    /// days before. Left out: what stands already, or else the clinic day it is created on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "2024-03-18")]
    pub commissioned_on: Option<NaiveDate>,
}

impl EquipmentInput {
    fn check(self, equipment_id: Uuid, now: DateTime<Utc>) -> Result<Wanted, Vec<Fault>> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/name", &self.name, 120);
        check_optional_text(&mut faults, "/serial", &self.serial, 80);
        let service = self.service.check(&mut faults, now);
        let commissioned_on = check_commissioned_on(&mut faults, self.commissioned_on, now);
        let subject = Subject {
            id: equipment_id,
            clinic_id: self.clinic_id,
            kind: self.kind.subject_kind(),
            name: self.name,
            water_source: None,
            circuits: Vec::new(),
            suction_lines: Vec::new(),
            service,
            commissioned_on,
            spells: Vec::new(),
        };
        let row = SubjectRow { subject, serial: self.serial, discharges_amalgam: None };
        without_faults(Wanted { row, commissioned_on: self.commissioned_on }, faults)
    }
}

/// A piece of equipment.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct EquipmentDocument {
    /// Its identity.
    pub equipment_id: Uuid,
    /// Where it stands.
    pub clinic_id: Uuid,
    /// What it is.
    pub kind: EquipmentKind,
    /// What people call it.
    pub name: String,
    /// Its serial number; may be empty.
    pub serial: String,
    /// Whether it may be worked with.
    pub service: ServiceDocument,
    /// The first clinic day it is there for.
    pub commissioned_on: NaiveDate,
}

impl From<SubjectRow> for EquipmentDocument {
    fn from(row: SubjectRow) -> Self {
        let SubjectRow { subject, serial, .. } = row;
        Self {
            equipment_id: subject.id,
            clinic_id: subject.clinic_id,
            kind: EquipmentKind::of(subject.kind).expect("only these kinds are asked for and kept here"),
            name: subject.name,
            serial,
            service: subject.service.into(),
            commissioned_on: subject.commissioned_on,
        }
    }
}

/// The equipment a key reaches.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct EquipmentList {
    /// By name.
    pub items: Vec<EquipmentDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_equipment)).routes(routes!(get_equipment, put_equipment))
}

/// List equipment within reach
#[utoipa::path(
    get,
    path = "/v1/equipment",
    operation_id = "list_equipment",
    tag = "Clinics",
    params(SubjectQuery),
    responses((status = 200, description = "The equipment the key reaches, by name.", body = EquipmentList))
)]
async fn list_equipment(
    State(state): State<AppState>,
    caller: Caller,
    Query(query): Query<SubjectQuery>,
) -> ApiResult<Json<EquipmentList>> {
    Ok(Json(EquipmentList { items: subjects::list(&state, &caller, &kinds(), &query).await? }))
}

/// Read one piece of equipment
#[utoipa::path(
    get,
    path = "/v1/equipment/{equipment_id}",
    operation_id = "get_equipment",
    tag = "Clinics",
    params(("equipment_id" = Uuid, Path, description = "The piece of equipment.")),
    responses((status = 200, description = "The piece of equipment.", body = EquipmentDocument))
)]
async fn get_equipment(
    State(state): State<AppState>,
    caller: Caller,
    Path(equipment_id): Path<Uuid>,
) -> ApiResult<Json<EquipmentDocument>> {
    subjects::get(&state, &caller, &kinds(), equipment_id, "piece of equipment").await
}

/// Create or replace a piece of equipment
///
/// The id is made by the client, so a repeat is harmless. Equipment taken out of use for good is set out of service; what
/// was recorded about it stays.
#[utoipa::path(
    put,
    path = "/v1/equipment/{equipment_id}",
    operation_id = "put_equipment",
    tag = "Clinics",
    params(("equipment_id" = Uuid, Path, description = "The piece of equipment."), EditQuery),
    request_body = EquipmentInput,
    responses(
        (status = 200, description = "It stood before, and is now as sent.", body = EquipmentDocument),
        (status = 201, description = "It was created.", body = EquipmentDocument)
    )
)]
async fn put_equipment(
    State(state): State<AppState>,
    caller: Caller,
    Path(equipment_id): Path<Uuid>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<EquipmentInput>,
) -> Edited<(StatusCode, Json<EquipmentDocument>)> {
    let checked = input.check(equipment_id, caller.now);
    subjects::put(&state, &caller, edit, checked).await
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let input = EquipmentInput {
        clinic_id: samples::CLINIC,
        kind: EquipmentKind::Steriliser,
        name: "Steriliser, back room".to_owned(),
        serial: "ST-2204".to_owned(),
        service: ServiceInput::OutOfService { reason: "awaiting a spare part".to_owned() },
        commissioned_on: NaiveDate::from_ymd_opt(2024, 3, 18),
    };
    let since = samples::morning(8, 0);
    let document = EquipmentDocument {
        equipment_id: samples::EQUIPMENT,
        clinic_id: input.clinic_id,
        kind: input.kind,
        name: input.name.clone(),
        serial: input.serial.clone(),
        service: ServiceDocument::OutOfService { reason: "awaiting a spare part".to_owned(), since },
        commissioned_on: input.commissioned_on.unwrap_or_default(),
    };
    let list = EquipmentList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_equipment", part: Part::Response, value: json!(list) },
        Example { operation_id: "get_equipment", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_equipment", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_equipment", part: Part::Response, value: json!(document) },
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the list of subject kinds: a new kind that nobody can configure would be dead.
    #[test]
    fn every_subject_kind_but_clinic_and_operatory_is_a_kind_of_equipment() {
        for kind in SubjectKind::ALL {
            let is_equipment = !matches!(kind, SubjectKind::Clinic | SubjectKind::Operatory);
            assert_eq!(EquipmentKind::of(kind).is_some(), is_equipment, "{kind:?}");
        }
    }

    /// A kind has one name, whichever list it is read from.
    #[test]
    fn a_kind_of_equipment_is_served_under_the_name_it_is_stored_under() {
        for equipment in EquipmentKind::ALL {
            assert_eq!(json!(equipment), json!(equipment.subject_kind().as_str()));
        }
    }
}
