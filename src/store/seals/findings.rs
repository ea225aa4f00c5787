//! What checks of seals found.
//!
//! The rule of this file: a finding is kept once, with when it was first seen, and is never taken back.

use chrono::{DateTime, Utc};
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use sqlx::PgConnection;
use uuid::Uuid;

use crate::domain::seal::tamper::SealFinding;
use crate::store::{Result, StoreError};

/// A finding as it is kept.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptFinding {
    /// Its identity.
    pub finding_id: Uuid,
    /// Where.
    pub clinic_id: Uuid,
    /// When it was first seen.
    pub found_at: DateTime<Utc>,
    /// What it is.
    pub finding: SealFinding,
}

/// Keeps what a check found; answers what was not known before.
///
/// # Errors
/// When the database does not answer.
pub async fn insert(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Uuid,
    findings: &[SealFinding],
    now: DateTime<Utc>,
) -> Result<Vec<KeptFinding>> {
    let mut kept = Vec::new();
    for finding in findings {
        let body = json!(finding);
        let finding_id = derive_finding_id(clinic_id, &body);
        let done = sqlx::query!(
            "insert into seal_finding (group_id, finding_id, clinic_id, found_at, finding)
             values ($1, $2, $3, $4, $5) on conflict do nothing",
            group_id,
            finding_id,
            clinic_id,
            now,
            body
        )
        .execute(&mut *db)
        .await?;
        if done.rows_affected() == 1 {
            kept.push(KeptFinding { finding_id, clinic_id, found_at: now, finding: finding.clone() });
        }
    }
    Ok(kept)
}

/// A finding that is seen again is the same finding.
fn derive_finding_id(clinic_id: Uuid, finding: &Value) -> Uuid {
    let mut hash = Sha256::new();
    hash.update(b"chairtide seal finding v1");
    hash.update(clinic_id.as_bytes());
    hash.update(finding.to_string());
    let digest = hash.finalize();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    uuid::Builder::from_custom_bytes(bytes).into_uuid()
}

/// What checks found, the newest first: at most so many, from before a place in that list; in these clinics, or
/// (`None`) in all of the group's.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_ids: Option<&[Uuid]>,
    before: Option<(DateTime<Utc>, Uuid)>,
    at_most: i64,
) -> Result<Vec<KeptFinding>> {
    let (before_at, before_id) = before.unzip();
    let rows = sqlx::query!(
        "select finding_id, clinic_id, found_at, finding from seal_finding
         where group_id = $1 and ($2::uuid[] is null or clinic_id = any($2))
           and ($3::timestamptz is null or (found_at, finding_id) < ($3, $4::uuid))
         order by found_at desc, finding_id desc limit $5",
        group_id,
        clinic_ids,
        before_at,
        before_id,
        at_most
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let finding = serde_json::from_value(row.finding)
                .map_err(|error| StoreError::bad_row("seal_finding", row.finding_id, "finding", error))?;
            Ok(KeptFinding { finding_id: row.finding_id, clinic_id: row.clinic_id, found_at: row.found_at, finding })
        })
        .collect()
}
