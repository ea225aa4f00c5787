//! Who signs a release or a closing.
//!
//! The rule of this file: a signature is a named person's, given with a PIN of their own on a device that is known; what
//! that person must be is said here, once, for every act of these resources.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::AppState;
use super::caller::Caller;
use super::problem::{ApiError, ApiResult};

/// A person's signature.
#[derive(Clone, Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SignatureInput {
    /// The person.
    pub staff_id: Uuid,
    /// Their PIN.
    #[schema(pattern = "^[0-9]{4,12}$")]
    pub pin: String,
}

/// Who signed.
pub(super) struct Signer {
    pub(super) staff_id: Uuid,
    pub(super) name: String,
    pub(super) initials: String,
}

/// A release: by a lead or a clinician who is trained for releases.
pub(super) async fn verify_release(_: &AppState, _: &Caller, _: &SignatureInput, _: Uuid) -> ApiResult<Signer> {
    Err(ApiError::forbidden("this build knows no staff, so nobody can sign"))
}

/// A closing: by a lead or a clinician.
pub(super) async fn verify_closing(_: &AppState, _: &Caller, _: &SignatureInput, _: Uuid) -> ApiResult<Signer> {
    Err(ApiError::forbidden("this build knows no staff, so nobody can sign"))
}

/// For the API's document.
pub(super) fn example() -> SignatureInput {
    SignatureInput { staff_id: Uuid::from_u128(0x0b6f_2c3e_5d0a_4c57_9a53_7f1e_2a90_c015), pin: "402917".to_owned() }
}
