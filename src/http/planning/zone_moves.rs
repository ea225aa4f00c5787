//! What new zone data moved.
//!
//! The rule of this file: it is read only; the planner writes it when a clinic is planned with other data than before.

use axum::extract::State;
use axum::response::Response;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::access::{Reach, Role};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::Query;
use crate::http::openapi::{Example, Part};
use crate::http::paging::{NewestFirst, linked};
use crate::http::problem::ApiResult;
use crate::http::samples;
use crate::store;
use crate::store::planning::zone_moves::ZoneMove;

/// A task whose instant is another since the clinic is planned with newer zone data.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ZoneMoveDocument {
    /// Where.
    pub clinic_id: Uuid,
    /// When the clinic was planned with the new data.
    pub moved_at: DateTime<Utc>,
    /// Which task.
    pub task_id: Uuid,
    /// Release of the zone data before.
    #[schema(example = "2025b")]
    pub from_release: String,
    /// Release of the zone data now.
    #[schema(example = "2026f")]
    pub to_release: String,
    /// The instant the task hung on before.
    pub anchor_before: DateTime<Utc>,
    /// The instant it hangs on now.
    pub anchor_after: DateTime<Utc>,
}

impl From<ZoneMove> for ZoneMoveDocument {
    fn from(moved: ZoneMove) -> Self {
        let ZoneMove { clinic_id, moved_at, task_id, from_release, to_release, anchor_before, anchor_after } = moved;
        Self { clinic_id, moved_at, task_id, from_release, to_release, anchor_before, anchor_after }
    }
}

/// One page of what new zone data moved.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct ZoneMovePage {
    /// The newest first.
    pub items: Vec<ZoneMoveDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_zone_moves))
}

/// List what new zone data moved, the newest first
///
/// Zone data change when governments change their clocks. When the service is upgraded to newer data, each clinic is
/// planned anew, and every task to come whose instant is another stands here. A `Link` field with `rel="next"` leads to
/// the next page.
#[utoipa::path(
    get,
    path = "/v1/zone-moves",
    operation_id = "list_zone_moves",
    tag = "Manager",
    params(NewestFirst),
    responses((
        status = 200,
        description = "One page of the moved tasks.",
        body = ZoneMovePage,
        headers(("Link" = String, description = "The next page, when there is one (RFC 8288)"))
    ))
)]
async fn list_zone_moves(
    State(state): State<AppState>,
    caller: Caller,
    Query(query): Query<NewestFirst>,
) -> ApiResult<Response> {
    caller.must_be(&[Role::Manager, Role::Reader, Role::Administrator])?;
    let (limit, place) = (query.limit()?, query.place()?);
    let reached = match &caller.reach {
        Reach::Group {} => None,
        Reach::Clinics { clinic_ids } => Some(clinic_ids.as_slice()),
        Reach::Operatory { .. } => Some(&[][..]),
    };
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    // One more than is shown tells whether there is a next page.
    let at_most = i64::from(limit) + 1;
    let mut rows = store::planning::zone_moves::list(&mut tx, caller.group_id, reached, place, at_most).await?;
    tx.commit().await?;
    let link = query.cut("/v1/zone-moves", &mut rows, limit, |moved| (moved.moved_at, moved.task_id));
    let page = ZoneMovePage { items: rows.into_iter().map(ZoneMoveDocument::from).collect() };
    Ok(linked(&page, link))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let moved = ZoneMoveDocument {
        clinic_id: samples::CLINIC,
        moved_at: samples::morning(3, 0),
        task_id: samples::TASK,
        from_release: "2025b".to_owned(),
        to_release: "2026f".to_owned(),
        anchor_before: samples::morning(8, 30),
        anchor_after: samples::morning(9, 30),
    };
    let page = ZoneMovePage { items: vec![moved] };
    vec![Example { operation_id: "list_zone_moves", part: Part::Response, value: json!(page) }]
}
