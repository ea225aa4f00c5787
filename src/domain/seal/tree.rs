//! The Merkle tree of RFC 9162, section 2.1 (the same as RFC 6962's): SHA-256, leaves and nodes told apart by a prefix.
//!
//! The rule of this file: making a proof and following one are the RFC's own recursive definitions, read once downwards
//! and once upwards. A tree is the ordered list of its leaf hashes, because that is what is stored.

use std::fmt;
use std::str::FromStr;

use data_encoding::HEXLOWER;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};
use sha2::{Digest as _, Sha256};
use utoipa::ToSchema;

/// A SHA-256 hash of a tree: of a leaf, of a node or of the whole. As text it is 64 lower-case hex digits.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, ToSchema)]
#[schema(value_type = String, pattern = "^[0-9a-f]{64}$",
         example = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855")]
pub struct TreeHash([u8; 32]);

impl TreeHash {
    /// The hash of a leaf with this content.
    #[must_use]
    pub fn of_leaf(content: &[u8]) -> Self {
        Self(Sha256::new().chain_update([0]).chain_update(content).finalize().into())
    }

    fn of_node(left: Self, right: Self) -> Self {
        Self(Sha256::new().chain_update([1]).chain_update(left.0).chain_update(right.0).finalize().into())
    }

    /// The hash as it is stored.
    #[must_use]
    pub fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl From<[u8; 32]> for TreeHash {
    fn from(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }
}

impl fmt::Display for TreeHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&HEXLOWER.encode(&self.0))
    }
}

impl fmt::Debug for TreeHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

/// A text that is no hash.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("must be 64 lower-case hex digits")]
pub struct NotAHash;

impl FromStr for TreeHash {
    type Err = NotAHash;

    fn from_str(text: &str) -> Result<Self, NotAHash> {
        let bytes = HEXLOWER.decode(text.as_bytes()).map_err(|_| NotAHash)?;
        bytes.try_into().map(Self).map_err(|_| NotAHash)
    }
}

impl Serialize for TreeHash {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for TreeHash {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(de::Error::custom)
    }
}

/// How many of `size` leaves, two or more, lie to the left: the largest power of two below it.
fn left_size(size: usize) -> usize {
    1 << (size - 1).ilog2()
}

fn pushed(mut path: Vec<TreeHash>, sibling: TreeHash) -> Vec<TreeHash> {
    path.push(sibling);
    path
}

/// The root of a tree with these leaves. The tree without leaves has one too: the hash of nothing.
#[must_use]
pub fn root(leaves: &[TreeHash]) -> TreeHash {
    match leaves {
        [] => TreeHash(Sha256::digest([]).into()),
        [leaf] => *leaf,
        _ => {
            let (left, right) = leaves.split_at(left_size(leaves.len()));
            TreeHash::of_node(root(left), root(right))
        }
    }
}

/// The roots of the trees of the first 0, 1, 2 … of these leaves: what [`root`] says of each, in one pass.
#[must_use]
pub fn roots(leaves: &[TreeHash]) -> Vec<TreeHash> {
    // The full subtrees of the leaves so far, the largest first: one for each bit of their number.
    let mut full: Vec<TreeHash> = Vec::new();
    let mut roots = vec![root(&[])];
    for (before, leaf) in leaves.iter().enumerate() {
        full.push(*leaf);
        for _ in 0..before.trailing_ones() {
            let (right, left) = (full.pop(), full.pop());
            full.extend(left.zip(right).map(|(left, right)| TreeHash::of_node(left, right)));
        }
        let whole = full.iter().rev().copied().reduce(|right, left| TreeHash::of_node(left, right));
        roots.extend(whole);
    }
    roots
}

/// The path from leaf `index` to the root, from the bottom up (section 2.1.3.1); `None` when there is no such leaf.
#[must_use]
pub fn inclusion(leaves: &[TreeHash], index: usize) -> Option<Vec<TreeHash>> {
    match leaves.len() {
        size if index >= size => None,
        1 => Some(Vec::new()),
        size => {
            let (left, right) = leaves.split_at(left_size(size));
            let (below, sibling) = match index.checked_sub(left.len()) {
                None => (inclusion(left, index)?, root(right)),
                Some(index) => (inclusion(right, index)?, root(left)),
            };
            Some(pushed(below, sibling))
        }
    }
}

/// The root that `path` leads to from leaf `index` of a tree of `size` leaves (section 2.1.3.2); `None` when a path in
/// such a tree cannot be this long or this short.
#[must_use]
pub fn root_by_inclusion(leaf: TreeHash, index: usize, size: usize, path: &[TreeHash]) -> Option<TreeHash> {
    match (size, path) {
        _ if index >= size => None,
        (1, []) => Some(leaf),
        (1, _) | (_, []) => None,
        (_, [below @ .., sibling]) => {
            let left = left_size(size);
            Some(match index.checked_sub(left) {
                None => TreeHash::of_node(root_by_inclusion(leaf, index, left, below)?, *sibling),
                Some(index) => TreeHash::of_node(*sibling, root_by_inclusion(leaf, index, size - left, below)?),
            })
        }
    }
}

/// The proof that the tree of the first `old_size` leaves was only added to (section 2.1.4.1); `None` when it has no
/// leaf or more than there are, which nothing can be proved of.
#[must_use]
pub fn consistency(leaves: &[TreeHash], old_size: usize) -> Option<Vec<TreeHash>> {
    (1..=leaves.len()).contains(&old_size).then(|| subproof(leaves, old_size, true))
}

/// `known` says that the old tree is the whole of these leaves' beginning, whose root the reader has.
fn subproof(leaves: &[TreeHash], old_size: usize, known: bool) -> Vec<TreeHash> {
    match leaves.len() {
        size if size == old_size && known => Vec::new(),
        size if size == old_size => vec![root(leaves)],
        size => {
            let (left, right) = leaves.split_at(left_size(size));
            match old_size.checked_sub(left.len()) {
                None | Some(0) => pushed(subproof(left, old_size, known), root(right)),
                Some(rest) => pushed(subproof(right, rest, false), root(left)),
            }
        }
    }
}

/// Whether `path` proves that the tree of `new_size` leaves under `new_root` begins with that of `old_size` under
/// `old_root` (section 2.1.4.2).
#[must_use]
pub fn is_consistent(
    old_size: usize,
    old_root: TreeHash,
    new_size: usize,
    new_root: TreeHash,
    path: &[TreeHash],
) -> bool {
    (1..=new_size).contains(&old_size)
        && roots_by_consistency(old_size, new_size, Some(old_root), path) == Some((old_root, new_root))
}

/// The roots, old and new, that `path` leads to; `known` as in [`subproof`].
fn roots_by_consistency(
    old_size: usize,
    new_size: usize,
    known: Option<TreeHash>,
    path: &[TreeHash],
) -> Option<(TreeHash, TreeHash)> {
    match (old_size == new_size, known, path) {
        (true, Some(same), []) => Some((same, same)),
        (true, None, [same]) => Some((*same, *same)),
        (true, ..) | (false, _, []) => None,
        (false, _, [below @ .., sibling]) => {
            let left = left_size(new_size);
            match old_size.checked_sub(left) {
                None | Some(0) => {
                    let (old, new) = roots_by_consistency(old_size, left, known, below)?;
                    Some((old, TreeHash::of_node(new, *sibling)))
                }
                Some(rest) => {
                    let (old, new) = roots_by_consistency(rest, new_size - left, None, below)?;
                    Some((TreeHash::of_node(*sibling, old), TreeHash::of_node(*sibling, new)))
                }
            }
        }
    }
}

#[cfg(test)]
mod tests;
