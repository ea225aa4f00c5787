//! The readiness of a whole clinic, and of one piece of equipment.
//!
//! The rule of this file: an answer of the board holds no instant of its own, so that it is the same bytes, under the same
//! tag, for as long as nothing changed: who asks every few seconds is mostly told that.

use axum::Json;
use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::{MissingRecord, NOTICE, ReadinessSolver, StandingKind, StandingObstacle, StandingStep};
use crate::domain::chain::StepOwner;
use crate::domain::subject::SubjectKind;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::clinics::find_reached;
use crate::http::extract::Path;
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::readiness;
use crate::http::{conditional, samples};
use crate::store;

const EQUIPMENT_NOTICE: &str =
    "This is about records only; a named, trained person decides whether the equipment may be used.";

/// The readiness of a clinic's operatories, by record.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ReadinessBoard {
    /// The clinic.
    pub clinic_id: Uuid,
    /// Every operatory that stands there, by name.
    pub operatories: Vec<BoardOperatory>,
    /// How the answer is to be read.
    pub notice: &'static str,
}

/// One operatory on the board.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct BoardOperatory {
    /// The operatory.
    pub operatory_id: Uuid,
    /// What people call it.
    pub name: String,
    /// Nothing that blocks is missing from the records, and nothing stands against the operatory.
    pub ready_by_record: bool,
    /// What is missing, longest first.
    pub missing: Vec<MissingRecord>,
    /// What stands against its use whatever was recorded, longest first.
    pub standing: Vec<StandingObstacle>,
}

/// What the record of a piece of equipment lacks.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct EquipmentReadiness {
    /// The piece of equipment.
    pub equipment_id: Uuid,
    /// The instant the answer is for.
    pub as_of: DateTime<Utc>,
    /// Nothing that blocks is missing from the records, and nothing stands against the equipment.
    pub ready_by_record: bool,
    /// What is missing, longest first.
    pub missing: Vec<MissingRecord>,
    /// What stands against its use whatever was recorded, longest first.
    pub standing: Vec<StandingObstacle>,
    /// How the answer is to be read.
    pub notice: &'static str,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_readiness_board)).routes(routes!(get_equipment_readiness))
}

/// Read what the records of a clinic's operatories lack
///
/// Every operatory in one answer, for a board on the wall. It speaks about records only. The answer has a strong `ETag`;
/// ask again with `If-None-Match`, every few seconds if you like.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/readiness",
    operation_id = "get_readiness_board",
    tag = "Front desk",
    params(
        ("clinic_id" = Uuid, Path, description = "The clinic."),
        ("If-None-Match" = Option<String>, Header, description = "The tag of the answer you have.")
    ),
    responses(
        (
            status = 200,
            description = "What the records lack.",
            body = ReadinessBoard,
            headers(("ETag" = String, description = "The tag of this answer"))
        ),
        (status = 304, description = "You have this answer.")
    )
)]
async fn get_readiness_board(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    headers: HeaderMap,
) -> ApiResult<Response> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    find_reached(&mut tx, &caller, clinic_id).await?;
    let rows =
        store::clinics::subjects::list(&mut tx, caller.group_id, &[SubjectKind::Operatory], Some(&[clinic_id])).await?;
    let chairs: Vec<_> = rows.into_iter().map(|row| row.subject).collect();
    let found = readiness::of_all(&mut tx, caller.group_id, &chairs, caller.now).await?;
    let standing = found.iter().map(|readiness| readiness.standing.clone()).collect();
    let standing = readiness::with_next_steps(&mut tx, caller.group_id, standing).await?;
    tx.commit().await?;
    let operatories = chairs
        .into_iter()
        .zip(found.into_iter().zip(standing))
        .map(|(chair, (found, standing))| BoardOperatory {
            operatory_id: chair.id,
            name: chair.name,
            ready_by_record: found.is_ready(),
            missing: found.missing.into_iter().map(MissingRecord::from).collect(),
            standing,
        })
        .collect();
    let board = ReadinessBoard { clinic_id, operatories, notice: NOTICE };
    let body = serde_json::to_vec(&board).map_err(|error| {
        tracing::error!(%error, "a board cannot be written");
        ApiError::internal()
    })?;
    Ok(conditional::answer("application/json", body, &headers))
}

/// Read what the record of a piece of equipment lacks
///
/// As for an operatory: blocking routines without a record, and what stands against it, such as a quarantine without a
/// release. A load that is in quarantine does not stand against the machine it came from.
#[utoipa::path(
    get,
    path = "/v1/equipment/{equipment_id}/readiness",
    operation_id = "get_equipment_readiness",
    tag = "Front desk",
    params(("equipment_id" = Uuid, Path, description = "The piece of equipment.")),
    responses((status = 200, description = "What the record lacks.", body = EquipmentReadiness))
)]
async fn get_equipment_readiness(
    State(state): State<AppState>,
    caller: Caller,
    Path(equipment_id): Path<Uuid>,
) -> ApiResult<Json<EquipmentReadiness>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let machine = store::clinics::subjects::find(&mut tx, caller.group_id, equipment_id)
        .await?
        .filter(|subject| !matches!(subject.kind, SubjectKind::Clinic | SubjectKind::Operatory))
        .ok_or_else(|| ApiError::not_found("equipment"))?;
    caller.must_reach_subject(machine.clinic_id, machine.id, "equipment")?;
    let mut found = readiness::of_all(&mut tx, caller.group_id, std::slice::from_ref(&machine), caller.now).await?;
    let found = found.pop().ok_or_else(ApiError::internal)?;
    let standing = readiness::with_next_steps(&mut tx, caller.group_id, vec![found.standing.clone()]).await?;
    let standing = standing.into_iter().flatten().collect();
    tx.commit().await?;
    Ok(Json(EquipmentReadiness {
        equipment_id,
        as_of: caller.now,
        ready_by_record: found.is_ready(),
        missing: found.missing.into_iter().map(MissingRecord::from).collect(),
        standing,
        notice: EQUIPMENT_NOTICE,
    }))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let chair = readiness::example();
    let since = chair.as_of;
    let held = StandingObstacle {
        kind: StandingKind::Quarantine,
        id: Some(samples::QUARANTINE),
        action_id: Some(samples::ACTION),
        line: None,
        reason: "A spore test grew".to_owned(),
        since,
        solved_by: ReadinessSolver::ClinicLead,
        waits_for: Some(StandingStep {
            step: Some("stop".to_owned()),
            owner: StepOwner::Assistant,
            due_by: since + TimeDelta::hours(1),
        }),
    };
    let board = ReadinessBoard {
        clinic_id: samples::CLINIC,
        operatories: vec![BoardOperatory {
            operatory_id: chair.operatory_id,
            name: "Chair 1".to_owned(),
            ready_by_record: false,
            missing: chair.missing,
            standing: Vec::new(),
        }],
        notice: NOTICE,
    };
    let machine = EquipmentReadiness {
        equipment_id: samples::EQUIPMENT,
        as_of: since,
        ready_by_record: false,
        missing: Vec::new(),
        standing: vec![held],
        notice: EQUIPMENT_NOTICE,
    };
    vec![
        Example { operation_id: "get_readiness_board", part: Part::Response, value: json!(board) },
        Example { operation_id: "get_equipment_readiness", part: Part::Response, value: json!(machine) },
    ]
}
