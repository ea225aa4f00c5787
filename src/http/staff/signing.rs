//! Who signs a release, a closing or a clinic day.
//!
//! The rule of this file: a signature is a named person's, given with a PIN of their own ([`super::signature`]); what that
//! person must be is said here, once, for every act of these resources.

use serde_json::{Value, json};
use uuid::Uuid;

use super::signature::{Needs, SignatureInput, Signer, verify};
use crate::domain::staff::{StaffRole, Work};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::problem::ApiResult;
use crate::http::samples;

/// The family of routines whose competence releases what is out of use.
const RELEASE: &str = "release";

/// Who may release: one who answers for the place or treats patients there, and is trained for it.
const MAY_RELEASE: [StaffRole; 3] = [StaffRole::Clinician, StaffRole::ClinicLead, StaffRole::GroupLead];

/// Who may close an action: one who can judge whether it was worked as it should be.
const MAY_CLOSE: [StaffRole; 3] = [StaffRole::Clinician, StaffRole::ClinicLead, StaffRole::GroupLead];

/// Those who answer for the place.
pub(in crate::http) const LEADS: [StaffRole; 2] = [StaffRole::ClinicLead, StaffRole::GroupLead];

/// Lets a person release what is out of use at a clinic. Call it before opening a transaction.
///
/// # Errors
/// As [`verify`].
pub(in crate::http) async fn verify_release(
    state: &AppState,
    caller: &Caller,
    signature: &SignatureInput,
    clinic_id: Uuid,
) -> ApiResult<Signer> {
    let competence = Work { family: Some(RELEASE), ..Work::default() };
    verify(state, caller, signature, clinic_id, &Needs { roles: &MAY_RELEASE, competence }).await
}

/// Lets a person close an action at a clinic. Call it before opening a transaction.
///
/// # Errors
/// As [`verify`].
pub(in crate::http) async fn verify_closing(
    state: &AppState,
    caller: &Caller,
    signature: &SignatureInput,
    clinic_id: Uuid,
) -> ApiResult<Signer> {
    verify(state, caller, signature, clinic_id, &Needs { roles: &MAY_CLOSE, competence: Work::default() }).await
}

/// Lets a lead sign for a clinic: its days, that a water advisory was lifted, what is kept and what goes. Call it before
/// opening a transaction.
///
/// # Errors
/// As [`verify`].
pub(in crate::http) async fn verify_lead(
    state: &AppState,
    caller: &Caller,
    signature: &SignatureInput,
    clinic_id: Uuid,
) -> ApiResult<Signer> {
    verify(state, caller, signature, clinic_id, &Needs { roles: &LEADS, competence: Work::default() }).await
}

/// A signature for the API's document, written by hand: a PIN is not shown as JSON.
pub(in crate::http) fn example() -> Value {
    json!({ "staff_id": samples::STAFF, "pin": "4711" })
}
