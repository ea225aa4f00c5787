//! Operatories with their dental units.
//!
//! The rule of this file: circuits and suction lines are listed in the order they are worked, and each is asked for by
//! name, so a record says which lines were flushed and not only that some were.

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
use crate::domain::step::part_faults;
use crate::domain::subject::{Subject, SubjectKind, WaterSource};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{EditQuery, Edited, without_faults};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::ApiResult;
use crate::http::samples;
use crate::store::clinics::subjects::SubjectRow;

const KINDS: [SubjectKind; 1] = [SubjectKind::Operatory];

/// An operatory as it is set.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OperatoryInput {
    /// Where it stands. Moving it keeps its identity and its history.
    pub clinic_id: Uuid,
    /// What people call it.
    #[schema(min_length = 1, max_length = 120, example = "Chair 2")]
    pub name: String,
    /// The serial number of its dental unit.
    #[serde(default)]
    #[schema(max_length = 80, example = "DU-0417")]
    pub serial: String,
    /// What feeds the unit with water.
    pub water_source: WaterSource,
    /// Its waterline circuits, in the order they are worked: at most 30 names of 1 to 40 lower-case letters, digits
    /// and hyphens.
    #[schema(max_items = 30, example = json!(["handpiece-1", "handpiece-2", "syringe", "cup-filler"]))]
    pub circuits: Vec<String>,
    /// Its suction lines, in the order they are worked; names as for circuits.
    #[schema(max_items = 30, example = json!(["high", "low"]))]
    pub suction_lines: Vec<String>,
    /// Whether its lines discharge amalgam. Left out: nobody said, and cleaners are judged as if they did, because the
    /// stricter reading must not hang on a forgotten field.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub discharges_amalgam: Option<bool>,
    /// Whether it may be worked with.
    pub service: ServiceInput,
    /// The first clinic day it is there for, in the years 1970 to 2199 and at most 366 days ahead; it has no tasks for
    /// days before. Left out: what stands already, or else the clinic day it is created on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "2024-03-18")]
    pub commissioned_on: Option<NaiveDate>,
}

impl OperatoryInput {
    fn check(self, operatory_id: Uuid, now: DateTime<Utc>) -> Result<Wanted, Vec<Fault>> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/name", &self.name, 120);
        check_optional_text(&mut faults, "/serial", &self.serial, 80);
        faults.extend(part_faults(&self.circuits).into_iter().map(|f| f.under("/circuits")));
        faults.extend(part_faults(&self.suction_lines).into_iter().map(|f| f.under("/suction_lines")));
        let service = self.service.check(&mut faults, now);
        let commissioned_on = check_commissioned_on(&mut faults, self.commissioned_on, now);
        let subject = Subject {
            id: operatory_id,
            clinic_id: self.clinic_id,
            kind: SubjectKind::Operatory,
            name: self.name,
            water_source: Some(self.water_source),
            circuits: self.circuits,
            suction_lines: self.suction_lines,
            service,
            commissioned_on,
            spells: Vec::new(),
        };
        let row = SubjectRow { subject, serial: self.serial, discharges_amalgam: self.discharges_amalgam };
        without_faults(Wanted { row, commissioned_on: self.commissioned_on }, faults)
    }
}

/// An operatory.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct OperatoryDocument {
    /// Its identity.
    pub operatory_id: Uuid,
    /// Where it stands.
    pub clinic_id: Uuid,
    /// What people call it.
    pub name: String,
    /// The serial number of its dental unit; may be empty.
    pub serial: String,
    /// What feeds the unit with water.
    pub water_source: WaterSource,
    /// Its waterline circuits, in the order they are worked.
    pub circuits: Vec<String>,
    /// Its suction lines, in the order they are worked.
    pub suction_lines: Vec<String>,
    /// Whether its lines discharge amalgam; absent: nobody said, which counts as yes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub discharges_amalgam: Option<bool>,
    /// Whether it may be worked with.
    pub service: ServiceDocument,
    /// The first clinic day it is there for.
    pub commissioned_on: NaiveDate,
}

impl From<SubjectRow> for OperatoryDocument {
    fn from(row: SubjectRow) -> Self {
        let SubjectRow { subject, serial, discharges_amalgam } = row;
        Self {
            operatory_id: subject.id,
            clinic_id: subject.clinic_id,
            name: subject.name,
            serial,
            water_source: subject.water_source.expect("a constraint of the table gives every operatory one"),
            circuits: subject.circuits,
            suction_lines: subject.suction_lines,
            discharges_amalgam,
            service: subject.service.into(),
            commissioned_on: subject.commissioned_on,
        }
    }
}

/// The operatories a key reaches.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct OperatoryList {
    /// By name.
    pub items: Vec<OperatoryDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_operatories)).routes(routes!(get_operatory, put_operatory))
}

/// List operatories within reach
#[utoipa::path(
    get,
    path = "/v1/operatories",
    operation_id = "list_operatories",
    tag = "Clinics",
    params(SubjectQuery),
    responses((status = 200, description = "The operatories the key reaches, by name.", body = OperatoryList))
)]
async fn list_operatories(
    State(state): State<AppState>,
    caller: Caller,
    Query(query): Query<SubjectQuery>,
) -> ApiResult<Json<OperatoryList>> {
    Ok(Json(OperatoryList { items: subjects::list(&state, &caller, &KINDS, &query).await? }))
}

/// Read one operatory
#[utoipa::path(
    get,
    path = "/v1/operatories/{operatory_id}",
    operation_id = "get_operatory",
    tag = "Clinics",
    params(("operatory_id" = Uuid, Path, description = "The operatory.")),
    responses((status = 200, description = "The operatory.", body = OperatoryDocument))
)]
async fn get_operatory(
    State(state): State<AppState>,
    caller: Caller,
    Path(operatory_id): Path<Uuid>,
) -> ApiResult<Json<OperatoryDocument>> {
    subjects::get(&state, &caller, &KINDS, operatory_id, "operatory").await
}

/// Create or replace an operatory
///
/// The id is made by the client, so a repeat is harmless. An operatory given up for good is set out of service; what
/// was recorded about it stays.
#[utoipa::path(
    put,
    path = "/v1/operatories/{operatory_id}",
    operation_id = "put_operatory",
    tag = "Clinics",
    params(("operatory_id" = Uuid, Path, description = "The operatory."), EditQuery),
    request_body = OperatoryInput,
    responses(
        (status = 200, description = "It stood before, and is now as sent.", body = OperatoryDocument),
        (status = 201, description = "It was created.", body = OperatoryDocument)
    )
)]
async fn put_operatory(
    State(state): State<AppState>,
    caller: Caller,
    Path(operatory_id): Path<Uuid>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<OperatoryInput>,
) -> Edited<(StatusCode, Json<OperatoryDocument>)> {
    let checked = input.check(operatory_id, caller.now);
    subjects::put(&state, &caller, edit, checked).await
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let input = OperatoryInput {
        clinic_id: samples::CLINIC,
        name: "Chair 2".to_owned(),
        serial: "DU-0417".to_owned(),
        water_source: WaterSource::OwnReservoir,
        circuits: ["handpiece-1", "syringe"].map(str::to_owned).to_vec(),
        suction_lines: ["high", "low"].map(str::to_owned).to_vec(),
        discharges_amalgam: Some(true),
        service: ServiceInput::InService {},
        commissioned_on: NaiveDate::from_ymd_opt(2024, 3, 18),
    };
    let document = OperatoryDocument {
        operatory_id: samples::OPERATORY,
        clinic_id: input.clinic_id,
        name: input.name.clone(),
        serial: input.serial.clone(),
        water_source: input.water_source,
        circuits: input.circuits.clone(),
        suction_lines: input.suction_lines.clone(),
        discharges_amalgam: input.discharges_amalgam,
        service: ServiceDocument::InService {},
        commissioned_on: input.commissioned_on.unwrap_or_default(),
    };
    let list = OperatoryList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_operatories", part: Part::Response, value: json!(list) },
        Example { operation_id: "get_operatory", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_operatory", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_operatory", part: Part::Response, value: json!(document) },
    ]
}
