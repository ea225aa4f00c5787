//! The demo's keys, kept in a file, since the service shows a token once and forgets it.
//!
//! The rule of this file: these are keys of an invented group on this machine. The file is for its owner's eyes only
//! (mode 0600), and no key of a real group is ever written anywhere.

use std::fs::{self, OpenOptions};
use std::io::{self, Write as _};
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;

use anyhow::Context;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use uuid::Uuid;

use super::client::Client;
use super::dice::Dice;
use super::seed::Seed;
use super::summary::Summary;
use crate::domain::access::{Reach, Role};

const FILE: &str = "demo-keys.json";

/// What a load leaves behind for `demo show`.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Keyring {
    /// The group.
    pub group_id: Uuid,
    /// Its name.
    pub group_name: String,
    /// The instant the history ends at.
    pub loaded_at: DateTime<Utc>,
    /// The keys, by who holds them.
    pub(super) keys: Vec<DemoKey>,
    /// What the example lines are about.
    pub(super) examples: Vec<Example>,
    /// What was loaded.
    pub summary: Summary,
}

/// A key with its token.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct DemoKey {
    /// What the administrator calls it.
    pub label: String,
    /// What it may do.
    pub role: Role,
    /// How far it reaches.
    pub reach: Reach,
    /// The token.
    pub token: String,
}

/// Ids of one clinic for the example lines.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Example {
    /// The clinic.
    pub clinic_id: Uuid,
    /// Its name.
    pub clinic_name: String,
    /// An operatory in use.
    pub operatory_id: Uuid,
    /// Its name.
    pub operatory_name: String,
    /// A task that stays open for days and wants one timed hold.
    pub hold_task: Option<HoldTask>,
}

/// A task that wants one timed hold.
#[derive(Clone, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct HoldTask {
    /// Its id.
    pub task_id: Uuid,
    /// The hold's step.
    pub hold_step: String,
    /// How long it must be held, in seconds.
    pub minimum_seconds: u32,
    /// The steps that only want to be confirmed.
    pub confirmations: Vec<String>,
}

impl Keyring {
    /// The keyring of an earlier load; `None` when there was none.
    ///
    /// # Errors
    /// When the file cannot be read, or is not one of ours.
    pub(super) fn read(data_dir: &Path) -> anyhow::Result<Option<Self>> {
        let path = data_dir.join(FILE);
        let text = match fs::read_to_string(&path) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
            text => text.with_context(|| format!("cannot read {}", path.display()))?,
        };
        serde_json::from_str(&text).map(Some).with_context(|| format!("{} is not a demo's keyring", path.display()))
    }

    /// Writes the file, whole or not at all.
    ///
    /// # Errors
    /// When the directory cannot be written to.
    pub(super) fn write(&self, data_dir: &Path) -> anyhow::Result<()> {
        let path = data_dir.join(FILE);
        let new = data_dir.join(format!("{FILE}.new"));
        let write = || -> io::Result<()> {
            fs::create_dir_all(data_dir)?;
            // A leftover of a load that died may have another mode.
            match fs::remove_file(&new) {
                Err(error) if error.kind() != io::ErrorKind::NotFound => return Err(error),
                _ => {}
            }
            let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&new)?;
            file.write_all(&serde_json::to_vec_pretty(self)?)?;
            file.sync_all()?;
            fs::rename(&new, &path)
        };
        write().with_context(|| format!("cannot write {}", path.display()))
    }

    /// The token of the first key with this role that reaches the clinic.
    #[must_use]
    pub(super) fn token(&self, role: Role, clinic_id: Uuid) -> Option<&str> {
        self.keys.iter().find(|k| k.role == role && k.reach.covers_clinic(clinic_id)).map(|k| k.token.as_str())
    }
}

/// Asks the service for the keys of every client of the group.
///
/// # Errors
/// When the service refuses.
pub(super) async fn cut_keys(administrator: &Client, seed: &Seed, dice: &mut Dice) -> anyhow::Result<Vec<DemoKey>> {
    let mut wanted = Vec::new();
    for clinic in &seed.clinics {
        let reach = Reach::Clinics { clinic_ids: vec![clinic.clinic_id] };
        let name = &clinic.clinic.name;
        wanted.push((format!("Front desk, {name}"), Role::FrontDesk, reach.clone()));
        wanted.push((format!("Tablets, {name}"), Role::Chairside, reach));
    }
    wanted.push(("Group manager".to_owned(), Role::Manager, Reach::Group {}));
    wanted.push(("Auditor".to_owned(), Role::Reader, Reach::Group {}));
    let mut keys = Vec::with_capacity(wanted.len());
    for (label, role, reach) in wanted {
        let body = json!({ "key_id": dice.uuid(), "label": label, "role": role, "reach": reach });
        let answer = administrator.post("/v1/keys", &body).await?;
        let token = answer.get("token").and_then(Value::as_str).context("a new key came without its token")?;
        keys.push(DemoKey { token: token.to_owned(), label, role, reach });
    }
    Ok(keys)
}
