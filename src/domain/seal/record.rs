//! A record: one row of evidence as it is hashed.
//!
//! The rule of this file: a record is the whole row, for a column that is not in it could be edited unseen. A column that
//! is null is left out: it cannot be filled unseen either, and a column that a later release adds leaves what was sealed
//! as it was.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::fmt;

use chrono::{DateTime, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use utoipa::ToSchema;

use super::canonical::{NotExact, check_numbers, written};
use super::tree::TreeHash;

/// What a record is called. Within a clinic day the name is unique, and its order is that of the leaves: by the bytes
/// of the kind, then of the id.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, ToSchema)]
pub struct RecordName {
    /// Kind of evidence.
    #[schema(example = "completion")]
    pub kind: String,
    /// Its id within the kind: the row's key as text, its parts joined by `/`.
    #[schema(example = "018f6d2e-7f3a-7c41-9d55-2f1c3b7a9e04")]
    pub id: String,
}

impl fmt::Display for RecordName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.kind, self.id)
    }
}

/// One row of evidence.
///
/// A row has columns of its own called `kind` or `id`, so what it holds stands apart under `fields`.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Record {
    /// Kind of evidence. New kinds come with new evidence; a reader must not refuse one it does not know.
    #[schema(example = "completion")]
    pub kind: String,
    /// Its id within the kind: the row's key as text, its parts joined by `/`.
    #[schema(example = "018f6d2e-7f3a-7c41-9d55-2f1c3b7a9e04")]
    pub id: String,
    /// Every column of the row that is not null. Instants are text with six decimals of a second, decimals are text, numbers are whole.
    #[schema(value_type = Object)]
    pub fields: Map<String, Value>,
}

impl Record {
    /// The record of a row with these columns.
    #[must_use]
    pub fn new(kind: &str, id: String, mut columns: Map<String, Value>) -> Self {
        columns.retain(|_, value| !value.is_null());
        Self { kind: kind.to_owned(), id, fields: columns }
    }

    /// What it is called.
    #[must_use]
    pub fn name(&self) -> RecordName {
        RecordName { kind: self.kind.clone(), id: self.id.clone() }
    }

    /// The hash of its leaf: of its canonical JSON.
    ///
    /// # Errors
    /// When it holds a number that is not exact.
    pub fn leaf(&self) -> Result<TreeHash, NotExact> {
        self.fields.values().try_for_each(check_numbers)?;
        Ok(TreeHash::of_leaf(&written(self)))
    }
}

/// An instant as every record writes it: always six decimals, which is what Postgres keeps, so that the same instant is
/// the same text whatever writes it.
#[must_use]
pub fn instant_text(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::Micros, true)
}

/// The leaves of a clinic day, in the order of the tree.
pub type Leaves = BTreeMap<RecordName, TreeHash>;

/// Why records make no leaves.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RecordError {
    /// A number that JSON does not keep.
    #[error("{name} {cause}")]
    NotExact {
        /// Of which record.
        name: RecordName,
        /// Which number.
        cause: NotExact,
    },
    /// Two records of one name.
    #[error("{0} stands twice among the records of one clinic day")]
    Twice(RecordName),
}

/// The leaves of these records. Whatever the order they come in, the leaves are the same.
///
/// # Errors
/// When one cannot be hashed, or two have the same name.
pub fn leaves(records: &[Record]) -> Result<Leaves, RecordError> {
    let mut leaves = Leaves::new();
    for record in records {
        let name = record.name();
        let leaf = record.leaf().map_err(|cause| RecordError::NotExact { name: name.clone(), cause })?;
        match leaves.entry(name) {
            Entry::Vacant(place) => place.insert(leaf),
            Entry::Occupied(taken) => return Err(RecordError::Twice(taken.key().clone())),
        };
    }
    Ok(leaves)
}
