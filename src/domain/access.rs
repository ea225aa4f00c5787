//! Who may call: what a key may do, and how far it reaches.
//!
//! The rule of this file: what a caller's reach does not cover does not exist for it.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// What a key may do.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// Posts a clinic's day and its turnovers.
    FrontDesk,
    /// Fetches what is due and posts completions.
    Chairside,
    /// Reads lists and summaries over sites, and decides what is not required.
    Manager,
    /// Reads.
    Reader,
    /// Configures.
    Administrator,
}

impl Role {
    /// Every role.
    pub const ALL: [Self; 5] = [Self::FrontDesk, Self::Chairside, Self::Manager, Self::Reader, Self::Administrator];

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::FrontDesk => "front_desk",
            Self::Chairside => "chairside",
            Self::Manager => "manager",
            Self::Reader => "reader",
            Self::Administrator => "administrator",
        }
    }
}

/// How far a key reaches.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Reach {
    /// Every clinic of the group.
    Group {},
    /// These clinics.
    Clinics {
        /// The clinics, at least one.
        clinic_ids: Vec<Uuid>,
    },
    /// One operatory.
    Operatory {
        /// The operatory.
        operatory_id: Uuid,
    },
}

impl Reach {
    /// Whether it covers a clinic as a whole. One operatory's reach does not cover the clinic around it.
    #[must_use]
    pub fn covers_clinic(&self, clinic_id: Uuid) -> bool {
        match self {
            Self::Group {} => true,
            Self::Clinics { clinic_ids } => clinic_ids.contains(&clinic_id),
            Self::Operatory { .. } => false,
        }
    }

    /// Whether it covers a subject that stands in a clinic.
    #[must_use]
    pub fn covers_subject(&self, clinic_id: Uuid, subject_id: Uuid) -> bool {
        match self {
            Self::Operatory { operatory_id } => *operatory_id == subject_id,
            _ => self.covers_clinic(clinic_id),
        }
    }

    /// Whether it covers the whole group.
    #[must_use]
    pub fn covers_group(&self) -> bool {
        matches!(self, Self::Group {})
    }

    /// The clinics it is limited to; `None`: all. One operatory's reach lists none.
    #[must_use]
    pub fn clinics(&self) -> Option<&[Uuid]> {
        match self {
            Self::Group {} => None,
            Self::Clinics { clinic_ids } => Some(clinic_ids),
            Self::Operatory { .. } => Some(&[]),
        }
    }
}
