//! What happens at a clinic and makes work: an advisory, a repair, a return to service.
//!
//! The rule of this file: a kind, once released, keeps its meaning; routines and other systems name it.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// A kind of site event.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SiteEventKind {
    /// A water advisory began to apply.
    WaterAdvisoryStarted,
    /// A water advisory was lifted.
    WaterAdvisoryLifted,
    /// A repair was finished.
    Repair,
    /// Plumbing was changed.
    PlumbingChange,
    /// A subject was put into use for the first time.
    Commissioning,
    /// A subject came back into service.
    ReturnToService,
    /// A product was recalled.
    ProductRecall,
}

impl SiteEventKind {
    /// Every kind, for the tests that hold the database's list against this one.
    pub const ALL: [Self; 7] = [
        Self::WaterAdvisoryStarted,
        Self::WaterAdvisoryLifted,
        Self::Repair,
        Self::PlumbingChange,
        Self::Commissioning,
        Self::ReturnToService,
        Self::ProductRecall,
    ];

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::WaterAdvisoryStarted => "water_advisory_started",
            Self::WaterAdvisoryLifted => "water_advisory_lifted",
            Self::Repair => "repair",
            Self::PlumbingChange => "plumbing_change",
            Self::Commissioning => "commissioning",
            Self::ReturnToService => "return_to_service",
            Self::ProductRecall => "product_recall",
        }
    }

    /// The kind of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }
}
