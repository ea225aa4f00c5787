//! What was sealed against what the database holds now.
//!
//! The rule of this file: everything that differs is named, not only the first; a row that cannot even be hashed is a
//! changed row, not an error.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

use super::record::{Leaves, Record, RecordName};
use super::tree::{self, TreeHash};
use super::{BrokenLink, ChainHead, DaySeal, day_root};

/// One thing that is not as it was sealed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(tag = "finding", rename_all = "snake_case")]
pub enum SealFinding {
    /// A record holds something else than when it was sealed.
    RecordChanged {
        /// The day whose seal has it.
        clinic_day: NaiveDate,
        /// Which.
        record: RecordName,
    },
    /// A record that was sealed is missing.
    RecordRemoved {
        /// The day whose seal has it.
        clinic_day: NaiveDate,
        /// Which.
        record: RecordName,
    },
    /// A record lies in a sealed span and was not there when it was sealed.
    RecordInserted {
        /// The day in whose span it lies.
        clinic_day: NaiveDate,
        /// Which.
        record: RecordName,
    },
    /// A day's leaf hashes no longer give the root of its seal: they or the seal were changed. The day's records may
    /// have been changed with them, so that none can be named.
    LeavesChanged {
        /// The day.
        clinic_day: NaiveDate,
    },
    /// A seal does not follow the one before it: one of the two was changed, or one between them removed.
    SealBroken {
        /// The day of the later of the two.
        clinic_day: NaiveDate,
        /// The rule that does not hold.
        rule: BrokenLink,
    },
    /// A day's part of what a purge lists is not as it was when the purge was sealed, or no sound purge stands behind it:
    /// nothing of it counts as purged.
    PurgeListChanged {
        /// The day.
        clinic_day: NaiveDate,
        /// The purge.
        purge_id: Uuid,
    },
    /// A record that was purged is there again.
    PurgedRecordPresent {
        /// The day whose seal has it.
        clinic_day: NaiveDate,
        /// Which.
        record: RecordName,
        /// The purge that lists it.
        purge_id: Uuid,
    },
    /// A person, a competence or an instrument stands otherwise than its newest mark says, or one of the two is missing: the
    /// row or the mark was written behind the service's back.
    StandingChanged {
        /// Which: `staff`, `competence` or `instrument`, with its id.
        record: RecordName,
    },
    /// What a completion made of its task is not what the completion says, or one of the two is missing: by it is answered how a
    /// chair stood at an instant gone by.
    SettlementChanged {
        /// Which: `task_settlement`, with the task's id and the completion's.
        record: RecordName,
    },
    /// The chain no longer begins with a head that was kept: a seal of it was changed or removed.
    HeadLost {
        /// How many seals the chain had then; of several such heads, the one with the fewest.
        size: usize,
    },
}

impl SealFinding {
    /// The completion that it is about, by its id: the record itself, or what that made of its task.
    #[must_use]
    pub fn completion(&self) -> Option<&str> {
        match self {
            Self::RecordChanged { record, .. }
            | Self::RecordRemoved { record, .. }
            | Self::RecordInserted { record, .. }
                if record.kind == "completion" =>
            {
                Some(&record.id)
            }
            Self::SettlementChanged { record } => record.id.split('/').nth(1),
            _ => None,
        }
    }
}

/// A row as it is read back: its name, and its leaf where it can be hashed.
pub type ReadBack = (RecordName, Option<TreeHash>);

/// A row as it is read back.
#[must_use]
pub fn read_back(row: &Record) -> ReadBack {
    (row.name(), row.leaf().ok())
}

/// Holds the rows of a sealed span, as they are read back, against its leaves and these against its seal.
#[must_use]
pub fn day_findings(seal: &DaySeal, sealed: &Leaves, rows: &[ReadBack]) -> Vec<SealFinding> {
    let clinic_day = seal.clinic_day;
    let mut findings = Vec::new();
    if (sealed.len(), day_root(sealed)) != (seal.record_count, seal.root) {
        findings.push(SealFinding::LeavesChanged { clinic_day });
    }
    let mut seen = BTreeSet::new();
    for (record, leaf) in rows {
        match sealed.get(record) {
            Some(as_sealed) if !seen.contains(record) => {
                if leaf.as_ref() != Some(as_sealed) {
                    findings.push(SealFinding::RecordChanged { clinic_day, record: record.clone() });
                }
                seen.insert(record);
            }
            // A second row of the name was not sealed, whatever it holds.
            _ => findings.push(SealFinding::RecordInserted { clinic_day, record: record.clone() }),
        }
    }
    let removed = sealed.keys().filter(|name| !seen.contains(name)).cloned();
    findings.extend(removed.map(|record| SealFinding::RecordRemoved { clinic_day, record }));
    findings
}

/// Holds a clinic's seals, in the order of their numbers, against each other and against heads that were kept.
#[must_use]
pub fn chain_findings(seals: &[DaySeal], kept: &[ChainHead]) -> Vec<SealFinding> {
    let before = std::iter::once(None).chain(seals.iter().map(Some));
    let broken = seals.iter().zip(before).filter_map(|(seal, last)| {
        let rule = seal.follows(last).err()?;
        Some(SealFinding::SealBroken { clinic_day: seal.clinic_day, rule })
    });
    let chain: Vec<TreeHash> = seals.iter().map(DaySeal::leaf).collect();
    let roots = tree::roots(&chain);
    let lost = kept.iter().filter(|head| roots.get(head.size) != Some(&head.root)).map(|head| head.size).min();
    broken.chain(lost.map(|size| SealFinding::HeadLost { size })).collect()
}

#[cfg(test)]
mod tests;
