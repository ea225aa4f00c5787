//! What is done when something of a kind fails.
//!
//! The rule of this file: there always is a chain of each kind. A group that set none has the one that is shipped, with
//! its sources; its own version, its makers' instructions and the local code come before that.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::domain::chain::{Chain, ChainKind, defaults};
use crate::domain::event::EventKind;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{Change, EditQuery, Edited, created_or_ok, must_have_room, without_faults};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::store;
use crate::store::corrective_actions::chains::{self, ChainVersion};

/// Most versions of one chain: far above what a practice edits in its life, so that a list of them is bounded.
const MOST_VERSIONS: i64 = 500;

/// The chain of a kind.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[schema(as = CorrectiveChainDocument)]
pub struct ChainDocument {
    /// What fails.
    pub kind: ChainKind,
    /// 1, 2, 3 …; 0: the chain that is shipped.
    #[schema(minimum = 0)]
    pub version: i32,
    /// Its content.
    pub chain: Chain,
}

impl From<ChainVersion> for ChainDocument {
    fn from(version: ChainVersion) -> Self {
        Self { kind: version.kind, version: version.version, chain: version.chain }
    }
}

/// The chains of a group.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[schema(as = CorrectiveChainList)]
pub struct ChainList {
    /// One for each kind.
    pub items: Vec<ChainDocument>,
}

/// The versions of a chain.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[schema(as = CorrectiveChainVersionList)]
pub struct ChainVersionList {
    /// The newest first; the shipped one last.
    pub items: Vec<ChainDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(list_corrective_chains))
        .routes(routes!(get_corrective_chain, put_corrective_chain))
        .routes(routes!(list_corrective_chain_versions))
}

/// The kind of a path, if there is one of that name.
fn read_kind(name: &str) -> ApiResult<ChainKind> {
    ChainKind::from_name(name).ok_or_else(|| ApiError::not_found("kind of corrective chain"))
}

/// List the corrective chains in force
///
/// One for each kind of failure; every key of the group may read them.
#[utoipa::path(get, path = "/v1/corrective-chains", operation_id = "list_corrective_chains", tag = "Corrective actions",
    responses((status = 200, description = "The chain in force of each kind.", body = ChainList)))]
async fn list_corrective_chains(State(state): State<AppState>, caller: Caller) -> ApiResult<Json<ChainList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let mut items = Vec::new();
    for kind in ChainKind::ALL {
        items.push(chains::current(&mut tx, caller.group_id, kind).await?.into());
    }
    tx.commit().await?;
    Ok(Json(ChainList { items }))
}

/// Read the corrective chain of a kind
#[utoipa::path(get, path = "/v1/corrective-chains/{kind}", operation_id = "get_corrective_chain", tag = "Corrective actions",
    params(("kind" = ChainKind, Path, description = "What fails")),
    responses((status = 200, description = "The chain in force.", body = ChainDocument)))]
async fn get_corrective_chain(
    State(state): State<AppState>,
    caller: Caller,
    Path(kind): Path<String>,
) -> ApiResult<Json<ChainDocument>> {
    let kind = read_kind(&kind)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let current = chains::current(&mut tx, caller.group_id, kind).await?;
    tx.commit().await?;
    Ok(Json(current.into()))
}

/// List every version of a corrective chain
#[utoipa::path(get, path = "/v1/corrective-chains/{kind}/versions", operation_id = "list_corrective_chain_versions",
    tag = "Corrective actions", params(("kind" = ChainKind, Path, description = "What fails")),
    responses((status = 200, description = "Its versions, the newest first.", body = ChainVersionList)))]
async fn list_corrective_chain_versions(
    State(state): State<AppState>,
    caller: Caller,
    Path(kind): Path<String>,
) -> ApiResult<Json<ChainVersionList>> {
    let kind = read_kind(&kind)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let versions = chains::list_versions(&mut tx, caller.group_id, kind, MOST_VERSIONS).await?;
    tx.commit().await?;
    let shipped = ChainVersion { kind, version: 0, chain: defaults::shipped(kind).clone() };
    Ok(Json(ChainVersionList { items: versions.into_iter().chain([shipped]).map(ChainDocument::from).collect() }))
}

/// Set a new version of a corrective chain
///
/// Actions that are opened from now on go by it; those that stand keep the steps they were opened with. A repeat changes
/// nothing.
#[utoipa::path(put, path = "/v1/corrective-chains/{kind}", operation_id = "put_corrective_chain", tag = "Corrective actions",
    params(("kind" = ChainKind, Path, description = "What fails"), EditQuery),
    request_body = Chain,
    responses(
        (status = 200, description = "The group had one of its own; this is the chain in force.", body = ChainDocument),
        (status = 201, description = "The shipped one was in force; this is the chain in force.", body = ChainDocument)
    ))]
async fn put_corrective_chain(
    State(state): State<AppState>,
    caller: Caller,
    Path(kind): Path<String>,
    Query(edit): Query<EditQuery>,
    Body(chain): Body<Chain>,
) -> Edited<(StatusCode, Json<ChainDocument>)> {
    let kind = read_kind(&kind)?;
    let faults = chain.faults();
    let (mut change, chain) = Change::begin(&state, &caller, edit, without_faults(chain, faults)).await?;
    let before = chains::current(change.db(), caller.group_id, kind).await?;
    if before.chain == chain && before.version > 0 {
        change.commit().await?;
        return Ok((StatusCode::OK, Json(before.into())));
    }
    must_have_room(before.version.into(), MOST_VERSIONS, "versions of a chain")?;
    for (i, step) in chain.steps.iter().enumerate() {
        let Some(routine_id) = step.evidence.names_routine() else { continue };
        if store::routines::find_newest(change.db(), caller.group_id, routine_id).await?.is_none() {
            let pointer = format!("/steps/{i}/evidence/routine_id");
            return Err(ApiError::rule_broken(pointer, "names no routine of this group").into());
        }
    }
    let next = ChainVersion { kind, version: before.version + 1, chain };
    chains::append(change.db(), caller.group_id, &next, caller.now).await?;
    let document = ChainDocument::from(next);
    change.tell(EventKind::CorrectiveChainChanged, None, &json!({ "corrective_chain": document })).await?;
    change.commit().await?;
    Ok((created_or_ok(before.version == 0), Json(document)))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let kind = ChainKind::FailedControlTest;
    let chain = defaults::shipped(kind).clone();
    let document = ChainDocument { kind, version: 0, chain: chain.clone() };
    let set = ChainDocument { version: 1, ..document.clone() };
    let list = ChainList { items: vec![document.clone()] };
    let versions = ChainVersionList { items: vec![set.clone(), document.clone()] };
    let example = |operation_id, part, value| Example { operation_id, part, value };
    vec![
        example("list_corrective_chains", Part::Response, json!(list)),
        example("get_corrective_chain", Part::Response, json!(document)),
        example("list_corrective_chain_versions", Part::Response, json!(versions)),
        example("put_corrective_chain", Part::Request, json!(chain)),
        example("put_corrective_chain", Part::Response, json!(set)),
    ]
}
