//! Proofs as they are served, and the check of one.
//!
//! The rule of this file: a check needs the document and nothing else. What it answers is a [`ChainHead`], and the proof
//! is worth as much as that head: compare it, size and root, with one that was kept elsewhere. `seed-demo/check_proof.py`
//! does the same in another language.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::day_proof::DayProof;
use super::record::{Leaves, Record};
use super::tree::{self, TreeHash};
use super::{ChainHead, DaySeal, canonical, hashes};

/// A proof, as served and as kept in a file. Layout and spacing are free; the values are not.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "proof", rename_all = "snake_case")]
pub enum Proof {
    /// That a record is among those of a sealed clinic day.
    Record(RecordProof),
    /// That a chain was only added to.
    Consistency(ConsistencyProof),
    /// All records of a sealed clinic day: stands in packs of evidence.
    Day(DayProof),
}

/// That a record stands, as it is here, among those that were sealed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RecordProof {
    /// The record.
    pub record: Record,
    /// Its place among the leaves of its day, counted from 0.
    pub leaf_index: usize,
    /// Hashes on the way from its leaf to the day's root, from the bottom up (RFC 9162, section 2.1.3).
    pub day_path: Vec<TreeHash>,
    /// The seal of the day it was recorded on.
    pub seal: DaySeal,
    /// Hashes on the way from the seal's leaf to the chain's root, from the bottom up.
    pub chain_path: Vec<TreeHash>,
    /// The chain it leads to.
    pub head: ChainHead,
}

/// That a chain begins with what it was before.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ConsistencyProof {
    /// The chain as it was: compare it with the head that was kept.
    pub old_head: ChainHead,
    /// The chain as it became.
    pub head: ChainHead,
    /// Hashes that lead to both roots (RFC 9162, section 2.1.4).
    pub path: Vec<TreeHash>,
}

/// What a proof does not prove.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ProofError {
    /// It cannot be read.
    #[error("cannot be read as a proof: {0}")]
    Unreadable(String),
    /// It says something in another way than a proof does, or more than one.
    #[error("is not in the form of a proof: a name that is unknown, or a value written in another way")]
    AnotherForm,
    /// The record does not lead to its day.
    #[error("the record does not lead to the root of its day's seal")]
    NotOfTheDay,
    /// The seal does not lead to the chain.
    #[error("the day's seal does not lead to the root of the chain")]
    NotOfTheChain,
    /// The later chain does not begin with the earlier.
    #[error("the chain does not begin with the one it was before")]
    NotContinued,
}

/// Checks the text of a proof; answers the head of the chain that it leads to.
///
/// # Errors
/// When it cannot be read, or does not prove what it says.
pub fn check_proof(text: &str) -> Result<ChainHead, ProofError> {
    Proof::read(text)?.check()
}

impl Proof {
    /// Reads the text of a proof.
    ///
    /// # Errors
    /// When it is no proof, or one value in it is not written as a proof writes it: what two readers could take for
    /// different things proves nothing.
    pub fn read(text: &str) -> Result<Self, ProofError> {
        let unreadable = |error: serde_json::Error| ProofError::Unreadable(error.to_string());
        let value = canonical::read(text).map_err(unreadable)?;
        let proof = Self::deserialize(&value).map_err(unreadable)?;
        match serde_json::to_value(&proof) {
            Ok(written) if written == value => Ok(proof),
            _ => Err(ProofError::AnotherForm),
        }
    }

    /// Checks it; answers the head of the chain that it leads to.
    ///
    /// # Errors
    /// When it does not prove what it says.
    pub fn check(&self) -> Result<ChainHead, ProofError> {
        match self {
            Self::Record(proof) => proof.check(),
            Self::Consistency(proof) => proof.check(),
            Self::Day(proof) => proof.check(),
        }
    }
}

impl RecordProof {
    /// The proof that `record` is among the `leaves` that `seal` sealed, up to the head of a chain of these seals'
    /// leaves.
    ///
    /// # Errors
    /// When that is not so: nothing is served that would not check.
    pub fn new(record: Record, leaves: &Leaves, seal: DaySeal, chain: &[TreeHash]) -> Result<Self, ProofError> {
        let name = record.name();
        let leaf_index = leaves.keys().position(|sealed| *sealed == name).ok_or(ProofError::NotOfTheDay)?;
        let day_path = tree::inclusion(&hashes(leaves), leaf_index).ok_or(ProofError::NotOfTheDay)?;
        let chain_path = tree::inclusion(chain, seal.number).ok_or(ProofError::NotOfTheChain)?;
        let head = ChainHead::new(seal.group_id, seal.clinic_id, chain);
        let proof = Self { record, leaf_index, day_path, seal, chain_path, head };
        proof.check()?;
        Ok(proof)
    }

    fn check(&self) -> Result<ChainHead, ProofError> {
        let Self { record, leaf_index, day_path, seal, chain_path, head } = self;
        let leaf = record.leaf().map_err(|_| ProofError::NotOfTheDay)?;
        if tree::root_by_inclusion(leaf, *leaf_index, seal.record_count, day_path) != Some(seal.root) {
            return Err(ProofError::NotOfTheDay);
        }
        let same_clinic = (seal.group_id, seal.clinic_id) == (head.group_id, head.clinic_id);
        let root = tree::root_by_inclusion(seal.leaf(), seal.number, head.size, chain_path);
        if same_clinic && root == Some(head.root) { Ok(*head) } else { Err(ProofError::NotOfTheChain) }
    }
}

impl ConsistencyProof {
    /// The proof that a clinic's chain with these leaves begins with what it was when it had `old_size` seals.
    ///
    /// # Errors
    /// When it never had so many, or `old_size` is 0, of which there is nothing to prove.
    pub fn new(group_id: Uuid, clinic_id: Uuid, chain: &[TreeHash], old_size: usize) -> Result<Self, ProofError> {
        let path = tree::consistency(chain, old_size).ok_or(ProofError::NotContinued)?;
        let old_head = ChainHead::new(group_id, clinic_id, &chain[..old_size]);
        Ok(Self { old_head, head: ChainHead::new(group_id, clinic_id, chain), path })
    }

    fn check(&self) -> Result<ChainHead, ProofError> {
        let Self { old_head: old, head, path } = self;
        let same_clinic = (old.group_id, old.clinic_id) == (head.group_id, head.clinic_id);
        let continued = same_clinic && tree::is_consistent(old.size, old.root, head.size, head.root, path);
        if continued { Ok(*head) } else { Err(ProofError::NotContinued) }
    }
}

#[cfg(test)]
mod tests;
