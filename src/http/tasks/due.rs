//! What is due, for a tablet: everything it needs to work offline, in one call.
//!
//! The rule of this file: the answer depends on nothing but the tasks and their states, so its `ETag` stays the same
//! until something really changed, and a tablet that polls gets 304.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use chrono::TimeDelta;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::TaskView;
use super::why::Telling;
use crate::domain::access::Role;
use crate::domain::cautions;
use crate::domain::reconcile::LONGEST_LOOK_AHEAD;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::conditional;
use crate::http::desk::find_operatory;
use crate::http::extract::{Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store::clinics::{self, subjects};
use crate::store::tasks::{self, Place};
use crate::store::{self, StoreError, completions};

const MAY_READ: [Role; 4] = [Role::Chairside, Role::Manager, Role::Reader, Role::Administrator];

/// The tablet's routes.
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_due_of_clinic)).routes(routes!(list_due_of_operatory))
}

/// How far ahead to look, and for what.
#[derive(Clone, Copy, Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct DueQuery {
    /// Also the tasks whose window opens within so many minutes; 0 to 2880, default 0. A tablet that will be offline
    /// asks for its whole shift.
    #[serde(default)]
    #[param(minimum = 0, maximum = 2880)]
    pub ahead_minutes: u32,
    /// Only the tasks of this routine.
    #[serde(default)]
    pub routine_id: Option<Uuid>,
}

/// Tasks that can be worked on, soonest due first.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct DueList {
    /// The clinic.
    pub clinic_id: Uuid,
    /// The tasks.
    pub tasks: Vec<TaskView>,
    /// How the list is to be read.
    pub cautions: Vec<String>,
}

/// List what is due in a clinic
///
/// Open tasks of the clinic, its operatories and its equipment whose window is open, and those that wait for a
/// result, each with steps, limits, cautions and deadlines. Send the `ETag` back as `If-None-Match` to get 304 while
/// nothing changed.
#[utoipa::path(get, path = "/v1/clinics/{clinic_id}/due", operation_id = "list_due_of_clinic", tag = "Chairside",
    params(("clinic_id" = Uuid, Path, description = "The clinic"), DueQuery,
           ("If-None-Match" = Option<String>, Header, description = "ETag of the answer the caller has")),
    responses((status = 200, body = DueList, description = "What is due, soonest first", headers(("ETag" = String))),
              (status = 304, description = "Unchanged")))]
async fn list_due_of_clinic(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Query(query): Query<DueQuery>,
    headers: HeaderMap,
) -> ApiResult<Response> {
    caller.must_be(&MAY_READ)?;
    caller.must_reach_clinic(clinic_id)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    clinics::find(&mut tx, caller.group_id, clinic_id).await?.ok_or_else(|| ApiError::not_found("clinic"))?;
    let list = due_list(&mut tx, &caller, Place { clinic_id, subject_id: None }, query).await?;
    tx.commit().await?;
    Ok(conditional(&list, &headers))
}

/// List what is due in an operatory
///
/// As for a clinic, narrowed to one operatory.
#[utoipa::path(get, path = "/v1/operatories/{operatory_id}/due", operation_id = "list_due_of_operatory", tag = "Chairside",
    params(("operatory_id" = Uuid, Path, description = "The operatory"), DueQuery,
           ("If-None-Match" = Option<String>, Header, description = "ETag of the answer the caller has")),
    responses((status = 200, body = DueList, description = "What is due, soonest first", headers(("ETag" = String))),
              (status = 304, description = "Unchanged")))]
async fn list_due_of_operatory(
    State(state): State<AppState>,
    caller: Caller,
    Path(operatory_id): Path<Uuid>,
    Query(query): Query<DueQuery>,
    headers: HeaderMap,
) -> ApiResult<Response> {
    caller.must_be(&MAY_READ)?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let operatory = find_operatory(&mut tx, &caller, operatory_id).await?;
    let place = Place { clinic_id: operatory.clinic_id, subject_id: Some(operatory_id) };
    let list = due_list(&mut tx, &caller, place, query).await?;
    tx.commit().await?;
    Ok(conditional(&list, &headers))
}

async fn due_list(db: &mut sqlx::PgConnection, caller: &Caller, place: Place, query: DueQuery) -> ApiResult<DueList> {
    // What a tablet may have taken along, no later plan may remove.
    if TimeDelta::minutes(query.ahead_minutes.into()) > LONGEST_LOOK_AHEAD {
        return Err(ApiError::malformed("ahead_minutes must be from 0 to 2880"));
    }
    let until = caller.now + TimeDelta::minutes(query.ahead_minutes.into());
    let mut found = tasks::list_workable(db, caller.group_id, place, caller.now, until).await?;
    found.retain(|task| query.routine_id.is_none_or(|routine_id| task.routine_id == routine_id));
    let routines = tasks::list_routines(db, caller.group_id, &found).await?;
    let subjects: std::collections::BTreeMap<Uuid, _> = subjects::list_of_clinic(db, caller.group_id, place.clinic_id)
        .await?
        .into_iter()
        .map(|subject| (subject.id, subject))
        .collect();
    let ids: Vec<_> = found.iter().map(|task| task.id).collect();
    let holds = completions::list_holds(db, caller.group_id, &ids).await?;
    let told = Telling::load(db, caller.group_id, place.clinic_id, &found).await?;
    let mut views = Vec::with_capacity(found.len());
    for task in &found {
        // A subject that moved away since takes its open tasks off this clinic's list.
        let Some(subject) = subjects.get(&task.subject_id) else { continue };
        let routine = routines
            .get(&(task.routine_id, task.routine_version))
            .ok_or_else(|| StoreError::bad_row("task", task.id, "routine_version", task.routine_version))?;
        let holds = holds.get(&task.id.as_uuid()).into_iter().flatten();
        views.push(TaskView::of(task, routine, subject, holds, &told, caller.now));
    }
    Ok(DueList { clinic_id: place.clinic_id, tasks: views, cautions: list_cautions() })
}

fn list_cautions() -> Vec<String> {
    cautions::LISTS.map(str::to_owned).to_vec()
}

fn conditional(list: &DueList, headers: &HeaderMap) -> Response {
    conditional::answer("application/json", serde_json::to_vec(list).unwrap_or_default(), headers)
}

/// Examples for the API document.
pub fn examples() -> Vec<Example> {
    let value = serde_json::json!(DueList {
        clinic_id: samples::CLINIC,
        tasks: vec![samples::task()],
        cautions: list_cautions(),
    });
    ["list_due_of_clinic", "list_due_of_operatory"]
        .map(|operation_id| Example { operation_id, part: Part::Response, value: value.clone() })
        .into()
}
