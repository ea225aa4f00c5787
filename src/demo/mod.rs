//! An invented group with four weeks of history that end now.
//!
//! The rule of this module: the demo is a client like any other. But for the group and its first key, which no API
//! makes, everything is written through the public HTTP API, with the service's clock set to when it would have
//! happened. So the demo also proves, each time it is loaded, that the API carries a clinic's month.
//!
//! | File | What |
//! |---|---|
//! | `seed` | the invented group as its files hold it |
//! | `people`, `stock` | who works there, and with which products and lots |
//! | `story` | what is told on purpose, and how often chance strikes |
//! | `dice` | chance that repeats itself |
//! | `agenda` | one clinic's day before it happens |
//! | `site` | a clinic as those who work there know it |
//! | `tablet`, `given` | what somebody enters about a task |
//! | `queue`, `history` | everything in order of time |
//! | `house` | the service in this process, with a clock that is set by hand |
//! | `client` | the way into it |
//! | `configure` | the group's configuration |
//! | `keyring`, `show` | the demo's keys, and lines to paste |
//! | `summary` | what a load did |

mod agenda;
mod client;
mod configure;
mod dice;
mod given;
mod history;
mod house;
mod keyring;
mod people;
mod queue;
mod seed;
mod show;
mod site;
mod stock;
mod story;
mod summary;
mod tablet;

use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use anyhow::{Context, anyhow, bail};
use chrono::{DateTime, NaiveTime, Utc};
use serde::Deserialize;
use serde_json::json;
use uuid::Uuid;

use self::client::Client;
use self::configure::ClinicDates;
use self::dice::Dice;
use self::history::{History, Office};
use self::house::{Ahead, House};
use self::keyring::{DemoKey, Example, HoldTask};
use self::seed::{ClinicSeed, Seed, date_from};
use self::site::Site;
use self::tablet::{DueList, DueTask};
use crate::domain::access::{Reach, Role};
use crate::domain::event::EventKind;
use crate::domain::step::StepEvidence;
use crate::domain::zone;
use crate::http::AppState;
use crate::http::caller::Token;
use crate::progress::Progress;
use crate::store;
use crate::store::groups::Group;
use crate::store::keys::Key;

pub use self::keyring::Keyring;
pub use self::summary::Summary;

/// The number the dice start from.
const DICE_SEED: u64 = 0x5A17_3A55;

/// Longest history a load may write: partitions are kept ready for two months behind.
pub const MOST_DAYS: u32 = 56;

/// What to load.
#[derive(Clone, Debug)]
pub struct LoadOptions {
    /// Whole days of history, 1 to [`MOST_DAYS`].
    pub days: u32,
    /// Directory of the group's files.
    pub data: PathBuf,
}

/// Loads the demo, unless it is there already; the second value says whether this call wrote it.
///
/// # Errors
/// When the files do not have their shape, the service refuses something, or an earlier load was interrupted.
pub async fn load(state: &AppState, data_dir: &Path, options: &LoadOptions) -> anyhow::Result<(Keyring, bool)> {
    if !(1..=MOST_DAYS).contains(&options.days) {
        bail!("--days must be from 1 to {MOST_DAYS}");
    }
    let seed = Seed::read(&options.data)?;
    let until = state.clock.now();
    if group_stands(state, seed.group.group_id).await? {
        let keyring = Keyring::read(data_dir)?.filter(|k| k.group_id == seed.group.group_id);
        return keyring.map(|keyring| (keyring, false)).with_context(|| {
            format!(
                "the group {} stands in the database, but its keys are not in {}: an earlier load was interrupted or \
                 ran with another data directory; start anew with an empty database (seed-demo/run --fresh)",
                seed.group.name,
                data_dir.display()
            )
        });
    }
    let dates: Vec<ClinicDates> =
        seed.clinics.iter().map(|clinic| dates(clinic, until, options.days)).collect::<anyhow::Result<_>>()?;
    let starts: Vec<DateTime<Utc>> = seed
        .clinics
        .iter()
        .zip(&dates)
        .map(|(clinic, dates)| Ok(zone::resolve(&clinic.zone()?, dates.first_day.and_time(NaiveTime::MIN))))
        .collect::<anyhow::Result<_>>()?;
    let starts_at = starts.into_iter().min().context("the demo has no clinic")?;
    let house = House::open(state.clone(), starts_at).await?;
    let keyring = write(state, &house, &seed, &dates, starts_at, until).await?;
    house.close().await?;
    let keyring = Keyring { summary: Summary { days: options.days, ..keyring.summary }, ..keyring };
    keyring.write(data_dir)?;
    Ok((keyring, true))
}

/// Lines to paste for the demo that was loaded with this data directory.
///
/// # Errors
/// When none was.
pub fn show(data_dir: &Path, listen: SocketAddr, now: DateTime<Utc>) -> anyhow::Result<String> {
    let keyring = Keyring::read(data_dir)?
        .with_context(|| format!("no demo was loaded with {}: run `chairtide demo load`", data_dir.display()))?;
    Ok(show::lines(&keyring, listen, now))
}

/// Shell assignments of the ids and keys of one clinic of the demo, whose name holds `clinic`.
///
/// # Errors
/// When no demo was loaded with this data directory, or it has no such clinic.
pub fn variables(data_dir: &Path, listen: SocketAddr, clinic: &str) -> anyhow::Result<String> {
    let keyring = Keyring::read(data_dir)?
        .with_context(|| format!("no demo was loaded with {}: run `chairtide demo load`", data_dir.display()))?;
    show::variables(&keyring, listen, clinic).with_context(|| format!("the demo has no clinic named {clinic}"))
}

fn dates(clinic: &ClinicSeed, until: DateTime<Utc>, days: u32) -> anyhow::Result<ClinicDates> {
    let today = clinic.date_at(until)?;
    Ok(ClinicDates { first_day: date_from(today, -i64::from(days)), today })
}

async fn group_stands(state: &AppState, group_id: Uuid) -> anyhow::Result<bool> {
    let mut tx = store::begin(&state.pool, group_id).await?;
    let group = store::groups::find(&mut tx, group_id).await?;
    tx.commit().await?;
    Ok(group.is_some())
}

async fn write(
    state: &AppState,
    house: &House,
    seed: &Seed,
    dates: &[ClinicDates],
    starts_at: DateTime<Utc>,
    until: DateTime<Utc>,
) -> anyhow::Result<Keyring> {
    let mut dice = Dice::new(DICE_SEED);
    let first_key = found_group(state, seed, dice.uuid(), starts_at).await?;
    let administrator = Client::new(house.address(), first_key.token.clone());
    configure::configure(&administrator, seed, dates).await?;
    house.plan(Ahead::DaysPast).await?;
    let mut keys = vec![first_key];
    keys.extend(keyring::cut_keys(&administrator, seed, &mut dice).await?);

    let client = |role, clinic_id| -> anyhow::Result<Client> {
        let key = keys.iter().find(|k| k.role == role && k.reach.covers_clinic(clinic_id));
        let key = key.with_context(|| format!("no {} key reaches the clinic {clinic_id}", role.as_str()))?;
        Ok(administrator.with_token(key.token.clone()))
    };
    let mut sites = Vec::with_capacity(seed.clinics.len());
    for (clinic, dates) in seed.clinics.iter().zip(dates) {
        sites.push(Site {
            seed: clinic,
            hours: clinic.hours(dates.today)?,
            shelf: seed.stock.shelf(clinic, *dates)?,
            dates: *dates,
            desk: client(Role::FrontDesk, clinic.clinic_id)?,
            tablets: client(Role::Chairside, clinic.clinic_id)?,
        });
    }
    let any_clinic = seed.clinics.first().context("the demo has no clinic")?.clinic_id;
    let manager = client(Role::Manager, any_clinic)?;
    let office = Office { administrator: administrator.clone(), manager: manager.clone() };
    let tablets: Vec<Client> = sites.iter().map(|site| site.tablets.clone()).collect();

    let history = History::new(seed, house, office, sites, dice)?;
    let progress = Progress::start("clinic days", history.new_days());
    let mut summary = history.unfold(until, &progress).await?;
    progress.finish();

    let counts: SummaryPage = manager.get("/v1/summary").await?;
    summary.overdue = counts.items.into_iter().map(|c| (c.name, c.overdue_now)).collect();
    let mut examples = Vec::with_capacity(seed.clinics.len());
    for (clinic, tablets) in seed.clinics.iter().zip(&tablets) {
        examples.push(example(clinic, tablets).await?);
    }
    let group = seed.group.clone();
    Ok(Keyring { group_id: group.group_id, group_name: group.name, loaded_at: until, keys, examples, summary })
}

/// The group and its first administrator key: what `group create` does on the command line.
async fn found_group(state: &AppState, seed: &Seed, key_id: Uuid, now: DateTime<Utc>) -> anyhow::Result<DemoKey> {
    let group_id = seed.group.group_id;
    let group = Group { group_id, name: seed.group.name.clone(), created_at: now };
    let token = Token::make(group_id).map_err(|_| anyhow!("the operating system has no randomness to give"))?;
    let key = Key {
        key_id,
        label: "Administrator of the demo".to_owned(),
        role: Role::Administrator,
        reach: Reach::Group {},
        shared: false,
        created_at: now,
        revoked_at: None,
        last_used_at: None,
    };
    let body = json!({ "key_id": key.key_id, "label": key.label, "role": key.role, "reach": key.reach });
    let mut tx = store::begin(&state.pool, group_id).await?;
    if !store::groups::insert(&mut tx, &group).await? {
        bail!("somebody else is loading the demo");
    }
    store::keys::insert(&mut tx, group_id, &key, &token.secret_hash()).await?;
    store::events::append(&mut tx, group_id, EventKind::KeyCreated, None, &body, now).await?;
    tx.commit().await?;
    Ok(DemoKey { label: key.label, role: key.role, reach: key.reach, token: token.reveal() })
}

/// The part of the manager's summary that is told at the end of a load.
#[derive(Debug, Deserialize)]
struct SummaryPage {
    items: Vec<ClinicCounts>,
}

#[derive(Debug, Deserialize)]
struct ClinicCounts {
    name: String,
    overdue_now: u64,
}

/// Ids for the example lines: an operatory in use, and the open task with a single hold that stays open longest.
async fn example(clinic: &ClinicSeed, tablets: &Client) -> anyhow::Result<Example> {
    let in_use = clinic
        .operatories
        .iter()
        .find(|o| o.rest.get("service").and_then(|s| s.get("state")) == Some(&json!("in_service")));
    let operatory = in_use.with_context(|| format!("{} has no operatory in use", clinic.clinic.name))?;
    let due: DueList = tablets.get(&format!("/v1/clinics/{}/due", clinic.clinic_id)).await?;
    let hold_task = due
        .tasks
        .iter()
        .filter(|task| task.state.is_open())
        .filter_map(|task| hold_task(task).map(|hold| (task.missed_at, hold)))
        .max_by_key(|(missed_at, _)| *missed_at)
        .map(|(_, hold)| hold);
    Ok(Example {
        clinic_id: clinic.clinic_id,
        clinic_name: clinic.clinic.name.clone(),
        operatory_id: operatory.operatory_id,
        operatory_name: operatory.name.clone(),
        hold_task,
    })
}

/// The task for an example line, if confirmations and one hold are all it wants.
fn hold_task(task: &DueTask) -> Option<HoldTask> {
    let mut hold = None;
    let mut confirmations = Vec::new();
    for step in &task.steps {
        match &step.evidence {
            StepEvidence::Confirmation {} => confirmations.push(step.step.clone()),
            StepEvidence::Hold { minimum_seconds, .. } if hold.is_none() => {
                hold = Some((step.step.clone(), *minimum_seconds));
            }
            _ => return None,
        }
    }
    let (hold_step, minimum_seconds) = hold?;
    Some(HoldTask { task_id: task.task_id, hold_step, minimum_seconds, confirmations })
}
