//! Limits beside those of a routine: the group's, those of a maker's instructions, and a clinic's own.
//!
//! The rule of this file: nobody's limit hides another's. Whoever is nearest to the work decides
//! ([`crate::domain::limit_order`]); a stricter one that is law stays in sight. A limit is never taken away: it ends by
//! its last day, and what was judged by it keeps it.

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::colony_count::CFU_PER_ML;
use crate::domain::event::EventKind;
use crate::domain::fault::{Fault, check_text};
use crate::domain::limit::{Limit, Operator, Seen, SetBy, Source};
use crate::domain::step;
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{Change, EditQuery, Edited, created_or_ok, must_have_room, without_faults};
use crate::http::extract::{Body, Path, Query};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store;
use crate::store::routines::own_limits::OwnLimits;

/// Most sets of limits beside one step's own.
const MOST_OF_STEP: i64 = 2000;

/// Limits as they are set for one step of a routine.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OwnLimitsInput {
    /// The clinic they hold for; left out: the whole group.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub clinic_id: Option<Uuid>,
    /// The routine; fixed once it is set, as are clinic and step.
    pub routine_id: Uuid,
    /// The step's key.
    #[schema(example = "count")]
    pub step: String,
    /// The limits, each with `set_by` of `group`, `maker` or, for one clinic, `clinic`; each ends by its own
    /// `effective_until`.
    #[schema(min_items = 1, max_items = 20)]
    pub limits: Vec<Limit>,
    /// Why they are set.
    #[schema(min_length = 1, max_length = 400)]
    pub reason: String,
}

impl OwnLimitsInput {
    fn check(self, own_limit_id: Uuid) -> Result<OwnLimits, Vec<Fault>> {
        let mut faults = Vec::new();
        check_text(&mut faults, "/reason", &self.reason, 400);
        if self.limits.is_empty() {
            faults.push(Fault::new("/limits", "must have at least one; to end a limit, give it its last day"));
        }
        for (i, limit) in self.limits.iter().enumerate() {
            let rule = match (limit.set_by, self.clinic_id) {
                (SetBy::Default, _) => "must be group, maker or clinic: published limits stand in the routine",
                (SetBy::Clinic, None) => "must be group or maker where no clinic is named",
                _ => continue,
            };
            faults.push(Fault::new(format!("/limits/{i}/set_by"), rule));
        }
        let Self { clinic_id, routine_id, step: step_key, limits, reason } = self;
        without_faults(OwnLimits { own_limit_id, clinic_id, routine_id, step_key, limits, reason }, faults)
    }
}

/// Limits beside those of a routine.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct OwnLimitsDocument {
    /// Their identity.
    pub own_limit_id: Uuid,
    /// The clinic they hold for; null: the whole group.
    #[schema(required)]
    pub clinic_id: Option<Uuid>,
    /// The routine.
    pub routine_id: Uuid,
    /// The step's key.
    pub step: String,
    /// The limits.
    pub limits: Vec<Limit>,
    /// Why they are set.
    pub reason: String,
}

impl From<OwnLimits> for OwnLimitsDocument {
    fn from(own: OwnLimits) -> Self {
        let OwnLimits { own_limit_id, clinic_id, routine_id, step_key, limits, reason } = own;
        Self { own_limit_id, clinic_id, routine_id, step: step_key, limits, reason }
    }
}

/// The limits that are set beside those of routines.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
pub struct OwnLimitsList {
    /// By routine and step, the group's before a clinic's; those within the key's reach.
    pub items: Vec<OwnLimitsDocument>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(list_own_limits)).routes(routes!(put_own_limits))
}

/// List the additional limits of the group, makers and clinics
#[utoipa::path(
    get,
    path = "/v1/own-limits",
    operation_id = "list_own_limits",
    tag = "Routines",
    responses((status = 200, description = "The limits within the key's reach.", body = OwnLimitsList))
)]
async fn list_own_limits(State(state): State<AppState>, caller: Caller) -> ApiResult<Json<OwnLimitsList>> {
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let mut all = store::routines::own_limits::list(&mut tx, caller.group_id).await?;
    tx.commit().await?;
    all.retain(|own| own.clinic_id.is_none_or(|clinic_id| caller.reach.covers_clinic(clinic_id)));
    Ok(Json(OwnLimitsList { items: all.into_iter().map(OwnLimitsDocument::from).collect() }))
}

/// Set additional limits for a routine's step
///
/// Maker and clinic come before the group, the group before what is published; between maker and clinic the stricter one
/// decides. A stricter limit that is law is shown beside whatever decides. The id is made by the client, so a repeat is
/// harmless. What was recorded keeps the limits it was judged by.
#[utoipa::path(
    put,
    path = "/v1/own-limits/{own_limit_id}",
    operation_id = "put_own_limits",
    tag = "Routines",
    params(("own_limit_id" = Uuid, Path, description = "The limits."), EditQuery),
    request_body = OwnLimitsInput,
    responses(
        (status = 200, description = "They stood before, and are now as sent.", body = OwnLimitsDocument),
        (status = 201, description = "They were set.", body = OwnLimitsDocument)
    )
)]
async fn put_own_limits(
    State(state): State<AppState>,
    caller: Caller,
    Path(own_limit_id): Path<Uuid>,
    Query(edit): Query<EditQuery>,
    Body(input): Body<OwnLimitsInput>,
) -> Edited<(StatusCode, Json<OwnLimitsDocument>)> {
    let (mut change, own) = Change::begin(&state, &caller, edit, input.check(own_limit_id)).await?;
    let before = store::routines::own_limits::find(change.db(), caller.group_id, own_limit_id).await?;
    if let Some(before) = &before {
        let of = |own: &OwnLimits| (own.clinic_id, own.routine_id, own.step_key.clone());
        if of(before) != of(&own) {
            return Err(ApiError::conflict(
                "limits-are-of-another-step",
                "The id names limits of another step",
                "clinic, routine and step of limits are fixed; make a new id",
            )
            .into());
        }
    }
    check_place(&mut change, &caller, &own).await?;
    if before.is_none() {
        let standing =
            store::routines::own_limits::count_of_step(change.db(), caller.group_id, own.routine_id, &own.step_key)
                .await?;
        must_have_room(standing, MOST_OF_STEP, "sets of limits beside one step's own")?;
    }
    let document = OwnLimitsDocument::from(own.clone());
    if before.as_ref() != Some(&own) {
        store::routines::own_limits::save(change.db(), caller.group_id, &own, caller.now).await?;
        change.tell(EventKind::LimitsChanged, own.clinic_id, &json!(document)).await?;
    }
    change.commit().await?;
    Ok((created_or_ok(before.is_none()), Json(document)))
}

/// The clinic and the step must be there, and the limits in the step's unit.
async fn check_place(change: &mut Change<'_>, caller: &Caller, own: &OwnLimits) -> ApiResult<()> {
    let mut faults = Vec::new();
    if let Some(clinic_id) = own.clinic_id
        && store::clinics::find(change.db(), caller.group_id, clinic_id).await?.is_none()
    {
        faults.push(Fault::new("/clinic_id", "names no clinic of this group"));
    }
    let version = store::routines::find_newest(change.db(), caller.group_id, own.routine_id).await?;
    let steps = version.as_ref().map(|version| version.routine.steps.as_slice()).unwrap_or_default();
    let step = steps.iter().find(|step| step.key == own.step_key);
    match step.map(|step| step.evidence.limit_unit()) {
        None if version.is_none() => faults.push(Fault::new("/routine_id", "names no routine of this group")),
        None => faults.push(Fault::new("/step", "names no step of this routine")),
        Some(None) => faults.push(Fault::new("/step", "names a step that takes no limits")),
        Some(Some(unit)) => {
            faults.extend(step::limit_faults(&own.limits, unit).into_iter().map(|f| f.under("/limits")));
        }
    }
    if faults.is_empty() { Ok(()) } else { Err(ApiError::rules_broken(faults)) }
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    let source = Source {
        title: "Instructions of the unit's maker".to_owned(),
        edition: "3".to_owned(),
        locator: "water quality".to_owned(),
        seen: Seen::ClinicConfirmed,
    };
    let limit = Limit {
        operator: Operator::Le,
        value: 200.into(),
        unit: CFU_PER_ML.to_owned(),
        source,
        effective_from: Some(samples::day()),
        effective_until: None,
        set_by: SetBy::Maker,
        jurisdiction: String::new(),
        legal: false,
    };
    let input = OwnLimitsInput {
        clinic_id: Some(samples::CLINIC),
        routine_id: samples::ROUTINE,
        step: "count".to_owned(),
        limits: vec![limit],
        reason: "The new units are held to their maker's figure.".to_owned(),
    };
    let own = input.clone().check(samples::OWN_LIMIT);
    let document = own.map(OwnLimitsDocument::from).expect("the example breaks no rule");
    let list = OwnLimitsList { items: vec![document.clone()] };
    vec![
        Example { operation_id: "list_own_limits", part: Part::Response, value: json!(list) },
        Example { operation_id: "put_own_limits", part: Part::Request, value: json!(input) },
        Example { operation_id: "put_own_limits", part: Part::Response, value: json!(document) },
    ]
}
