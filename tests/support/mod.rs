//! What every test stands on: the whole service in process, on a database of its own, with a clock set by hand.
//!
//! The rule of this module: tests speak HTTP, as clients do. They reach behind the API for the first administrator
//! key, which in real life comes from the command line, and to read, as the owner, what the service kept.

pub(crate) mod app;
pub(crate) mod chance;
pub(crate) mod contents;
pub(crate) mod line_work;
pub(crate) mod scenario;
pub(crate) mod service;

use chrono::{DateTime, Utc};
use uuid::Uuid;

/// An instant written as RFC 3339.
pub(crate) fn at(text: &str) -> DateTime<Utc> {
    text.parse().expect("an RFC 3339 instant")
}

/// A UUID that is the same in every run; `n` tells the things of one test apart.
pub(crate) fn id(n: u32) -> Uuid {
    let mut bytes = [0x5e; 16];
    bytes[12..].copy_from_slice(&n.to_be_bytes());
    uuid::Builder::from_random_bytes(bytes).into_uuid()
}
