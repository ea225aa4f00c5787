//! What is out of use, and why.
//!
//! The rule of this file: a quarantine stands from when it was recorded until a release of it was recorded. Nothing
//! else ends one: no passed test, no closed action, no time gone by.

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// What something was put in quarantine for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = QuarantineCause)]
pub enum CauseKind {
    /// A completion that failed.
    Completion,
    /// A corrective action.
    CorrectiveAction,
    /// A product lot.
    Lot,
    /// A cycle whose load waits for a spore test of its own.
    Cycle,
    /// A person's own judgement.
    Person,
}

impl CauseKind {
    /// Every kind.
    pub const ALL: [Self; 5] = [Self::Completion, Self::CorrectiveAction, Self::Lot, Self::Cycle, Self::Person];

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Completion => "completion",
            Self::CorrectiveAction => "corrective_action",
            Self::Lot => "lot",
            Self::Cycle => "cycle",
            Self::Person => "person",
        }
    }

    /// The kind of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }
}

/// Something that was put out of use.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Quarantine {
    /// Its identity.
    pub quarantine_id: Uuid,
    /// Where the subject stood.
    pub clinic_id: Uuid,
    /// What is out of use.
    pub subject_id: Uuid,
    /// One line of an operatory; `None`: the subject as a whole.
    pub line: Option<String>,
    /// What a load is called on its packs.
    pub load_reference: Option<String>,
    /// The recorded cycle that load came from.
    pub cycle_id: Option<Uuid>,
    /// What for.
    pub cause: CauseKind,
    /// The completion, action, lot or cycle; `None`: a person's own judgement.
    pub cause_id: Option<Uuid>,
    /// Why, in words.
    pub reason: String,
    /// From when, as the person says.
    pub begun_at: DateTime<Utc>,
    /// When it reached us.
    pub recorded_at: DateTime<Utc>,
    /// The person; empty: the service, for its cause.
    pub begun_by: String,
    /// The same by identity, where they signed for it; `None`: nobody did.
    pub staff_id: Option<Uuid>,
    /// The device or system; `None`: the service by itself.
    pub key_id: Option<Uuid>,
    /// What ended it; `None`: nothing yet.
    pub release: Option<Release>,
}

/// The act of a named person that ends a quarantine.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Release {
    /// Its identity.
    pub release_id: Uuid,
    /// Who, by a PIN of their own.
    pub staff_id: Uuid,
    /// Their name as it was then.
    pub released_by: String,
    /// On what grounds.
    pub reason: String,
    /// What became of a load that does not go back to use as it was.
    pub disposition: Option<LoadDisposition>,
    /// When: by the service's clock.
    pub recorded_at: DateTime<Utc>,
    /// The device it was signed on.
    pub key_id: Uuid,
}

/// What became of a load that does not go back to use as it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LoadDisposition {
    /// It was processed again from the cleaning on, and has another label now.
    ProcessedAgain,
    /// It was thrown away.
    Discarded,
}

impl LoadDisposition {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::ProcessedAgain => "processed_again",
            Self::Discarded => "discarded",
        }
    }

    /// The disposition of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::ProcessedAgain, Self::Discarded].into_iter().find(|disposition| disposition.as_str() == name)
    }
}

impl Quarantine {
    /// Whether a load is meant, and not the machine it came from.
    #[must_use]
    pub fn is_of_load(&self) -> bool {
        self.load_reference.is_some()
    }

    /// Whether it stood at `at`, by what had been recorded by then.
    #[must_use]
    pub fn stands_at(&self, at: DateTime<Utc>) -> bool {
        self.recorded_at <= at && self.release.as_ref().is_none_or(|release| at < release.recorded_at)
    }
}

#[cfg(test)]
mod tests;
