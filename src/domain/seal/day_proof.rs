//! A whole sealed clinic day as one proof: its records, in the order of the leaves, and the way from its seal to a head
//! of the chain.
//!
//! The rule of this file: a record that is not told stands as its leaf hash alone, so what is left out shows, and the root
//! is still made of all of them. One such document says of every record in it what a [`super::proof::RecordProof`] says.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::proof::ProofError;
use super::record::Record;
use super::tree::{self, TreeHash};
use super::{ChainHead, DaySeal};

/// A leaf of a day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(untagged)]
pub enum DayLeaf {
    /// The record.
    Record(Record),
    /// The leaf hash of one that is not shown.
    Hash(TreeHash),
}

/// That these records, and as many more as hashes stand among them, are all that was sealed with a clinic day.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DayProof {
    /// The seal of the day.
    pub seal: DaySeal,
    /// Its leaves, in the order of the tree.
    pub leaves: Vec<DayLeaf>,
    /// Hashes on the way from the seal's leaf to the chain's root, from the bottom up.
    pub chain_path: Vec<TreeHash>,
    /// The chain it leads to.
    pub head: ChainHead,
}

impl DayProof {
    /// The proof of a day, up to the head of a chain of these seals' leaves. Each leaf comes with its hash, which must be the
    /// one of its record: whoever made it has hashed that already.
    ///
    /// # Errors
    /// When it would not check.
    pub fn new(seal: DaySeal, leaves: Vec<(DayLeaf, TreeHash)>, chain: &[TreeHash]) -> Result<Self, ProofError> {
        let chain_path = tree::inclusion(chain, seal.number).ok_or(ProofError::NotOfTheChain)?;
        let head = ChainHead::new(seal.group_id, seal.clinic_id, chain);
        let (leaves, hashes): (Vec<DayLeaf>, Vec<TreeHash>) = leaves.into_iter().unzip();
        let proof = Self { seal, leaves, chain_path, head };
        proof.check_hashes(&hashes)?;
        Ok(proof)
    }

    /// Checks it; answers the head of the chain that it leads to.
    ///
    /// # Errors
    /// When it does not prove what it says.
    pub fn check(&self) -> Result<ChainHead, ProofError> {
        let hashes: Result<Vec<TreeHash>, _> = self
            .leaves
            .iter()
            .map(|leaf| match leaf {
                DayLeaf::Record(record) => record.leaf(),
                DayLeaf::Hash(hash) => Ok(*hash),
            })
            .collect();
        self.check_hashes(&hashes.map_err(|_| ProofError::NotOfTheDay)?)
    }

    /// As [`Self::check`], of the hashes of its leaves.
    fn check_hashes(&self, hashes: &[TreeHash]) -> Result<ChainHead, ProofError> {
        let Self { seal, chain_path, head, .. } = self;
        if hashes.len() != seal.record_count || tree::root(hashes) != seal.root {
            return Err(ProofError::NotOfTheDay);
        }
        let same_clinic = (seal.group_id, seal.clinic_id) == (head.group_id, head.clinic_id);
        let root = tree::root_by_inclusion(seal.leaf(), seal.number, head.size, chain_path);
        if same_clinic && root == Some(head.root) { Ok(*head) } else { Err(ProofError::NotOfTheChain) }
    }
}
