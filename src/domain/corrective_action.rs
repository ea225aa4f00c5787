//! What was opened because something failed.
//!
//! The rule of this file: one cause opens one action, whoever meets it first and however often. Nothing takes an action
//! away: evidence that turns out otherwise is noted on it, and a second person closes it.

mod retest;
mod second_person;

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

use super::chain::{Chain, ChainKind};

pub use self::retest::{TestRun, TestsInARow, left_out, passed_in_a_row};
pub use self::second_person::{Hand, Signing, not_a_second_person};

/// What an action was opened for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ActionCause {
    /// A completion that fell short.
    Completion,
    /// A product lot.
    Lot,
    /// A task whose window passed with no evidence.
    MissedTask,
    /// A person opened it.
    Person,
    /// A water advisory was lifted, or a unit left the mains while one stood.
    WaterAdvisory,
    /// A cycle whose record falls short.
    Cycle,
}

impl ActionCause {
    /// Every cause.
    pub const ALL: [Self; 6] =
        [Self::Completion, Self::Lot, Self::MissedTask, Self::Person, Self::WaterAdvisory, Self::Cycle];

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Completion => "completion",
            Self::Lot => "lot",
            Self::MissedTask => "missed_task",
            Self::Person => "person",
            Self::WaterAdvisory => "water_advisory",
            Self::Cycle => "cycle",
        }
    }

    /// The cause of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|cause| cause.as_str() == name)
    }
}

/// An action as it was opened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CorrectiveAction {
    /// Its identity.
    pub action_id: Uuid,
    /// Where the subject stood.
    pub clinic_id: Uuid,
    /// What failed; the clinic itself where no one thing did.
    pub subject_id: Uuid,
    /// Which chain.
    pub kind: ChainKind,
    /// Of the group's chain; 0: the shipped one.
    pub chain_version: i32,
    /// The chain with the steps that apply to it.
    pub chain: Chain,
    /// What for.
    pub cause: ActionCause,
    /// The completion, lot, task, advisory or lifting, or cycle; `None`: a person opened it.
    pub cause_id: Option<Uuid>,
    /// The routine whose tests its steps ask for.
    pub routine_id: Option<Uuid>,
    /// One line; `None`: the subject as a whole.
    pub line: Option<String>,
    /// What failed, in words.
    pub reason: String,
    /// When it was opened.
    pub opened_at: DateTime<Utc>,
    /// The person; empty: the service, for its cause.
    pub opened_by: String,
    /// The same by identity, where they signed for it; `None`: nobody did.
    pub staff_id: Option<Uuid>,
    /// The device or system; `None`: the service by itself.
    pub key_id: Option<Uuid>,
}

/// What came to an action beside its steps.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ActionNoteKind {
    /// The same fell short again while it was open.
    FurtherFailure,
    /// What opened it was corrected, and does not fall short any more.
    CauseCorrected,
    /// The work that was missed was recorded afterwards as done in its window.
    RecordedLate,
    /// Another completion of the same task, which decides nothing.
    Duplicate,
}

impl ActionNoteKind {
    /// Every kind.
    pub const ALL: [Self; 4] = [Self::FurtherFailure, Self::CauseCorrected, Self::RecordedLate, Self::Duplicate];

    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::FurtherFailure => "further_failure",
            Self::CauseCorrected => "cause_corrected",
            Self::RecordedLate => "recorded_late",
            Self::Duplicate => "duplicate",
        }
    }

    /// The kind of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }
}

/// A note on an action.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ActionNote {
    /// Derived identity.
    pub note_id: Uuid,
    /// What it says.
    pub kind: ActionNoteKind,
    /// The evidence that brought it.
    pub completion_id: Uuid,
    /// When that reached us.
    pub recorded_at: DateTime<Utc>,
}

/// On what grounds an action is closed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Grounds {
    /// Every step that was asked for is recorded.
    StepsRecorded,
    /// What opened it was corrected.
    CauseCorrected,
}

impl Grounds {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::StepsRecorded => "steps_recorded",
            Self::CauseCorrected => "cause_corrected",
        }
    }

    /// The grounds of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::StepsRecorded, Self::CauseCorrected].into_iter().find(|g| g.as_str() == name)
    }
}

/// The act of a second person that ends an action.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Closing {
    /// Made by the client.
    pub close_id: Uuid,
    /// On what grounds.
    pub grounds: Grounds,
    /// Who, by a PIN of their own.
    pub staff_id: Uuid,
    /// Their name as it was then.
    pub closed_by: String,
    /// In their words.
    pub reason: String,
    /// When.
    pub recorded_at: DateTime<Utc>,
    /// The device it was signed on.
    pub key_id: Uuid,
}

/// The id of the action that a cause opens about a subject: a lot that is recalled concerns several places.
///
/// # Examples
/// ```
/// use chairtide::domain::chain::ChainKind;
/// use chairtide::domain::corrective_action::derive_action_id;
/// use uuid::Uuid;
/// let id = derive_action_id(ChainKind::FailedLoad, Uuid::max(), Uuid::nil());
/// assert_eq!(id, derive_action_id(ChainKind::FailedLoad, Uuid::max(), Uuid::nil()));
/// assert_ne!(id, derive_action_id(ChainKind::MissedRoutine, Uuid::max(), Uuid::nil()));
/// ```
#[must_use]
pub fn derive_action_id(kind: ChainKind, cause_id: Uuid, subject_id: Uuid) -> Uuid {
    derive_id(b"chairtide corrective action v1", kind.as_str(), &[cause_id, subject_id])
}

/// The id of the action that a recall of a lot opens about a subject: each recall of a lot is a cause of its own.
#[must_use]
pub fn derive_recall_action_id(lot_id: Uuid, recall_number: usize, subject_id: Uuid) -> Uuid {
    let name = format!("recall {recall_number}");
    derive_id(b"chairtide corrective action v1", &name, &[lot_id, subject_id])
}

/// The id of what an action puts out of use as it is opened.
#[must_use]
pub fn derive_quarantine_id(action_id: Uuid) -> Uuid {
    derive_id(b"chairtide quarantine v1", "", &[action_id])
}

/// The id of what an action puts out of use for a load: the cycle it came from, or what is on its label.
#[must_use]
pub fn derive_load_quarantine_id(action_id: Uuid, cycle_id: Option<Uuid>, label: &str) -> Uuid {
    derive_id(b"chairtide load quarantine v1", label, &[action_id, cycle_id.unwrap_or_default()])
}

/// The id of what holds a cycle's load until its own spore test is read.
#[must_use]
pub fn derive_implant_quarantine_id(cycle_id: Uuid) -> Uuid {
    derive_id(b"chairtide implant quarantine v1", "", &[cycle_id])
}

/// The id of the action that a record of a cycle opens: one that falls short again after a correction is a new cause.
#[must_use]
pub fn derive_cycle_action_id(kind: ChainKind, cycle_id: Uuid, number: i32) -> Uuid {
    derive_id(b"chairtide action of a cycle v1", &format!("{} {number}", kind.as_str()), &[cycle_id])
}

/// The id of a note: a completion is noted once in a way.
#[must_use]
pub fn derive_note_id(action_id: Uuid, kind: ActionNoteKind, completion_id: Uuid) -> Uuid {
    derive_id(b"chairtide corrective action note v1", kind.as_str(), &[action_id, completion_id])
}

/// An id of what follows from others: the same wherever and however often it is worked out.
pub(super) fn derive_id(what: &[u8], name: &str, ids: &[Uuid]) -> Uuid {
    let mut hash = Sha256::new();
    hash.update(what);
    hash.update(name.as_bytes());
    for id in ids {
        hash.update(id.as_bytes());
    }
    let digest = hash.finalize();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    uuid::Builder::from_custom_bytes(bytes).into_uuid()
}

#[cfg(test)]
mod tests;
