//! Tamper evidence: what was recorded at a clinic is sealed day by day, so that a later edit can be proved.
//!
//! Each clinic day becomes a Merkle tree (RFC 9162) of its records' canonical JSON (RFC 8785). Its root stands in a
//! [`DaySeal`], which names the seal before it; the seals in turn are the leaves of the clinic's *chain*, a tree that is
//! only added to. Who has kept one head of the chain, 32 bytes, can tell of any record of any earlier day whether it is
//! as it was ([`proof::RecordProof`]), and of any later head whether it rewrote what came before
//! ([`proof::ConsistencyProof`]).
//!
//! The rule of this module: **nothing is sealed twice.** A seal holds what was *recorded* in its span, not what was
//! performed then. A late entry or a correction is a record of the day it came on, so it goes into that day's seal and
//! the earlier one stays as it is. The span is part of the seal: hours may be edited later, and must not move a record
//! from one seal to another. Spans join without a gap, and a day without records is sealed too, so that a missing
//! day shows.
//!
//! What it does not do: who can write the database can write all of it, seals included. That is found only against a
//! head that somebody else kept.

pub mod canonical;
pub mod day_proof;
pub mod proof;
pub mod record;
pub mod settled;
pub mod tamper;
pub mod tree;

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::ToSchema;
use uuid::Uuid;

use self::canonical::written;
use self::record::{Leaves, instant_text};
use self::tree::TreeHash;

/// How long after an instant everything that bears it as `recorded_at` is kept or never will be: no request works longer
/// (`config`), so none that read its clock before the instant comes after this. A day is sealed so long after its end, and
/// an export ends so long before now.
pub const SETTLED_AFTER: TimeDelta = TimeDelta::minutes(10);

/// The longest a request may be allowed to work: what it commits as its time runs out still comes before the end of
/// [`SETTLED_AFTER`].
pub const LONGEST_REQUEST: TimeDelta = TimeDelta::minutes(9);

/// The seal of one clinic day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DaySeal {
    /// The group.
    pub group_id: Uuid,
    /// The clinic.
    pub clinic_id: Uuid,
    /// Its place in the clinic's chain, counted from 0.
    pub number: usize,
    /// The clinic day.
    pub clinic_day: NaiveDate,
    /// It holds what was recorded from this instant on: where the seal before it ends.
    #[serde(with = "six_decimals")]
    pub recorded_from: DateTime<Utc>,
    /// And before this one.
    #[serde(with = "six_decimals")]
    pub recorded_until: DateTime<Utc>,
    /// When it was made.
    #[serde(with = "six_decimals")]
    pub sealed_at: DateTime<Utc>,
    /// How many records it holds; may be none.
    pub record_count: usize,
    /// Root of the tree of its records.
    pub root: TreeHash,
    /// Leaf hash of the seal before it; null for the first.
    #[schema(required)]
    pub previous: Option<TreeHash>,
}

/// What of a seal is known before its records are.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Day {
    /// The group.
    pub group_id: Uuid,
    /// The clinic.
    pub clinic_id: Uuid,
    /// The clinic day.
    pub clinic_day: NaiveDate,
    /// Records from this instant on.
    pub recorded_from: DateTime<Utc>,
    /// And before this one.
    pub recorded_until: DateTime<Utc>,
}

/// A rule between a seal and the one before it that does not hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BrokenLink {
    /// Its number is not the next.
    #[error("its number is not the one after the seal before it")]
    Number,
    /// It does not name the seal before it.
    #[error("it does not name the seal before it")]
    Previous,
    /// It is of another clinic.
    #[error("it is of another clinic than the seal before it")]
    Clinic,
    /// Its clinic day is not later.
    #[error("its clinic day is not later than that of the seal before it")]
    ClinicDay,
    /// Its span does not begin where the one before it ends, or ends before it begins.
    #[error("its span does not begin where that of the seal before it ends")]
    Span,
    /// It was made before its span was over, or before the seal before it.
    #[error("it was made before its span was over")]
    SealedAt,
}

impl DaySeal {
    /// The seal of `day` with these records, after the clinic's `last` one.
    ///
    /// # Errors
    /// When it would not follow the last: the [`BrokenLink`] says why.
    pub fn new(day: Day, leaves: &Leaves, sealed_at: DateTime<Utc>, last: Option<&Self>) -> Result<Self, BrokenLink> {
        let Day { group_id, clinic_id, clinic_day, recorded_from, recorded_until } = day;
        let seal = Self {
            group_id,
            clinic_id,
            number: last.map_or(0, |last| last.number + 1),
            clinic_day,
            recorded_from,
            recorded_until,
            sealed_at,
            record_count: leaves.len(),
            root: day_root(leaves),
            previous: last.map(Self::leaf),
        };
        seal.follows(last)?;
        Ok(seal)
    }

    /// Whether it may come after `last`: the same rules for a seal that is made and for one that is read back.
    ///
    /// # Errors
    /// The first rule that does not hold.
    pub fn follows(&self, last: Option<&Self>) -> Result<(), BrokenLink> {
        let expect = |holds: bool, rule: BrokenLink| if holds { Ok(()) } else { Err(rule) };
        expect(self.number == last.map_or(0, |last| last.number + 1), BrokenLink::Number)?;
        expect(self.previous == last.map(Self::leaf), BrokenLink::Previous)?;
        expect(self.recorded_from < self.recorded_until, BrokenLink::Span)?;
        expect(self.recorded_until <= self.sealed_at, BrokenLink::SealedAt)?;
        let Some(last) = last else { return Ok(()) };
        expect((self.group_id, self.clinic_id) == (last.group_id, last.clinic_id), BrokenLink::Clinic)?;
        expect(self.clinic_day > last.clinic_day, BrokenLink::ClinicDay)?;
        expect(self.recorded_from == last.recorded_until, BrokenLink::Span)?;
        expect(self.sealed_at >= last.sealed_at, BrokenLink::SealedAt)
    }

    /// The hash of its leaf in the chain: of its canonical JSON.
    #[must_use]
    pub fn leaf(&self) -> TreeHash {
        // Written out rather than derived: a derive that changes must not change what was sealed.
        let whole = json!({
            "group_id": self.group_id,
            "clinic_id": self.clinic_id,
            "number": self.number,
            "clinic_day": self.clinic_day,
            "recorded_from": instant_text(self.recorded_from),
            "recorded_until": instant_text(self.recorded_until),
            "sealed_at": instant_text(self.sealed_at),
            "record_count": self.record_count,
            "root": self.root,
            "previous": self.previous,
        });
        // Its numbers count days and a day's records, so they are exact.
        TreeHash::of_leaf(&written(&whole))
    }
}

/// A chain as it stood after one of its seals. Whoever keeps one can hold the service to it. It is to be compared whole:
/// one path can lead to the same root in trees of several sizes, so a root does not vouch for the size beside it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[schema(as = SealChainHead)]
pub struct ChainHead {
    /// The group.
    pub group_id: Uuid,
    /// The clinic.
    pub clinic_id: Uuid,
    /// How many seals it has.
    pub size: usize,
    /// Root of the tree of their leaf hashes.
    pub root: TreeHash,
}

impl ChainHead {
    /// The head of the chain with these leaves, which are those of its seals in their order.
    #[must_use]
    pub fn new(group_id: Uuid, clinic_id: Uuid, chain: &[TreeHash]) -> Self {
        Self { group_id, clinic_id, size: chain.len(), root: tree::root(chain) }
    }
}

/// Root of the tree of a day's records.
#[must_use]
pub fn day_root(leaves: &Leaves) -> TreeHash {
    tree::root(&hashes(leaves))
}

fn hashes(leaves: &Leaves) -> Vec<TreeHash> {
    leaves.values().copied().collect()
}

/// Instants as [`instant_text`] writes them.
mod six_decimals {
    use chrono::{DateTime, Utc};
    use serde::{Deserialize, Deserializer, Serializer};

    use super::instant_text;

    pub(super) fn serialize<S: Serializer>(at: &DateTime<Utc>, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&instant_text(*at))
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<DateTime<Utc>, D::Error> {
        DateTime::deserialize(deserializer)
    }
}

#[cfg(test)]
mod tests;
