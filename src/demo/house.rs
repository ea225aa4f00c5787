//! The whole service in this process, with a clock that is set by hand.
//!
//! The rule of this file: what is served here is the router that `serve` serves, on the loopback interface, and the
//! loops' own ticks; the demo has no other way to change anything.

use std::net::{Ipv4Addr, SocketAddr};

use anyhow::Context;
use chrono::{DateTime, Utc};
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

use crate::clock::Clock;
use crate::http::{self, AppState};
use crate::jobs;

/// How far ahead a day of the past is planned: what lies further is planned again before anybody could look at it.
const PAST_HORIZON_DAYS: u32 = 3;

/// How far ahead to plan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ahead {
    /// As far as people in the past could have looked.
    DaysPast,
    /// As far as the service is configured to.
    AsConfigured,
}

/// The service while it runs.
#[derive(Debug)]
pub(super) struct House {
    state: AppState,
    address: SocketAddr,
    stop: oneshot::Sender<()>,
    server: JoinHandle<std::io::Result<()>>,
}

impl House {
    /// Serves on a free port, at the instant `at`.
    ///
    /// # Errors
    /// When no port is free, or the database does not answer.
    pub(super) async fn open(state: AppState, at: DateTime<Utc>) -> anyhow::Result<Self> {
        let state = AppState { clock: Clock::manual(at), ..state };
        jobs::housekeeping::make_partitions(&state.pool, at).await?;
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.context("no free port on 127.0.0.1")?;
        let address = listener.local_addr()?;
        let (stop, stopped) = oneshot::channel();
        let app = http::app(state.clone());
        let server = tokio::spawn(async move {
            // A sender that is gone stops the server too.
            axum::serve(listener, app).with_graceful_shutdown(async { drop(stopped.await) }).await
        });
        Ok(Self { state, address, stop, server })
    }

    /// Where it listens.
    #[must_use]
    pub(super) fn address(&self) -> SocketAddr {
        self.address
    }

    /// Sets the clock.
    pub(super) fn set_clock(&self, at: DateTime<Utc>) {
        self.state.clock.set(at);
    }

    /// Lets the planner look at what is due for planning, so far ahead.
    ///
    /// # Errors
    /// When the database does not answer, or a clinic cannot be planned.
    pub(super) async fn plan(&self, ahead: Ahead) -> anyhow::Result<()> {
        let horizon_days = match ahead {
            Ahead::DaysPast => self.state.horizon_days.min(PAST_HORIZON_DAYS),
            Ahead::AsConfigured => self.state.horizon_days,
        };
        let report = jobs::planner::tick(&self.state.pool, &self.state.clock, horizon_days).await?;
        anyhow::ensure!(report.failed == 0, "{} clinics could not be planned; the log says why", report.failed);
        Ok(())
    }

    /// What happens once a day beside planning: partitions for the days to come, and seals of those that are over.
    ///
    /// # Errors
    /// When the database does not answer, or a day cannot be sealed.
    pub(super) async fn keep(&self) -> anyhow::Result<()> {
        jobs::housekeeping::make_partitions(&self.state.pool, self.state.clock.now()).await?;
        let report = jobs::sealer::seal(&self.state.pool, &self.state.clock).await?;
        anyhow::ensure!(report.failed == 0, "{} clinics could not be sealed; the log says why", report.failed);
        Ok(())
    }

    /// Stops serving once the last request is answered.
    ///
    /// # Errors
    /// When the server had stopped by itself.
    pub(super) async fn close(self) -> anyhow::Result<()> {
        // Where the server is gone already there is nobody to tell, and waiting for it says why.
        self.stop.send(()).ok();
        self.server.await?.context("the demo's server stopped")
    }
}
