//! That a notice not to use mains water was lifted.
//!
//! The rule of this file: lifting is a named person's act, with a PIN of their own, and it lifts the notice and nothing
//! else: each unit that held mains water is out of use from then on, until it is flushed, disinfected and released.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::StatusCode;
use chrono::{DateTime, SubsecRound as _, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use super::documents::{count_fault, example};
use super::{WaterAdvisoryDocument, document, find, follow_up};
use crate::domain::access::Role;
use crate::domain::event::EventKind;
use crate::domain::evidence::CLOCK_TOLERANCE;
use crate::domain::fault::{check_optional_text, check_text};
use crate::domain::water_advisory::{Lifting, WaterAdvisory};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::configuration::{created_or_ok, without_faults};
use crate::http::extract::{Body, Path};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::http::staff::signature::{SignatureInput, Signer};
use crate::http::staff::signing;
use crate::store::{self, corrective_actions, events, planning, water_advisories};

const MAY_LIFT: [Role; 3] = [Role::Chairside, Role::Manager, Role::Administrator];

/// The lifting of a water advisory as it is signed.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = WaterAdvisoryLiftInput)]
pub struct LiftingInput {
    /// Made by the client, so that a repeat is harmless.
    pub lifting_id: Uuid,
    /// The clinics it is lifted in; left out: all within reach where it stands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_items = 1, max_items = 50)]
    pub clinic_ids: Option<Vec<Uuid>>,
    /// Number of the notice that lifts it.
    #[serde(default)]
    #[schema(max_length = 80, example = "9/26")]
    pub notice_number: String,
    /// On what grounds.
    #[schema(min_length = 1, max_length = 400, example = "Letter of the supplier")]
    pub reason: String,
    /// From when it applies no more, as that notice says; not in the future, and after its start.
    pub lifted_at: DateTime<Utc>,
    /// A lead, who signs for each of these clinics.
    pub signature: SignatureInput,
}

pub(super) fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(lift_water_advisory))
}

/// Record that a water advisory was lifted
///
/// Signed by a lead of each clinic with their PIN. Where no other advisory stands, every operatory that mains water feeds
/// is put in quarantine and gets a corrective action: flush, then disinfect, then its release by a named, trained person;
/// and the clinic gets one for taps, filters and reservoirs. A group can set chains of its own
/// (`lines_after_advisory`, `premises_after_advisory`).
#[utoipa::path(post, path = "/v1/water-advisories/{advisory_id}/lifting", operation_id = "lift_water_advisory",
    tag = "Water advisories",
    params(("advisory_id" = Uuid, Path, description = "The advisory")),
    request_body = LiftingInput,
    responses((status = 201, body = WaterAdvisoryDocument, description = "It is lifted"),
              (status = 200, body = WaterAdvisoryDocument, description = "It was lifted so already")))]
async fn lift_water_advisory(
    State(state): State<AppState>,
    caller: Caller,
    Path(advisory_id): Path<Uuid>,
    Body(input): Body<LiftingInput>,
) -> ApiResult<(StatusCode, Json<WaterAdvisoryDocument>)> {
    caller.must_be(&MAY_LIFT)?;
    let mut faults = Vec::new();
    check_optional_text(&mut faults, "/notice_number", &input.notice_number, 80);
    check_text(&mut faults, "/reason", &input.reason, 400);
    faults.extend(input.signature.pin.fault("/signature/pin"));
    faults.extend(count_fault(input.clinic_ids.as_deref()));
    without_faults((), faults).map_err(ApiError::rules_broken)?;
    // Looked at first without a lock: a PIN is checked in a transaction of its own, and none may stay open meanwhile.
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let found = find(&mut tx, &caller, advisory_id).await?;
    let wanted = wanted(&found, &input)?;
    check_time(&wanted, &input, caller.now)?;
    if wanted.is_empty() {
        let answer = document(&mut tx, &caller, found).await?;
        return Ok((StatusCode::OK, Json(answer)));
    }
    tx.commit().await?;
    let mut signers: BTreeMap<Uuid, Signer> = BTreeMap::new();
    for advisory in &wanted {
        let signer = signing::verify_lead(&state, &caller, &input.signature, advisory.clinic_id).await?;
        signers.insert(advisory.clinic_id, signer);
    }
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    // Whoever records work holds the plan first and the actions after it, and two must never wait for each other.
    for advisory in &wanted {
        planning::lock_clinic(&mut tx, caller.group_id, advisory.clinic_id).await?;
    }
    let mut created = false;
    for advisory in &wanted {
        let Some(signer) = signers.remove(&advisory.clinic_id) else { continue };
        created |= lift(&mut tx, &caller, advisory, &input, signer).await?;
    }
    let kept = find(&mut tx, &caller, advisory_id).await?;
    // Somebody else may have lifted it between the look and the lock.
    self::wanted(&kept, &input)?;
    let answer = document(&mut tx, &caller, kept).await?;
    tx.commit().await?;
    if created {
        state.wake_planner.notify_one();
    }
    Ok((created_or_ok(created), Json(answer)))
}

/// Where it is to be lifted and is not yet, by the clinics' ids.
fn wanted(found: &[WaterAdvisory], input: &LiftingInput) -> ApiResult<Vec<WaterAdvisory>> {
    let named = input.clinic_ids.as_deref();
    if let Some(i) = named.unwrap_or_default().iter().position(|id| !found.iter().any(|a| a.clinic_id == *id)) {
        return Err(ApiError::rule_broken(format!("/clinic_ids/{i}"), "names no clinic within reach that it concerns"));
    }
    let asked = found.iter().filter(|a| named.is_none_or(|ids| ids.contains(&a.clinic_id)));
    let mut wanted = Vec::new();
    let mut lifted_so = false;
    let mut lifted_otherwise = None;
    for advisory in asked {
        match &advisory.lifting {
            None => wanted.push(advisory.clone()),
            Some(lifting) if says(input, lifting) => lifted_so = true,
            Some(lifting) => lifted_otherwise = Some(lifting),
        }
    }
    match lifted_otherwise {
        // Without a list it is about where it still stands.
        Some(lifting) if named.is_some() || (wanted.is_empty() && !lifted_so) => {
            let detail = format!("{} recorded that at {}; it is never changed", lifting.lifted_by, lifting.recorded_at);
            Err(ApiError::conflict("advisory-lifted", "It is lifted already", detail))
        }
        _ => Ok(wanted),
    }
}

fn says(input: &LiftingInput, lifting: &Lifting) -> bool {
    lifting.lifting_id == input.lifting_id
        && lifting.notice_number == input.notice_number
        && lifting.reason == input.reason
        && lifting.lifted_at == input.lifted_at.trunc_subsecs(6)
        && lifting.staff_id == input.signature.staff_id
}

fn check_time(wanted: &[WaterAdvisory], input: &LiftingInput, now: DateTime<Utc>) -> ApiResult<()> {
    if input.lifted_at > now + CLOCK_TOLERANCE {
        return Err(ApiError::rule_broken("/lifted_at", "lies in the future; record it when it is lifted"));
    }
    if let Some(advisory) = wanted.iter().find(|a| input.lifted_at <= a.started_at) {
        let rule = format!("must lie after its start at {}", advisory.started_at);
        return Err(ApiError::rule_broken("/lifted_at", rule));
    }
    Ok(())
}

async fn lift(
    db: &mut PgConnection,
    caller: &Caller,
    advisory: &WaterAdvisory,
    input: &LiftingInput,
    signer: Signer,
) -> ApiResult<bool> {
    let clinic_id = advisory.clinic_id;
    corrective_actions::lock_subject(&mut *db, caller.group_id, (clinic_id, clinic_id), caller.now).await?;
    let lifting = Lifting {
        lifting_id: input.lifting_id,
        notice_number: input.notice_number.clone(),
        reason: input.reason.clone(),
        lifted_at: input.lifted_at.trunc_subsecs(6),
        recorded_at: caller.now,
        staff_id: signer.staff_id,
        lifted_by: signer.name,
        key_id: caller.key_id,
    };
    let place = (advisory.advisory_id, clinic_id);
    if !water_advisories::insert_lifting(&mut *db, caller.group_id, place, &lifting).await? {
        return Ok(false);
    }
    let event = json!({
        "advisory_id": advisory.advisory_id, "lifting_id": lifting.lifting_id, "lifted_at": lifting.lifted_at,
        "notice_number": lifting.notice_number, "reason": lifting.reason, "by_staff_id": lifting.staff_id,
        "by_key_id": caller.key_id,
    });
    let kind = EventKind::WaterAdvisoryLifted;
    events::append(&mut *db, caller.group_id, kind, Some(clinic_id), &event, caller.now).await?;
    follow_up::after_lifting(db, caller, advisory, &lifting).await?;
    Ok(true)
}

pub(super) fn examples() -> Vec<Example> {
    let request = json!({
        "lifting_id": samples::LIFTING, "notice_number": "9/26", "reason": "Letter of the supplier",
        "lifted_at": samples::morning(8, 0), "signature": signing::example(),
    });
    vec![
        Example { operation_id: "lift_water_advisory", part: Part::Request, value: request },
        Example { operation_id: "lift_water_advisory", part: Part::Response, value: json!(example()) },
    ]
}
