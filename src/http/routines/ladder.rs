//! The group's ladder: whom lateness reaches.
//!
//! The rule of this file: there always is a ladder; a group that never set one has the practice default.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde_json::json;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use crate::domain::event::EventKind;
use crate::domain::ladder::Ladder;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{Change, EditQuery, Edited, created_or_ok, without_faults};
use crate::http::extract::{Body, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::ApiResult;
use crate::store;
use crate::store::routines::ladders::LadderVersion;

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(get_ladder, put_ladder))
}

/// Read the group's ladder
///
/// Every key of the group may read it. A group that never set one has the practice default.
#[utoipa::path(
    get,
    path = "/v1/ladder",
    operation_id = "get_ladder",
    tag = "Routines",
    responses((status = 200, description = "The ladder in force.", body = Ladder))
)]
async fn get_ladder(State(state): State<AppState>, caller: Caller) -> ApiResult<Json<Ladder>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let ladder = store::routines::ladders::current(&mut tx, caller.group_id).await?;
    tx.commit().await?;
    Ok(Json(ladder))
}

/// Set the group's ladder
///
/// Tasks that are planned from now on climb it; a task that was started keeps the rungs it was planned with.
#[utoipa::path(
    put,
    path = "/v1/ladder",
    operation_id = "put_ladder",
    tag = "Routines",
    params(EditQuery),
    request_body = Ladder,
    responses(
        (status = 200, description = "One was set before, and the ladder is now as sent.", body = Ladder),
        (status = 201, description = "The default was in force, and the ladder is now as sent.", body = Ladder)
    )
)]
async fn put_ladder(
    State(state): State<AppState>,
    caller: Caller,
    Query(edit): Query<EditQuery>,
    Body(ladder): Body<Ladder>,
) -> Edited<(StatusCode, Json<Ladder>)> {
    let faults = ladder.faults();
    let (mut change, ladder) = Change::begin(&state, &caller, edit, without_faults(ladder, faults)).await?;
    let before = store::routines::ladders::find_newest(change.db(), caller.group_id).await?;
    if before.as_ref().is_none_or(|b| b.ladder != ladder) {
        let version = before.as_ref().map_or(1, |b| b.version + 1);
        let next = LadderVersion { version, ladder: ladder.clone() };
        store::routines::ladders::append(change.db(), caller.group_id, &next, caller.now).await?;
        change.tell(EventKind::LadderChanged, None, &json!({ "version": version, "ladder": ladder })).await?;
        change.replan_group().await?;
    }
    change.commit().await?;
    Ok((created_or_ok(before.is_none()), Json(ladder)))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let ladder = json!(Ladder::default());
    vec![
        Example { operation_id: "get_ladder", part: Part::Response, value: ladder.clone() },
        Example { operation_id: "put_ladder", part: Part::Request, value: ladder.clone() },
        Example { operation_id: "put_ladder", part: Part::Response, value: ladder },
    ]
}
