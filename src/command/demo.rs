//! The demo: an invented group with weeks of history.
//!
//! The rule of this file: it only wires; what the demo does stands in [`crate::demo`].

use std::sync::Arc;

use tokio::sync::Notify;

use super::connect::{Database, data_dir};
use crate::clock::Clock;
use crate::config::Config;
use crate::demo::{self, LoadOptions};
use crate::http::AppState;
use crate::http::streaming::Room;

/// Loads the demo and says what was written.
pub(super) async fn load(config: &Config, options: LoadOptions) -> anyhow::Result<()> {
    let clock = Clock::System;
    let database = Database::open(config).await?;
    database.migrate().await?;
    let pool = database.hasty_pool(&clock).await?;
    let state = AppState {
        pool: pool.clone(),
        clock,
        limits: Arc::new(config.limits),
        wake_planner: Arc::new(Notify::new()),
        horizon_days: config.horizon_days,
        streams: Arc::new(Room::beside(config.pool_size)),
        last_look: Arc::default(),
    };
    let outcome = demo::load(&state, &data_dir(config), &options).await;
    pool.close().await;
    if let Some(cluster) = database.cluster() {
        cluster.stop().await?;
    }
    let (keyring, is_new) = outcome?;
    let done = if is_new { "loaded" } else { "stands already; loaded" };
    println!("{} {done} up to {}", keyring.group_name, keyring.loaded_at.format("%Y-%m-%d %H:%M UTC"));
    print!("{}", keyring.summary);
    Ok(())
}

/// Prints lines to paste, or the ids and keys of one clinic for a shell.
pub(super) fn show(config: &Config, variables_of: Option<&str>) -> anyhow::Result<()> {
    let text = match variables_of {
        Some(clinic) => demo::variables(&data_dir(config), config.listen, clinic)?,
        None => demo::show(&data_dir(config), config.listen, Clock::System.now())?,
    };
    print!("{text}");
    Ok(())
}
