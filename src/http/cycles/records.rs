//! What a steriliser or washer-disinfector wrote down of a cycle, which load it was, and what that adds up to.
//!
//! The rule of this file: a record that falls short, by the machine's print or by the time its band was held, opens what
//! follows a failed load, in the transaction that keeps it. One that does not releases nothing. F0 and A0 are information and
//! decide neither: a named, trained person decides about a load.

mod input;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, NaiveDate, Utc};
use rust_decimal::Decimal;
use serde::Serialize;
use serde_json::json;
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

pub use self::input::CycleRecordInput;
use self::input::SaidOfCycle;
use super::find_equipment;
use crate::domain::access::Role;
use crate::domain::cycle_load::{Chamber, CycleEvidence, CycleVerdict, JudgedCycle, PrintedOutcome};
use crate::domain::cycle_reading::{CycleReading, MOST_BYTES};
use crate::domain::event::EventKind;
use crate::domain::lethality::{Lethality, Scale, Summing, lethality};
use crate::domain::limit::Limit;
use crate::domain::plateau::{Plateau, TemperatureBand, minima, plateau};
use crate::domain::subject::{Subject, SubjectKind};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{created_or_ok, without_faults};
use crate::http::extract::{Body, Path};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store::corrective_actions::{actions, held_loads, implant_loads};
use crate::store::cycles::records::CycleRecord;
use crate::store::{self, clinics, events};

/// How the figures are to be read.
const NOTICE: &str = "A record that keeps its limits releases no load. F0 and A0 are information only: they release no load \
                      and override no failed indicator or validated cycle. Constant-z sums understate the time needed below \
                      120 °C. A named, trained person decides.";

/// The reference temperature of F0 in its definition, in tenths of a degree Celsius.
const F0_REFERENCE_TENTHS: i64 = 1211;

const MAY_HAND_IN: [Role; 3] = [Role::Chairside, Role::Manager, Role::Administrator];

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
    /// What the load is called on its packs.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub load_reference: Option<String>,
    /// Whether implantable devices were in it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub holds_implants: Option<bool>,
    /// What was in the chamber.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chamber: Option<Chamber>,
    /// How the cycle ended by the machine's print.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub outcome_as_printed: Option<PrintedOutcome>,
    /// The machine's own words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub printed_words: Option<String>,
    /// Whether the print or the time at temperature fell short by the limits of that day; absent: nothing could be judged.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub verdict: Option<CycleVerdict>,
    /// Why, and what could not be judged.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub finding: String,
    /// The limits that decided.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub limits: Vec<Limit>,
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
    /// The same by identity, where they signed for it; absent: by initials only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub staff_id: Option<Uuid>,
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
            load_reference: record.load.load_reference,
            holds_implants: record.load.holds_implants,
            chamber: record.load.chamber,
            outcome_as_printed: record.load.outcome_as_printed,
            printed_words: record.load.printed_words,
            verdict: record.judged.verdict,
            finding: record.judged.finding,
            limits: record.judged.limits,
            performed_by: record.performed_by,
            staff_id: record.staff_id,
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
    let record = store::cycles::records::find(&mut tx, caller.group_id, cycle_id).await?;
    tx.commit().await?;
    let record = record.filter(|record| record.subject_id == equipment_id);
    let record = record.ok_or_else(|| ApiError::not_found("record of this cycle"))?;
    document(record).await.map(Json)
}

/// Submit a cycle's record
///
/// What the machine wrote down, and what people know of the load; either may come first, and what is left out stays as it was
/// said before. A repeat with the same content is harmless. What only adds needs no reason; other content is a correction: it
/// needs one, and both stay. A steriliser's record falls short where the print says so, or where its band was held for less
/// than the maker, the clinic or the group want, or than the shipped minimum for that temperature: then an action for a failed
/// load is opened, and that load is put in quarantine. So is a load with implantable devices, until a spore test that ran in
/// this cycle has passed, and a load that was run while an action which holds loads kept the machine out of use. Nothing is
/// released by it.
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
    let said = input.read().map_err(ApiError::rules_broken)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let clinic_id = find_equipment(&mut tx, &caller, equipment_id).await?.clinic_id;
    tx.commit().await?;
    let teller = input.telling().teller(&state, &caller, clinic_id).await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let equipment = find_equipment(&mut tx, &caller, equipment_id).await?;
    if !equipment.kind.has_cycles() {
        let rule = format!("a {} runs no cycles", equipment.kind.as_str());
        return Err(ApiError::rule_broken("", rule));
    }
    let standing = store::cycles::records::find(&mut tx, caller.group_id, cycle_id).await?;
    if standing.as_ref().is_some_and(|standing| standing.subject_id != equipment_id) {
        return Err(of_other_equipment());
    }
    let said = said.over(standing.as_ref());
    if let Some(standing) = &standing {
        if said.is_said_by(standing) {
            return Ok((StatusCode::OK, Json(document(standing.clone()).await?)));
        }
        if said.changes(standing) && input.reason.trim().is_empty() {
            let rule = "is missing: another record of this cycle stands, and this one corrects it";
            return Err(ApiError::rule_broken("/reason", rule));
        }
    }
    without_faults((), said.load.faults()).map_err(ApiError::rules_broken)?;
    let mark = store::cycles::find(&mut tx, caller.group_id, cycle_id).await?;
    if mark.as_ref().is_some_and(|mark| mark.subject_id != equipment_id) {
        return Err(of_other_equipment());
    }
    // A load is found by when its cycle ended: one without an end could not be recalled.
    if said.load.is_told() && mark.is_none() {
        let rule = "the end of this cycle is not posted; post that first, under the same cycle_id";
        return Err(ApiError::rule_broken("/load_reference", rule));
    }
    let judged = judge(&mut tx, &caller, &equipment, &said, mark.as_ref().map(|mark| mark.clinic_day)).await?;
    let record = CycleRecord {
        cycle_id,
        number: standing.map_or(0, |standing| standing.number + 1),
        clinic_id: equipment.clinic_id,
        subject_id: equipment_id,
        readings: said.readings,
        band: said.band,
        load: said.load,
        judged,
        performed_by: teller.initials,
        staff_id: teller.staff_id,
        reason: input.reason,
        recorded_at: caller.now,
        key_id: caller.key_id,
    };
    if !store::cycles::records::insert(&mut tx, caller.group_id, &record).await? {
        return Err(ApiError::unavailable("another record of this cycle is being kept; repeat it"));
    }
    let event = json!({
        "by_key_id": caller.key_id, "equipment_id": equipment_id, "cycle_id": cycle_id, "number": record.number,
        "readings": record.readings.len(), "load_reference": record.load.load_reference,
        "verdict": record.judged.verdict,
    });
    let clinic = Some(record.clinic_id);
    events::append(&mut tx, caller.group_id, EventKind::CycleRecordKept, clinic, &event, caller.now).await?;
    let has_load = equipment.kind == SubjectKind::Steriliser && record.load.chamber != Some(Chamber::Empty);
    if has_load && record.judged.verdict == Some(CycleVerdict::Failed) {
        actions::follow_cycle(&mut tx, caller.group_id, &record, caller.now).await?;
    }
    if has_load {
        implant_loads::hold(&mut tx, caller.group_id, &record, caller.now).await?;
        if let Some(mark) = mark {
            held_loads::hold_run_meanwhile(&mut tx, caller.group_id, (&record, mark.ended_at), caller.now).await?;
        }
    }
    tx.commit().await?;
    Ok((created_or_ok(true), Json(document(record).await?)))
}

fn of_other_equipment() -> ApiError {
    ApiError::conflict(
        "cycle-of-other-equipment",
        "The id names a cycle of other equipment",
        "make a new id for a new cycle",
    )
}

/// What a record amounts to, by the limits in force on the cycle's clinic day at the equipment's clinic.
async fn judge(
    db: &mut PgConnection,
    caller: &Caller,
    equipment: &Subject,
    said: &SaidOfCycle,
    clinic_day: Option<NaiveDate>,
) -> ApiResult<JudgedCycle> {
    let clinic = clinics::find(db, caller.group_id, equipment.clinic_id).await?;
    let place = clinic.map(|clinic| clinic.jurisdiction).unwrap_or_default();
    let is_steriliser = equipment.kind == SubjectKind::Steriliser;
    let evidence = CycleEvidence {
        load: &said.load,
        readings: &said.readings,
        band: said.band.as_ref(),
        shipped: said.band.as_ref().filter(|_| is_steriliser).and_then(minima::shipped_for),
        on: clinic_day.unwrap_or_else(|| caller.now.date_naive()),
        place: &place,
    };
    Ok(evidence.judge())
}

/// Sums over up to 20,000 readings: not on a thread that answers requests.
async fn document(record: CycleRecord) -> ApiResult<CycleRecordDocument> {
    let summed = tokio::task::spawn_blocking(move || CycleRecordDocument::from(record)).await;
    summed.map_err(store::StoreError::from).map_err(ApiError::from)
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let reading = |seconds: i64, tenths| CycleReading {
        elapsed_seconds: seconds.into(),
        temperature_celsius: Decimal::new(tenths, 1),
        pressure_kilopascal: None,
    };
    let input = CycleRecordInput {
        readings: vec![reading(0, 1340), reading(90, 1343), reading(180, 1341)],
        load_reference: Some("118".to_owned()),
        holds_implants: Some(false),
        chamber: Some(Chamber::Loaded),
        outcome_as_printed: Some(PrintedOutcome::Complete),
        printed_words: Some("CYCLE OK".to_owned()),
        performed_by: Some("KV".to_owned()),
        ..CycleRecordInput::default()
    };
    let document = CycleRecordDocument::from(CycleRecord {
        cycle_id: samples::CYCLE,
        number: 0,
        clinic_id: samples::CLINIC,
        subject_id: samples::EQUIPMENT,
        readings: input.readings.clone(),
        band: None,
        load: input.load(),
        judged: JudgedCycle {
            verdict: Some(CycleVerdict::Passed),
            finding: "how long the temperature was held is not judged: no band was given".to_owned(),
            limits: Vec::new(),
        },
        performed_by: "KV".to_owned(),
        staff_id: None,
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
