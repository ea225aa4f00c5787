//! Proofs: that a record is as it was sealed, and that a chain was only added to.
//!
//! The rule of this file: nothing is served that would not check. What cannot be proved is refused with the reason.

use axum::Json;
use axum::extract::State;
use serde::Deserialize;
use serde_json::json;
use sqlx::PgConnection;
use utoipa::IntoParams;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::{MAY_READ, find_chain};
use crate::domain::retention::purge::Purge;
use crate::domain::seal::proof::{ConsistencyProof, Proof, RecordProof};
use crate::domain::seal::record::{Record, RecordName, instant_text, leaves};
use crate::domain::seal::{DaySeal, tree::TreeHash};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::{Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult, Problem};
use crate::http::samples;
use crate::store::retention::purges;
use crate::store::{self, seals};

/// Which record to prove.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct RecordProofQuery {
    /// Kind of evidence: `completion`, `step_result`, `hold_mark`, `day_mark`, `seating_mark`, `cycle_mark`,
    /// `site_event` or `site_event_withdrawal`; more may come.
    #[param(example = "completion", max_length = 40)]
    pub kind: String,
    /// Its id within the kind: the id it has in this API; of a step result the completion's and the step's, of a mark
    /// of a hold or a day the hold's or the clinic day and `start` or `end`, joined by `/`.
    #[param(example = "0b6f2c3e-5d0a-4c57-9a53-7f1e2a90c005", max_length = 200)]
    pub record_id: String,
    /// Lead to the head of the chain with so many seals; to the newest when not given.
    #[param(minimum = 1, maximum = 2_147_483_647)]
    pub size: Option<usize>,
}

/// From which state of a chain to which.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ConsistencyQuery {
    /// Size of the head that was kept.
    #[param(minimum = 1, maximum = 2_147_483_647)]
    pub old_size: usize,
    /// Lead to the head of the chain with so many seals; to the newest when not given.
    #[param(minimum = 1, maximum = 2_147_483_647)]
    pub size: Option<usize>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_record_proof)).routes(routes!(get_consistency_proof))
}

/// Prove that a record is as it was sealed
///
/// The record with all that was hashed of it, and the hashes that lead from it through its day's seal to a head of the
/// clinic's chain. The answer as it stands is a file that `chairtide proof check` and `seed-demo/check_proof.py` check
/// without this service; it is worth as much as the head it leads to, so compare that with one that was kept.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/record-proof",
    operation_id = "get_record_proof",
    tag = "Seals",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), RecordProofQuery),
    responses(
        (status = 200, description = "The proof.", body = Proof),
        (status = 409, description = "Its day is not sealed yet (`not-sealed-yet`), it was purged (`record-purged`), or it is not as it was sealed (`not-as-sealed`).", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The chain never had that size, or the record was sealed later.", body = Problem, content_type = "application/problem+json")
    )
)]
async fn get_record_proof(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<RecordProofQuery>,
) -> ApiResult<Json<Proof>> {
    caller.must_be(&MAY_READ)?;
    let name = RecordName { kind: query.kind, id: query.record_id };
    // No text of ours holds it, and Postgres takes none that does.
    if name.kind.contains('\0') || name.id.contains('\0') {
        return Err(ApiError::not_found("record of this clinic"));
    }
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    crate::http::clinics::find_reached(&mut tx, &caller, clinic_id).await?;
    let Some(day) = seals::find_sealed_day(&mut tx, caller.group_id, clinic_id, &name).await? else {
        return Err(not_sealed(&mut tx, &caller, clinic_id, &name).await?);
    };
    let (all, chain) = find_chain(&mut tx, &caller, clinic_id, query.size).await?;
    let seal = all.into_iter().find(|seal| seal.clinic_day == day).ok_or_else(not_as_sealed)?;
    if seal.number >= chain.len() {
        return Err(ApiError::rule_broken("/size", format!("must be more than {}: it was sealed later", seal.number)));
    }
    let proof = prove(&mut tx, &caller, clinic_id, &name, seal, chain).await?;
    tx.commit().await?;
    Ok(Json(Proof::Record(proof)))
}

async fn prove(
    db: &mut PgConnection,
    caller: &Caller,
    clinic_id: Uuid,
    name: &RecordName,
    seal: DaySeal,
    chain: Vec<TreeHash>,
) -> ApiResult<RecordProof> {
    let span = (Some(seal.recorded_from), seal.recorded_until);
    let rows = seals::records::list(db, caller.group_id, clinic_id, span.0, span.1).await?;
    let record = rows.into_iter().map(|(_, record)| record).find(|record| record.name() == *name);
    let Some(record) = record else {
        let purge = purges::find_of_record(db, caller.group_id, clinic_id, seal.clinic_day, name).await?;
        return Err(purge.map_or_else(not_as_sealed, |purge| purged(&purge)));
    };
    let days = (seal.clinic_day, seal.clinic_day);
    let sealed = seals::list_leaves(db, caller.group_id, clinic_id, days).await?.remove(&seal.clinic_day);
    RecordProof::new(record, &sealed.unwrap_or_default(), seal, &chain).map_err(|_| not_as_sealed())
}

fn purged(purge: &Purge) -> ApiError {
    let Purge { purge_id, purged_on, purged_by, .. } = purge;
    let detail =
        format!("{purged_by} purged it on {purged_on} (purge {purge_id}); the seal of its day holds its hash still");
    ApiError::conflict("record-purged", "The record was purged", detail)
}

fn not_as_sealed() -> ApiError {
    ApiError::conflict(
        "not-as-sealed",
        "The record is not as it was sealed",
        "the record, its seal or the leaves between were changed or removed since; the verification of its clinic day \
         names what differs",
    )
}

/// What to say of a record that no seal has: it is still to be sealed, or there is none.
async fn not_sealed(db: &mut PgConnection, caller: &Caller, clinic_id: Uuid, name: &RecordName) -> ApiResult<ApiError> {
    let unknown = || ApiError::not_found("record of this clinic");
    let Some(progress) = seals::find_progress(db, caller.group_id, clinic_id).await? else { return Ok(unknown()) };
    // Another instance's clock may be ahead of ours.
    let until = caller.now + chrono::TimeDelta::hours(1);
    let rows = seals::records::list(db, caller.group_id, clinic_id, Some(progress.sealed_until), until).await?;
    if !rows.iter().any(|(_, record)| record.name() == *name) {
        return Ok(unknown());
    }
    let due_at = instant_text(progress.seal_due_at.max(caller.now));
    let detail = format!("the clinic day it was recorded on will be sealed, from {due_at} on");
    Ok(ApiError::conflict("not-sealed-yet", "The record is not sealed yet", detail))
}

/// Prove that a chain of seals was only added to
///
/// The hashes that lead from a head that was kept to a later one of the same chain: nothing that was sealed before was
/// changed or removed. Checked as a record's proof is.
#[utoipa::path(
    get,
    path = "/v1/clinics/{clinic_id}/consistency-proof",
    operation_id = "get_consistency_proof",
    tag = "Seals",
    params(("clinic_id" = Uuid, Path, description = "The clinic."), ConsistencyQuery),
    responses(
        (status = 200, description = "The proof.", body = Proof),
        (status = 422, description = "The chain never had such a size.", body = Problem, content_type = "application/problem+json")
    )
)]
async fn get_consistency_proof(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<ConsistencyQuery>,
) -> ApiResult<Json<Proof>> {
    caller.must_be(&MAY_READ)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let (_, chain) = find_chain(&mut tx, &caller, clinic_id, query.size).await?;
    tx.commit().await?;
    let proof = ConsistencyProof::new(caller.group_id, clinic_id, &chain, query.old_size)
        .map_err(|_| ApiError::rule_broken("/old_size", format!("must be from 1 to {}", chain.len())))?;
    Ok(Json(Proof::Consistency(proof)))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let (record, seal): (Record, DaySeal) = samples::sealed();
    let chain = [seal.leaf()];
    let (group_id, clinic_id) = (seal.group_id, seal.clinic_id);
    let record =
        leaves(std::slice::from_ref(&record)).ok().map(|leaves| RecordProof::new(record, &leaves, seal, &chain));
    let record = record.and_then(Result::ok).map(Proof::Record);
    let consistency = ConsistencyProof::new(group_id, clinic_id, &chain, 1).ok().map(Proof::Consistency);
    let example = |operation_id, proof| Example { operation_id, part: Part::Response, value: json!(proof) };
    vec![example("get_record_proof", record), example("get_consistency_proof", consistency)]
}
