//! Why work was missed, in a word that can be counted.
//!
//! The rule of this file: a word excuses nothing. It stands beside what the person says, and the task stays missed.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Why a task was missed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum MissCode {
    /// The next patient was in the chair before it was done.
    NextPatientSeated,
    /// Nobody was free to do it.
    TooFewPeople,
    /// What it is done with did not work.
    EquipmentFailed,
    /// Something it is done with had run out.
    SuppliesMissing,
    /// Nobody saw that it was due.
    NotNoticed,
    /// It was done, says the person, and nobody recorded it in time.
    DoneNotRecorded,
    /// None of these.
    Other,
}

impl MissCode {
    /// Every word.
    pub const ALL: [Self; 7] = [
        Self::NextPatientSeated,
        Self::TooFewPeople,
        Self::EquipmentFailed,
        Self::SuppliesMissing,
        Self::NotNoticed,
        Self::DoneNotRecorded,
        Self::Other,
    ];

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::NextPatientSeated => "next_patient_seated",
            Self::TooFewPeople => "too_few_people",
            Self::EquipmentFailed => "equipment_failed",
            Self::SuppliesMissing => "supplies_missing",
            Self::NotNoticed => "not_noticed",
            Self::DoneNotRecorded => "done_not_recorded",
            Self::Other => "other",
        }
    }

    /// The word of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|code| code.as_str() == name)
    }
}
