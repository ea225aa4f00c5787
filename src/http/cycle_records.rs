//! What a steriliser or washer-disinfector wrote down of a cycle, and what that adds up to.
//!
//! The rule of this file: plateau, F0 and A0 are information. They release nothing, and override no failed indicator: a
//! named, trained person decides about a load.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, Utc};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::configuration::created_or_ok;
use super::cycles::find_equipment;
use super::extract::{Body, Path};
use super::openapi::{Example, Part};
use super::problem::{ApiError, ApiResult};
use super::samples;
use crate::domain::access::Role;
use crate::domain::cycle_reading::{CycleReading, MOST_BYTES, read_csv, record_faults};
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_optional_text, check_text};
use crate::domain::lethality::{Lethality, Scale, Summing, lethality};
use crate::domain::plateau::{Plateau, TemperatureBand, plateau};
use crate::store::cycle_records::CycleRecord;
use crate::store::{self, events};

/// How the figures are to be read.
const NOTICE: &str = "Plateau, F0 and A0 are information only: they release no load and override no failed indicator or \
                      validated cycle. Constant-z sums understate the time needed below 120 °C. A named, trained person \
                      decides.";

/// The reference temperature of F0 in its definition, in tenths of a degree Celsius.
const F0_REFERENCE_TENTHS: i64 = 1211;

const MAY_HAND_IN: [Role; 3] = [Role::Chairside, Role::Manager, Role::Administrator];

/// A record of a cycle as it is handed in: as readings, or as the text of a CSV file.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CycleRecordInput {
    /// The readings, the seconds rising; left out where `csv` is given.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 20_000)]
    pub readings: Vec<CycleReading>,
    /// A file with the head `elapsed_seconds,temperature_celsius` and, where it was recorded, `pressure_kilopascal`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 1_048_576, example = "elapsed_seconds,temperature_celsius\n0,134\n180,134.4\n")]
    pub csv: Option<String>,
    /// The band to hold it against, from the cycle's validation or the maker; left out: no plateau is worked out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band: Option<TemperatureBand>,
    /// The person, by initials as in `/v1/staff`.
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub performed_by: String,
    /// Why an earlier record of this cycle is corrected; it stays visible. Empty for the first.
    #[serde(default)]
    #[schema(max_length = 400)]
    pub reason: String,
}

impl CycleRecordInput {
    fn readings(&self) -> Result<Vec<CycleReading>, Vec<Fault>> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/performed_by", &self.performed_by, 40);
        check_optional_text(&mut faults, "/reason", &self.reason, 400);
        if let Some(band) = &self.band {
            faults.extend(band.faults().into_iter().map(|f| f.under("/band")));
        }
        let readings = match &self.csv {
            Some(_) if !self.readings.is_empty() => {
                faults.push(Fault::new("/csv", "must be left out where readings are given"));
                Vec::new()
            }
            Some(text) => read_csv(text.as_bytes()).unwrap_or_else(|found| {
                faults.extend(found.into_iter().map(|fault| {
                    let column = fault.column.map(|column| format!(", column {column}")).unwrap_or_default();
                    Fault::new("/csv", format!("line {}{column}: {}", fault.line, fault.rule))
                }));
                Vec::new()
            }),
            None => {
                faults.extend(record_faults(&self.readings).into_iter().map(|f| f.under("/readings")));
                self.readings.clone()
            }
        };
        if faults.is_empty() { Ok(readings) } else { Err(faults) }
    }
}

/// A record of a cycle with what it adds up to.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct CycleRecordDocument {
    /// The cycle.
    pub cycle_id: Uuid,
    /// The piece of equipment.
    pub equipment_id: Uuid,
    /// Where it stood.
    pub clinic_id: Uuid,
    /// 0, and one more for each correction.
    #[schema(minimum = 0)]
    pub number: i32,
    /// The readings.
    pub readings: Vec<CycleReading>,
    /// The band it is held against.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub band: Option<TemperatureBand>,
    /// The longest time within the band; absent without a band, or where no reading lies within it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plateau: Option<Plateau>,
    /// F0 at 121.1 °C, from straight lines between readings; absent where the record gives no sum.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub f0: Option<Lethality>,
    /// A0, counted from 65 °C on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub a0: Option<Lethality>,
    /// The person who handed it in.
    pub performed_by: String,
    /// Why it was corrected; empty for the first.
    pub reason: String,
    /// When it was recorded.
    pub recorded_at: DateTime<Utc>,
    /// How the figures are to be read.
    #[schema(value_type = String)]
    pub notice: &'static str,
}

impl From<CycleRecord> for CycleRecordDocument {
    fn from(record: CycleRecord) -> Self {
        let f0 = Scale::f0(Decimal::new(F0_REFERENCE_TENTHS, 1));
        let sum = |scale| lethality(&record.readings, scale, Summing::Trapezoid).ok();
        Self {
            plateau: record.band.as_ref().and_then(|band| plateau(&record.readings, band)),
            f0: f0.and_then(sum),
            a0: sum(Scale::a0()),
            cycle_id: record.cycle_id,
            equipment_id: record.subject_id,
            clinic_id: record.clinic_id,
            number: record.number,
            readings: record.readings,
            band: record.band,
            performed_by: record.performed_by,
            reason: record.reason,
            recorded_at: record.recorded_at,
            notice: NOTICE,
        }
    }
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_cycle_record, put_cycle_record))
}

/// Read a cycle's record and the figures worked out from it
///
/// The newest record; those that it corrected stay in `reporting.cycle_records`. The figures are information only.
#[utoipa::path(
    get,
    path = "/v1/equipment/{equipment_id}/cycles/{cycle_id}/record",
    operation_id = "get_cycle_record",
    tag = "Chairside",
    params(("equipment_id" = Uuid, Path, description = "The piece of equipment."),
           ("cycle_id" = Uuid, Path, description = "The cycle.")),
    responses((status = 200, description = "The newest record.", body = CycleRecordDocument))
)]
async fn get_cycle_record(
    State(state): State<AppState>,
    caller: Caller,
    Path((equipment_id, cycle_id)): Path<(Uuid, Uuid)>,
) -> ApiResult<Json<CycleRecordDocument>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_equipment(&mut tx, &caller, equipment_id).await?;
    let record = store::cycle_records::find(&mut tx, caller.group_id, cycle_id).await?;
    tx.commit().await?;
    let record = record.filter(|record| record.subject_id == equipment_id);
    let record = record.ok_or_else(|| ApiError::not_found("record of this cycle"))?;
    document(record).await.map(Json)
}

/// Submit a cycle's record
///
/// A repeat with the same content is harmless. Other content is a correction: it needs a reason, and both stay. Nothing is
/// judged by it and nothing released.
#[utoipa::path(
    put,
    path = "/v1/equipment/{equipment_id}/cycles/{cycle_id}/record",
    operation_id = "put_cycle_record",
    tag = "Chairside",
    params(("equipment_id" = Uuid, Path, description = "The piece of equipment."),
           ("cycle_id" = Uuid, Path, description = "The cycle, made by the client: the one whose end is posted.")),
    request_body = CycleRecordInput,
    responses(
        (status = 200, description = "It stood already.", body = CycleRecordDocument),
        (status = 201, description = "Recorded.", body = CycleRecordDocument)
    )
)]
async fn put_cycle_record(
    State(state): State<AppState>,
    caller: Caller,
    Path((equipment_id, cycle_id)): Path<(Uuid, Uuid)>,
    Body(input): Body<CycleRecordInput>,
) -> ApiResult<(StatusCode, Json<CycleRecordDocument>)> {
    caller.must_be(&MAY_HAND_IN)?;
    if input.csv.as_ref().is_some_and(|text| text.len() > MOST_BYTES) {
        return Err(ApiError::rule_broken("/csv", format!("must have at most {MOST_BYTES} bytes")));
    }
    let readings = input.readings().map_err(ApiError::rules_broken)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let equipment = find_equipment(&mut tx, &caller, equipment_id).await?;
    if !equipment.kind.has_cycles() {
        let rule = format!("a {} runs no cycles", equipment.kind.as_str());
        return Err(ApiError::rule_broken("", rule));
    }
    let standing = store::cycle_records::find(&mut tx, caller.group_id, cycle_id).await?;
    if let Some(standing) = &standing {
        if standing.subject_id != equipment_id {
            return Err(ApiError::conflict(
                "cycle-of-other-equipment",
                "The id names a cycle of other equipment",
                "make a new id for a new cycle",
            ));
        }
        if (&standing.readings, &standing.band) == (&readings, &input.band) {
            return Ok((StatusCode::OK, Json(document(standing.clone()).await?)));
        }
        if input.reason.trim().is_empty() {
            let rule = "is missing: another record of this cycle stands, and this one corrects it";
            return Err(ApiError::rule_broken("/reason", rule));
        }
    }
    let record = CycleRecord {
        cycle_id,
        number: standing.map_or(0, |standing| standing.number + 1),
        clinic_id: equipment.clinic_id,
        subject_id: equipment_id,
        readings,
        band: input.band,
        performed_by: input.performed_by,
        reason: input.reason,
        recorded_at: caller.now,
        key_id: caller.key_id,
    };
    if !store::cycle_records::insert(&mut tx, caller.group_id, &record).await? {
        return Err(ApiError::unavailable("another record of this cycle is being kept; repeat it"));
    }
    let event = json!({
        "by_key_id": caller.key_id, "equipment_id": equipment_id, "cycle_id": cycle_id, "number": record.number,
        "readings": record.readings.len(),
    });
    let clinic = Some(record.clinic_id);
    events::append(&mut tx, caller.group_id, EventKind::CycleRecordKept, clinic, &event, caller.now).await?;
    tx.commit().await?;
    Ok((created_or_ok(true), Json(document(record).await?)))
}

/// Sums over up to 20,000 readings: not on a thread that answers requests.
async fn document(record: CycleRecord) -> ApiResult<CycleRecordDocument> {
    let summed = tokio::task::spawn_blocking(move || CycleRecordDocument::from(record)).await;
    summed.map_err(store::StoreError::from).map_err(ApiError::from)
}

/// Examples for the API's document.
pub(super) fn examples() -> Vec<Example> {
    let reading = |seconds: i64, tenths| CycleReading {
        elapsed_seconds: seconds.into(),
        temperature_celsius: Decimal::new(tenths, 1),
        pressure_kilopascal: None,
    };
    let input = CycleRecordInput {
        readings: vec![reading(0, 1340), reading(90, 1343), reading(180, 1341)],
        csv: None,
        band: None,
        performed_by: "KV".to_owned(),
        reason: String::new(),
    };
    let document = CycleRecordDocument::from(CycleRecord {
        cycle_id: samples::CYCLE,
        number: 0,
        clinic_id: samples::CLINIC,
        subject_id: samples::EQUIPMENT,
        readings: input.readings.clone(),
        band: None,
        performed_by: input.performed_by.clone(),
        reason: String::new(),
        recorded_at: samples::morning(8, 40),
        key_id: samples::KEY,
    });
    vec![
        Example { operation_id: "get_cycle_record", part: Part::Response, value: json!(document) },
        Example { operation_id: "put_cycle_record", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_cycle_record", part: Part::Response, value: json!(document) },
    ]
}
