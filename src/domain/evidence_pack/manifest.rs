//! What belongs to a pack: each file with its hash.

use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;
use uuid::Uuid;

use super::{Cover, Found};
use crate::domain::seal::ChainHead;

/// A file of the pack.
#[derive(Clone, Debug, Serialize)]
pub struct PackFile {
    /// Where it stands.
    pub path: String,
    /// SHA-256, hexadecimal.
    pub sha256: String,
    /// Its size.
    pub bytes: u64,
    /// Rows of a table, or records of a proof; null for other files.
    pub rows: Option<u64>,
}

/// The manifest.
#[derive(Clone, Debug, Serialize)]
pub struct Manifest<'a> {
    clinic_id: Uuid,
    clinic: &'a str,
    zone: &'a str,
    from: NaiveDate,
    to: NaiveDate,
    narrowed_to: Option<&'a str>,
    made_at: DateTime<Utc>,
    made_with_key_id: Uuid,
    service_version: &'a str,
    chain_head: Option<ChainHead>,
    /// What is recorded from here on is not sealed.
    sealed_until: Option<DateTime<Utc>>,
    /// Rows of this pack whose records no seal holds yet; a record may be told by rows of several kinds.
    rows_not_sealed: u64,
    /// What is not as it was sealed, in words.
    not_as_sealed: &'a [String],
    /// What is missing because it was purged, in words.
    purged: &'a [String],
    /// Clinic days of the pack that no seal holds.
    days_not_sealed: &'a [NaiveDate],
    /// Kinds of records that say nothing of what the pack is narrowed to, and are left out.
    left_out: &'a [&'static str],
    files: &'a [PackFile],
}

/// What was learnt while the pack was written.
#[derive(Clone, Copy, Debug)]
pub struct Written<'a> {
    /// Its files.
    pub files: &'a [PackFile],
    /// What was found of their seals.
    pub found: &'a Found,
    /// Kinds that are left out.
    pub left_out: &'a [&'static str],
}

impl<'a> Manifest<'a> {
    /// The manifest of a pack.
    #[must_use]
    pub fn new(cover: &'a Cover, sealed: &super::Sealed, written: Written<'a>) -> Self {
        Self {
            clinic_id: cover.clinic_id,
            clinic: &cover.clinic,
            zone: cover.zone.name(),
            from: cover.from_on,
            to: cover.to_on,
            narrowed_to: cover.narrowed_to.as_deref(),
            made_at: cover.made_at,
            made_with_key_id: cover.key_id,
            service_version: env!("CARGO_PKG_VERSION"),
            chain_head: sealed.head,
            sealed_until: sealed.until,
            rows_not_sealed: written.found.rows_not_sealed,
            not_as_sealed: &written.found.not_as_sealed,
            purged: &written.found.purged,
            days_not_sealed: &written.found.unsealed,
            left_out: written.left_out,
            files: written.files,
        }
    }
}
