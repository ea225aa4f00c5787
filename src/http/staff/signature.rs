//! A named person signs for an action on a shared device, with their PIN.
//!
//! The rule of this file: a PIN is looked at in transactions of its own, before the caller opens one: what was tried
//! must stay counted when the caller's work is rolled back, and a hash must not hold a connection. A right PIN of
//! somebody who may not sign here is refused in words that say what is missing.

use std::collections::BTreeSet;

use axum::Json;
use axum::extract::State;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use sqlx::PgConnection;
use tokio::sync::Semaphore;
use utoipa::ToSchema;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;
use uuid::Uuid;

use crate::domain::access::{Reach, Role};
use crate::domain::corrective_action::Signing;
use crate::domain::fault::Fault;
use crate::domain::pin::{Cost, Pin, PinHash};
use crate::domain::staff::{StaffMember, StaffRole, Standing, Work, is_family_key, standing};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::extract::{Body, Path};
use crate::http::openapi::{Example, Part};
use crate::http::problem::{ApiError, ApiResult};
use crate::http::samples;
use crate::store;
use crate::store::clinics::{self, subjects};
use crate::store::staff;
use crate::store::staff::pins::{self, Try};

/// Hashes at work at once: each takes 19 MiB and a core, and the rest of the service wants some too.
static HASHING: Semaphore = Semaphore::const_new(2);

/// Who signs, with their PIN.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SignatureInput {
    /// The person.
    pub staff_id: Uuid,
    /// Their PIN. It is compared and never kept.
    #[schema(value_type = String, pattern = "^[0-9]{4,12}$", example = "4711")]
    pub pin: Pin,
}

/// Who may sign.
#[derive(Clone, Copy, Debug, Default)]
pub(in crate::http) struct Needs<'a> {
    /// One of these; empty: whoever works at the clinic.
    pub(super) roles: &'a [StaffRole],
    /// A competence for this work, by routine or family; naming neither asks for none.
    pub(in crate::http) competence: Work<'a>,
}

/// A person who has signed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Signer {
    /// Their identity.
    pub staff_id: Uuid,
    /// Their name.
    pub name: String,
    /// What completions name them by.
    pub initials: String,
    /// What they do.
    pub role: StaffRole,
}

impl Signer {
    /// The person, as those who had a hand in an action are held against them.
    pub(in crate::http) fn signing(&self) -> Signing<'_> {
        Signing { staff_id: self.staff_id, name: &self.name, initials: &self.initials }
    }
}

impl From<StaffMember> for Signer {
    fn from(person: StaffMember) -> Self {
        Self { staff_id: person.staff_id, name: person.name, initials: person.initials, role: person.role }
    }
}

/// Checks that a person signed, and may sign at a clinic on the clinic day of `caller.now`.
///
/// Call it before opening a transaction: it opens its own. It does not ask whether the key reaches the clinic.
///
/// # Errors
/// 403 `signature-refused` when the person is unknown, the PIN is wrong, or something is missing; 404 when there is no
/// such clinic; 422 when it cannot be a PIN; 429 while the person's PIN is locked.
pub(in crate::http) async fn verify(
    state: &AppState,
    caller: &Caller,
    signature: &SignatureInput,
    clinic_id: Uuid,
    needs: &Needs<'_>,
) -> ApiResult<Signer> {
    check_pin(state, caller, signature.staff_id, &signature.pin, "/pin").await?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let person = find_signer(&mut tx, caller, signature.staff_id).await?;
    let day = clinic_day(&mut tx, caller, clinic_id).await?;
    let competences = staff::list_competences(&mut tx, caller.group_id, &[person.staff_id]).await?;
    tx.commit().await?;
    let held = competences.get(&person.staff_id).map(Vec::as_slice).unwrap_or_default();
    let refused = |missing: String| Err(ApiError::signature_refused(format!("{} {missing}", person.initials)));
    if !person.is_active_on(day) {
        return refused(format!("is not on the staff on {day}"));
    }
    if !person.works_at(clinic_id) {
        return refused("does not work at this clinic".to_owned());
    }
    if !needs.roles.is_empty() && !needs.roles.contains(&person.role) {
        let roles: Vec<_> = needs.roles.iter().map(|role| role.as_str()).collect();
        return refused(format!("is {}; this takes {}", person.role.as_str(), roles.join(" or ")));
    }
    if needs.competence != Work::default() {
        let what = needs.competence.family.map_or_else(|| "this routine".to_owned(), |family| format!("\"{family}\""));
        match standing(held, needs.competence, day) {
            Standing::Valid => {}
            Standing::ExpiredOn(last) => return refused(format!("had a competence for {what} that ended on {last}")),
            Standing::Missing => return refused(format!("has no competence for {what} on record")),
        }
    }
    Ok(person.into())
}

/// Checks a person's PIN alone, whatever they may do.
///
/// # Errors
/// As [`verify`].
pub(in crate::http) async fn check_pin(
    state: &AppState,
    caller: &Caller,
    staff_id: Uuid,
    pin: &Pin,
    pointer: &str,
) -> ApiResult<()> {
    if let Some(fault) = pin.fault(pointer) {
        return Err(ApiError::rules_broken(vec![fault]));
    }
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    let counted = pins::count_try(&mut tx, caller.group_id, staff_id, caller.now).await?;
    tx.commit().await?;
    let kept = match counted {
        Try::NoPin => return Err(wrong()),
        Try::LockedUntil(until) => return Err(ApiError::pin_locked(seconds_until(until, caller.now))),
        Try::Counted(kept) => kept,
    };
    let (is_right, kept) = compare(pin.clone(), kept).await?;
    if !is_right {
        return Err(wrong());
    }
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    pins::forget_tries(&mut tx, caller.group_id, staff_id, &kept).await?;
    tx.commit().await?;
    Ok(())
}

/// PINs that were right in one request. A batch in which one person signs for many pieces of work asks for one hash.
#[derive(Debug, Default)]
pub(in crate::http) struct RightPins(BTreeSet<(Uuid, Pin)>);

impl RightPins {
    /// As [`check_pin`], once for each person and PIN.
    ///
    /// # Errors
    /// As [`check_pin`].
    pub(in crate::http) async fn check(
        &mut self,
        state: &AppState,
        caller: &Caller,
        staff_id: Uuid,
        pin: &Pin,
    ) -> ApiResult<()> {
        let named = (staff_id, pin.clone());
        if !self.0.contains(&named) {
            check_pin(state, caller, staff_id, pin, "/pin").await?;
            self.0.insert(named);
        }
        Ok(())
    }
}

/// What is to be kept of a new PIN.
///
/// # Errors
/// 503 when the operating system has no randomness to give.
pub(super) async fn hash_new(pin: Pin) -> ApiResult<PinHash> {
    let mut salt = vec![0; 16];
    getrandom::fill(&mut salt).map_err(|_| ApiError::unavailable("no randomness for a salt"))?;
    hashing(move || {
        let hash = pin.hash(&salt, Cost::OF_NEW)?.to_vec();
        Ok(PinHash { salt, hash, cost: Cost::OF_NEW })
    })
    .await
}

async fn compare(pin: Pin, kept: PinHash) -> ApiResult<(bool, PinHash)> {
    hashing(move || pin.is_of(&kept).map(|is_right| (is_right, kept))).await
}

async fn hashing<T: Send + 'static>(work: impl FnOnce() -> argon2::Result<T> + Send + 'static) -> ApiResult<T> {
    let _turn = HASHING.acquire().await.map_err(|_| ApiError::internal())?;
    let done = tokio::task::spawn_blocking(work).await;
    match done {
        Ok(Ok(made)) => Ok(made),
        Ok(Err(error)) => {
            tracing::error!(%error, "a PIN cannot be hashed");
            Err(ApiError::internal())
        }
        Err(error) => {
            tracing::error!(%error, "hashing broke");
            Err(ApiError::internal())
        }
    }
}

/// The same for an unknown person, one without a PIN and a wrong one.
fn wrong() -> ApiError {
    ApiError::signature_refused("the person is unknown here, has no PIN, or the PIN is wrong")
}

fn seconds_until(until: DateTime<Utc>, now: DateTime<Utc>) -> i64 {
    // Whole seconds, and never one too few.
    ((until - now).num_milliseconds() + 999).div_euclid(1000).max(1)
}

async fn find_signer(db: &mut PgConnection, caller: &Caller, staff_id: Uuid) -> ApiResult<StaffMember> {
    staff::find(db, caller.group_id, staff_id).await?.ok_or_else(wrong)
}

/// Lets pass a key that reaches the clinic, or one operatory that stands in it: its tablet signs for what is done there.
async fn must_reach_place(db: &mut PgConnection, caller: &Caller, clinic_id: Uuid) -> ApiResult<()> {
    if let Reach::Operatory { operatory_id } = caller.reach {
        let operatory = subjects::find(db, caller.group_id, operatory_id).await?;
        let stands_here = operatory.is_some_and(|operatory| operatory.clinic_id == clinic_id);
        return if stands_here { Ok(()) } else { Err(ApiError::not_found("clinic")) };
    }
    caller.must_reach_clinic(clinic_id)?;
    clinics::find(db, caller.group_id, clinic_id).await?.map(drop).ok_or_else(|| ApiError::not_found("clinic"))
}

/// The clinic day at a clinic at the instant of the request.
///
/// # Errors
/// 404 when there is no such clinic.
pub(in crate::http) async fn clinic_day(
    db: &mut PgConnection,
    caller: &Caller,
    clinic_id: Uuid,
) -> ApiResult<NaiveDate> {
    let hours = clinics::hours(db, caller.group_id, clinic_id).await?;
    Ok(hours.ok_or_else(|| ApiError::not_found("clinic"))?.clinic_day_of(caller.now))
}

/// A signature to be checked, and what it must do for.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SignatureCheckInput {
    /// Who signs, with their PIN.
    pub signature: SignatureInput,
    /// The person must do one of these; left out: whatever they do.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 5)]
    pub roles: Vec<StaffRole>,
    /// The person must hold a competence for this routine, or for the family.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub routine_id: Option<Uuid>,
    /// The person must hold a competence for this family, or for the routine.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(pattern = "^[a-z][a-z0-9_-]{0,39}$", example = "release")]
    pub family: Option<String>,
}

/// Its routes.
#[must_use]
pub fn router() -> OpenApiRouter<AppState> {
    OpenApiRouter::new().routes(routes!(verify_signature))
}

/// Check whether a person may sign at a clinic
///
/// Today, by their PIN, role and competence: what every action that takes a signature asks again for itself. Nothing
/// is kept but the count of wrong PINs.
#[utoipa::path(
    post,
    path = "/v1/clinics/{clinic_id}/signature-checks",
    operation_id = "verify_signature",
    tag = "Staff",
    params(("clinic_id" = Uuid, Path, description = "The clinic.")),
    request_body = SignatureCheckInput,
    responses((status = 200, description = "They may; this is who they are.", body = Signer))
)]
async fn verify_signature(
    State(state): State<AppState>,
    caller: Caller,
    Path(clinic_id): Path<Uuid>,
    Body(input): Body<SignatureCheckInput>,
) -> ApiResult<Json<Signer>> {
    caller.must_be(&[Role::Chairside, Role::FrontDesk, Role::Manager, Role::Administrator])?;
    let mut tx = store::begin(&state.pool, caller.group_id).await?;
    must_reach_place(&mut tx, &caller, clinic_id).await?;
    tx.commit().await?;
    let mut faults = Vec::new();
    if input.roles.len() > StaffRole::ALL.len() {
        faults.push(Fault::new("/roles", "must name at most 5"));
    }
    if input.family.as_deref().is_some_and(|family| !is_family_key(family)) {
        faults.push(Fault::new("/family", "must be a lower-case key of at most 40 letters, digits, _ or -"));
    }
    faults.extend(input.signature.pin.fault("/signature/pin"));
    if !faults.is_empty() {
        return Err(ApiError::rules_broken(faults));
    }
    let work = Work { routine_id: input.routine_id, family: input.family.as_deref(), has_competences: false };
    let needs = Needs { roles: &input.roles, competence: work };
    Ok(Json(verify(&state, &caller, &input.signature, clinic_id, &needs).await?))
}

/// Examples for the API's document.
pub(in crate::http) fn examples() -> Vec<Example> {
    // Written by hand: a PIN is not shown as JSON.
    let input = json!({ "signature": { "staff_id": samples::STAFF, "pin": "4711" }, "family": "release" });
    let signer = Signer {
        staff_id: samples::STAFF,
        name: "Kit Vale".to_owned(),
        initials: "KV".to_owned(),
        role: StaffRole::Assistant,
    };
    vec![
        Example { operation_id: "verify_signature", part: Part::Request, value: input },
        Example { operation_id: "verify_signature", part: Part::Response, value: json!(signer) },
    ]
}
