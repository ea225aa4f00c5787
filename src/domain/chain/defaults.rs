//! The chains that are shipped, for a group that set none of its own.
//!
//! The rule of this file: they are data, in `defaults.json`, each with its sources and how those were seen. A group's own
//! version, its makers' instructions and the local code come before them.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use super::{Chain, ChainKind};

static SHIPPED: LazyLock<BTreeMap<ChainKind, Chain>> = LazyLock::new(|| {
    serde_json::from_str(include_str!("defaults.json")).expect("the shipped chains are read by a test")
});

/// The shipped chain of a kind.
#[must_use]
pub fn shipped(kind: ChainKind) -> &'static Chain {
    &SHIPPED[&kind]
}

#[cfg(test)]
mod tests;
