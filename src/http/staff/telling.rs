//! Who tells of something that is kept: by initials, or by a signature of their own.
//!
//! The rule of this file: one of the two. Initials are kept as they were entered and say nothing of who held the device; a
//! signature says by identity who it was. A signature is checked in transactions of its own, so none may be open meanwhile.

use uuid::Uuid;

use super::signature::{Needs, SignatureInput, verify};
use crate::domain::fault::{Fault, check_text};
use crate::http::AppState;
use crate::http::caller::Caller;
use crate::http::problem::ApiResult;

/// Who is said to tell.
#[derive(Clone, Copy, Debug)]
pub(in crate::http) struct ToldBy<'a> {
    /// Where the initials stand in what was sent.
    pointer: &'static str,
    initials: Option<&'a str>,
    signature: Option<&'a SignatureInput>,
}

/// Who tells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::http) struct Teller {
    /// As it is kept: the initials that were entered, else those of whoever signed.
    pub(in crate::http) initials: String,
    /// The person who signed; `None`: nobody did.
    pub(in crate::http) staff_id: Option<Uuid>,
}

impl<'a> ToldBy<'a> {
    pub(in crate::http) fn new(
        pointer: &'static str,
        initials: Option<&'a String>,
        signature: Option<&'a SignatureInput>,
    ) -> Self {
        Self { pointer, initials: initials.map(String::as_str), signature }
    }

    /// Why it cannot be told who tells.
    pub(in crate::http) fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        match (self.initials, self.signature) {
            (Some(initials), None) => check_text(&mut faults, self.pointer, initials, 40),
            (None, Some(signature)) => faults.extend(signature.pin.fault("/signature/pin")),
            (None, None) => faults.push(Fault::new(self.pointer, "must say who it is, unless that person signs")),
            (Some(_), Some(_)) => faults.push(Fault::new(self.pointer, "must be left out where the person signs")),
        }
        faults
    }

    /// Whether what stands was told by the same: a repeat.
    pub(in crate::http) fn is_by(&self, initials: &str, staff_id: Option<Uuid>) -> bool {
        match self.signature {
            Some(signature) => staff_id == Some(signature.staff_id),
            None => staff_id.is_none() && self.initials == Some(initials),
        }
    }

    /// Who tells, once a signature is found to be that of somebody who works at the clinic.
    ///
    /// # Errors
    /// As [`verify`].
    pub(in crate::http) async fn teller(
        &self,
        state: &AppState,
        caller: &Caller,
        clinic_id: Uuid,
    ) -> ApiResult<Teller> {
        let Some(signature) = self.signature else {
            return Ok(Teller { initials: self.initials.unwrap_or_default().to_owned(), staff_id: None });
        };
        let signer = verify(state, caller, signature, clinic_id, &Needs::default()).await?;
        Ok(Teller { initials: signer.initials, staff_id: Some(signer.staff_id) })
    }
}
