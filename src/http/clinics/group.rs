//! The group a key belongs to.
//!
//! The rule of this file: a key sees its own group and no other; there is no list of groups.

use axum::Json;
use axum::extract::State;
use serde::Serialize;
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::{Uuid, uuid};

use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::store;

/// The owner of several clinics.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, ToSchema)]
pub struct GroupDocument {
    /// Its identity; also part of every key.
    pub group_id: Uuid,
    /// Its name.
    pub name: String,
}

/// The routes of this resource.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_group))
}

/// Read the group the key belongs to
///
/// Every role may read it; a device can show whose key it holds.
#[utoipa::path(get, path = "/v1/group", operation_id = "get_group", tag = "Clinics",
    responses((status = 200, description = "The group", body = GroupDocument)))]
async fn get_group(State(state): State<AppState>, caller: Caller) -> ApiResult<Json<GroupDocument>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let group = store::groups::find(&mut tx, caller.group_id).await?.ok_or_else(|| ApiError::not_found("group"))?;
    tx.commit().await?;
    Ok(Json(GroupDocument { group_id: group.group_id, name: group.name }))
}

/// Examples for the API document.
#[must_use]
pub fn examples() -> Vec<Example> {
    let group = GroupDocument {
        group_id: uuid!("0198c0de-0000-7000-8000-000000000001"),
        name: "Saltmarrow Dental (invented)".to_owned(),
    };
    vec![Example { operation_id: "get_group", part: Part::Response, value: json!(group) }]
}
