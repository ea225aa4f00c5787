//! Keeping the server up while the service runs.
//!
//! The rule: the supervisor ends on shutdown only. Whatever goes wrong is logged and tried again
//! after a pause that grows; the service meanwhile answers that its database is away.

use std::pin::pin;
use std::time::Duration;

use tokio::time::{Instant, sleep};
use tracing::{error, warn};

use super::Cluster;

/// Between two looks at a healthy server.
const WATCH_PAUSE: Duration = Duration::from_millis(250);

/// One attempt to start; short, so that a shutdown need not wait for a long recovery.
const ATTEMPT_LIMIT: Duration = Duration::from_secs(5);

/// A server up for so long is healthy, and its next end is a new trouble.
const HEALTHY_AFTER: Duration = Duration::from_mins(1);

const FIRST_PAUSE: Duration = Duration::from_millis(250);
const LONGEST_PAUSE: Duration = Duration::from_secs(30);

impl Cluster {
    /// Watches the server and starts it again when it ends, until `shutdown` completes. It does
    /// not stop the server; [`Cluster::stop`] does, before or after.
    pub async fn supervise(&self, shutdown: impl Future<Output = ()>) {
        let mut shutdown = pin!(shutdown);
        let mut backoff = Backoff::default();
        loop {
            let watched_since = Instant::now();
            tokio::select! {
                () = &mut shutdown => return,
                () = self.server_ended() => {}
            }
            if watched_since.elapsed() >= HEALTHY_AFTER {
                backoff = Backoff::default();
            }
            tokio::select! {
                () = &mut shutdown => return,
                () = sleep(backoff.next_pause()) => {}
            }
            // Not raced against the shutdown: a start given up halfway could leave a server
            // behind that a stop right after does not see yet.
            self.start_again().await;
        }
    }

    /// Completes when a server that should run does not.
    async fn server_ended(&self) {
        loop {
            let state = self.state.lock().await;
            if state.wanted && !state.process.is_alive() {
                return;
            }
            drop(state);
            sleep(WATCH_PAUSE).await;
        }
    }

    async fn start_again(&self) {
        let mut state = self.state.lock().await;
        if !state.wanted {
            return;
        }
        warn!(pid = state.process.pid().as_raw_pid(), "the database server ended and is started again");
        match self.postmaster.start(ATTEMPT_LIMIT).await {
            Ok(process) => state.process = process,
            Err(problem) => error!(%problem, "the database server is not up again yet"),
        }
    }
}

/// The pauses before attempts: none before the first, then doubled up to the longest.
#[derive(Debug, Default)]
struct Backoff {
    pause: Duration,
}

impl Backoff {
    fn next_pause(&mut self) -> Duration {
        let pause = self.pause;
        self.pause = (pause * 2).clamp(FIRST_PAUSE, LONGEST_PAUSE);
        pause
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_start_at_once_then_double_and_stay_at_the_longest() {
        let mut backoff = Backoff::default();
        let pauses: Vec<_> = (0..10).map(|_| backoff.next_pause().as_millis()).collect();
        // Doubling from the first pause, worked out by hand.
        assert_eq!(pauses, [0, 250, 500, 1000, 2000, 4000, 8000, 16000, 30000, 30000]);
    }
}
