//! What groups and clinics set about how long records are kept.
//!
//! The rule of this file: one setting for each class of a place; what decides beside it is the domain's to say.

pub mod legal_holds;
pub(super) mod purge_checks;
pub mod purge_trials;
pub mod purges;

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use serde_json::json;
use sha2::{Digest, Sha256};
use sqlx::PgConnection;
use uuid::Uuid;

use super::{Result, StoreError};
use crate::domain::limit::Source;
use crate::domain::retention::{OwnYears, RecordClass};

/// How long a group or a clinic keeps a class.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RetentionSetting {
    /// The clinic; `None`: every clinic of the group without one of its own.
    pub clinic_id: Option<Uuid>,
    /// The class.
    pub class: RecordClass,
    /// Calendar years.
    pub years: u32,
    /// Why.
    pub reason: String,
    /// What it rests on; never absent for less than the default.
    pub source: Option<Source>,
    /// When it was set.
    pub set_at: DateTime<Utc>,
}

/// Keeps a setting, in place of the one before it.
///
/// # Errors
/// When the database does not answer.
pub async fn save(db: &mut PgConnection, group_id: Uuid, setting: &RetentionSetting) -> Result<()> {
    let years = i32::try_from(setting.years)
        .map_err(|error| StoreError::bad_row("retention_setting", setting.class.as_str(), "years", error))?;
    sqlx::query!(
        "insert into retention_setting (group_id, setting_id, clinic_id, record_class, years, reason, source, set_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8)
         on conflict (group_id, setting_id) do update set years = excluded.years, reason = excluded.reason,
             source = excluded.source, set_at = excluded.set_at",
        group_id,
        derive_setting_id(setting.clinic_id, setting.class),
        setting.clinic_id,
        setting.class.as_str(),
        years,
        setting.reason,
        setting.source.as_ref().map(|source| json!(source)),
        setting.set_at
    )
    .execute(db)
    .await?;
    Ok(())
}

fn derive_setting_id(clinic_id: Option<Uuid>, class: RecordClass) -> Uuid {
    let mut hash = Sha256::new();
    hash.update(b"chairtide retention setting v1");
    hash.update(clinic_id.unwrap_or_default().as_bytes());
    hash.update(class.as_str());
    let digest = hash.finalize();
    let mut bytes = [0; 16];
    bytes.copy_from_slice(&digest[..16]);
    uuid::Builder::from_custom_bytes(bytes).into_uuid()
}

/// The settings that count at a clinic: its own and the group's.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn list(db: &mut PgConnection, group_id: Uuid, clinic_id: Uuid) -> Result<Vec<RetentionSetting>> {
    let rows = sqlx::query!(
        "select clinic_id, record_class, years, reason, source, set_at from retention_setting
         where group_id = $1 and (clinic_id = $2 or clinic_id is null) order by record_class, clinic_id nulls first",
        group_id,
        clinic_id
    )
    .fetch_all(db)
    .await?;
    rows.into_iter()
        .map(|row| {
            let bad =
                |column, detail: String| StoreError::bad_row("retention_setting", &row.record_class, column, detail);
            Ok(RetentionSetting {
                clinic_id: row.clinic_id,
                class: RecordClass::from_name(&row.record_class)
                    .ok_or_else(|| bad("record_class", row.record_class.clone()))?,
                years: u32::try_from(row.years).map_err(|error| bad("years", error.to_string()))?,
                reason: row.reason,
                source: row
                    .source
                    .map(serde_json::from_value)
                    .transpose()
                    .map_err(|error| bad("source", error.to_string()))?,
                set_at: row.set_at,
            })
        })
        .collect()
}

/// The group's own setting of a class, or a clinic's.
///
/// # Errors
/// When the database does not answer, or holds a row the model does not know.
pub async fn find(
    db: &mut PgConnection,
    group_id: Uuid,
    clinic_id: Option<Uuid>,
    class: RecordClass,
) -> Result<Option<RetentionSetting>> {
    let all = list(db, group_id, clinic_id.unwrap_or_default()).await?;
    Ok(all.into_iter().find(|setting| (setting.clinic_id, setting.class) == (clinic_id, class)))
}

/// The years of settings, by class.
#[must_use]
pub fn own_years(settings: &[RetentionSetting]) -> BTreeMap<RecordClass, OwnYears> {
    let mut own: BTreeMap<RecordClass, OwnYears> = BTreeMap::new();
    for setting in settings {
        let years = own.entry(setting.class).or_default();
        match setting.clinic_id {
            Some(_) => years.clinic = Some(setting.years),
            None => years.group = Some(setting.years),
        }
    }
    own
}
