//! A person's PIN.
//!
//! The rule of this file: a PIN comes in and never goes out: no answer, event or log holds one. Whoever has forgotten
//! theirs asks an administrator for another, which also ends a lock.

use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::signature;
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::pin::Pin;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::must_configure;
use crate::http::extract::{Body, Path};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::store::staff::{self, pins};
use crate::store::{self, events};

/// A new PIN.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PinInput {
    /// The new PIN: 4 to 12 digits, neither one digit over and over nor a run.
    #[schema(value_type = String, pattern = "^[0-9]{4,12}$", example = "802613")]
    pub pin: Pin,
    /// The PIN it replaces: what lets a person change theirs on any key but a reader's. An administrator's key that
    /// reaches the group needs none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, pattern = "^[0-9]{4,12}$")]
    pub old_pin: Option<Pin>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(put_pin))
}

/// Set the PIN of a person
///
/// In place of any other, and ending a lock. A repeat is harmless for an administrator; a person who repeats it gives
/// the new one as the old.
#[utoipa::path(
    put,
    path = "/v1/staff/{staff_id}/pin",
    operation_id = "put_pin",
    tag = "Staff",
    params(("staff_id" = Uuid, Path, description = "The person.")),
    request_body = PinInput,
    responses((status = 204, description = "It is theirs."))
)]
async fn put_pin(
    State(state): State<AppState>,
    caller: Caller,
    Path(staff_id): Path<Uuid>,
    Body(input): Body<PinInput>,
) -> ApiResult<StatusCode> {
    caller.must_be(&[Role::Chairside, Role::FrontDesk, Role::Manager, Role::Administrator])?;
    if input.old_pin.is_none() {
        must_configure(&caller)?;
    }
    if let Some(fault) = input.pin.choice_fault("/pin") {
        return Err(ApiError::rules_broken(vec![fault]));
    }
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let person = staff::find(&mut tx, caller.group_id, staff_id).await?;
    tx.commit().await?;
    let person = person.ok_or_else(|| ApiError::not_found("person"))?;
    if let Some(old) = &input.old_pin {
        signature::check_pin(&state, &caller, staff_id, old, "/old_pin").await?;
    }
    let kept = signature::hash_new(input.pin).await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    pins::save(&mut tx, caller.group_id, staff_id, &kept, caller.now).await?;
    let body = json!({ "by_key_id": caller.key_id, "changed": { "pin_set_for_staff_id": person.staff_id } });
    events::append(&mut tx, caller.group_id, EventKind::StaffChanged, None, &body, caller.now).await?;
    tx.commit().await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    // Written by hand: a PIN is not shown as JSON.
    let input = json!({ "pin": "802613", "old_pin": "4711" });
    vec![Example { operation_id: "put_pin", part: Part::Request, value: input }]
}
