//! Legal holds: what a named person said must not go, whatever its age.
//!
//! The rule of this file: in doubt a hold keeps. What tells no subject is kept by a hold on any; what happened and what
//! followed is kept by a hold on any class.

use chrono::{DateTime, NaiveDate, Utc};
use uuid::Uuid;

use super::RecordClass;

/// A legal hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LegalHold {
    /// Made by the client.
    pub legal_hold_id: Uuid,
    /// Whose records it keeps.
    pub clinic_id: Uuid,
    /// Only these; `None`: of every class.
    pub record_class: Option<RecordClass>,
    /// Only what is about this; `None`: whatever it is about.
    pub subject_id: Option<Uuid>,
    /// First clinic day of the seals it keeps; `None`: from the first.
    pub from_on: Option<NaiveDate>,
    /// Last one; `None`: also what is still to come.
    pub until_on: Option<NaiveDate>,
    /// Why.
    pub reason: String,
    /// Who began it.
    pub staff_id: Uuid,
    /// That person's name as it was then.
    pub begun_by: String,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// The device it was signed on.
    pub key_id: Uuid,
    /// What ended it; `None`: it stands.
    pub lift: Option<Lift>,
}

/// The act that ends a hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lift {
    /// Made by the client.
    pub lift_id: Uuid,
    /// Why.
    pub reason: String,
    /// Who lifted it.
    pub staff_id: Uuid,
    /// That person's name as it was then.
    pub lifted_by: String,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// The device it was signed on.
    pub key_id: Uuid,
}

impl LegalHold {
    /// Whether it stands and keeps a record of a class and a subject that was sealed with a clinic day.
    #[must_use]
    pub fn keeps(&self, class: RecordClass, subject_id: Option<Uuid>, clinic_day: NaiveDate) -> bool {
        self.lift.is_none()
            && (self.record_class.is_none_or(|held| held == class) || class == RecordClass::Incidents)
            && self.subject_id.is_none_or(|held| subject_id.is_none_or(|subject| subject == held))
            && self.from_on.is_none_or(|from| from <= clinic_day)
            && self.until_on.is_none_or(|until| clinic_day <= until)
    }
}
