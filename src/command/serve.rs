//! Serving: the API, the loops behind it, and the private cluster where there is one, as one process.
//!
//! The rule of this file: the parts live and end together. If one ends by itself the others are stopped and the
//! process ends with its error, so that whoever watches the process sees that something is wrong.

use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context as _, anyhow};
use axum::Router;
use tokio::net::TcpListener;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::sync::Notify;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use super::connect::Database;
use super::connections;
use crate::clock::Clock;
use crate::config::Config;
use crate::http::health::{self, metrics};
use crate::http::streaming::Room;
use crate::http::{self, AppState};
use crate::jobs::{self, Jobs};

/// Between two foldings of what was measured, for when nobody scrapes.
const METRICS_UPKEEP: Duration = Duration::from_secs(10);

/// Serves until a signal comes or a part ends.
pub(super) async fn serve(config: &Config, migrate: bool) -> anyhow::Result<()> {
    let signals = Signals::listen()?;
    let database = Database::open_alone(config).await?;
    let outcome = run(config, &database, migrate, signals).await;
    outcome.and(database.close().await)
}

async fn run(config: &Config, database: &Database, migrate: bool, mut signals: Signals) -> anyhow::Result<()> {
    let clock = Clock::System;
    if migrate || database.is_private() {
        database.migrate().await?;
    }
    let pool = database.checked_pool(&clock).await?;
    let wake_planner = Arc::new(Notify::new());
    let zone_data = health::zone_data();
    let state = AppState {
        pool: pool.clone(),
        clock: clock.clone(),
        limits: Arc::new(config.limits),
        wake_planner: Arc::clone(&wake_planner),
        horizon_days: config.horizon_days,
        streams: Arc::new(Room::beside(config.pool_size)),
        last_look: Arc::default(),
    };
    let jobs = Jobs {
        pool: pool.clone(),
        clock,
        wake_planner,
        horizon_days: config.horizon_days,
        instance_id: config.instance_id.unwrap_or_else(Uuid::new_v4),
        zone_data: zone_data.clone(),
    };
    let listener =
        TcpListener::bind(config.listen).await.with_context(|| format!("cannot listen on {}", config.listen))?;
    tracing::info!(address = %listener.local_addr()?, zone_data, "serving");

    let stop = CancellationToken::new();
    let mut parts = JoinSet::new();
    parts.spawn(answer(listener, http::app(state), stop.clone()));
    parts.spawn(work(jobs, stop.clone()));
    parts.spawn(keep_metrics(stop.clone()));
    if let Some(cluster) = database.cluster() {
        let stop = stop.clone();
        parts.spawn(async move {
            cluster.supervise(stop.cancelled()).await;
            Ok(())
        });
    }
    let outcome = tokio::select! {
        name = signals.next() => {
            tracing::info!(signal = name, drain_seconds = config.drain.as_secs(), "stopping");
            Ok(())
        }
        Some(ended) = parts.join_next() => match ended {
            Ok(Ok(())) => Err(anyhow!("a part of the service ended by itself")),
            Ok(Err(error)) => Err(error),
            Err(broken) => Err(broken.into()),
        }
    };
    stop.cancel();
    let outcome = outcome.and(drain(parts, config.drain, signals).await);
    pool.close().await;
    outcome
}

/// Waits for every part to end, but not for ever; a second signal cuts the wait short.
async fn drain(mut parts: JoinSet<anyhow::Result<()>>, limit: Duration, mut signals: Signals) -> anyhow::Result<()> {
    let all_ended = async {
        let mut outcome = Ok(());
        while let Some(ended) = parts.join_next().await {
            outcome = outcome.and(ended.unwrap_or_else(|broken| Err(broken.into())));
        }
        outcome
    };
    tokio::select! {
        outcome = all_ended => return outcome,
        () = tokio::time::sleep(limit) => tracing::warn!("stopping with work unfinished: the time for it is over"),
        _ = signals.next() => tracing::warn!("stopping with work unfinished: asked a second time"),
    }
    // Transactions that are open now are rolled back by the database.
    Ok(())
}

async fn answer(listener: TcpListener, app: Router, stop: CancellationToken) -> anyhow::Result<()> {
    connections::answer(listener, app, stop).await;
    Ok(())
}

async fn work(jobs: Jobs, stop: CancellationToken) -> anyhow::Result<()> {
    jobs::run(jobs, stop).await.context("a loop broke")
}

async fn keep_metrics(stop: CancellationToken) -> anyhow::Result<()> {
    while stop.run_until_cancelled(tokio::time::sleep(METRICS_UPKEEP)).await.is_some() {
        metrics::upkeep();
    }
    Ok(())
}

/// The signals that ask for an end.
struct Signals {
    terminate: Signal,
    interrupt: Signal,
}

impl Signals {
    fn listen() -> anyhow::Result<Self> {
        Ok(Self { terminate: signal(SignalKind::terminate())?, interrupt: signal(SignalKind::interrupt())? })
    }

    async fn next(&mut self) -> &'static str {
        tokio::select! {
            _ = self.terminate.recv() => "SIGTERM",
            _ = self.interrupt.recv() => "SIGINT",
        }
    }
}
