//! What happens by itself. One file is one loop, and one loop is one public `tick()` that tests call.
//!
//! The rule of this module: a tick that fails is logged and tried again, since the database may be away for a while;
//! an item that cannot be worked is data on its row; only a loop that breaks ends, and then the process ends with it.

pub mod housekeeping;
pub mod misses;
pub mod planner;
pub mod sealer;

use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use sqlx::PgPool;
use tokio::sync::Notify;
use tokio::task::{JoinError, JoinSet};
use tokio_util::sync::CancellationToken;
use uuid::Uuid;

use crate::clock::Clock;
use crate::store;

/// Between two ticks of housekeeping: as long as `reporting` may lag behind the service's clock.
const HOUSEKEEPING_PAUSE: Duration = Duration::from_secs(15);

/// Between two ticks of the planner when nobody wakes it: how long an edit made through another instance may wait.
const PLANNER_PAUSE: Duration = Duration::from_secs(5);

/// Between two ticks of the sealer: it works by clinic days, so it need not hurry.
const SEALER_PAUSE: Duration = Duration::from_mins(1);

/// Between two looks for missed tasks that open a corrective action.
const MISSES_PAUSE: Duration = Duration::from_mins(1);

/// What every loop works with.
#[derive(Clone, Debug)]
pub struct Jobs {
    /// Connections to Postgres.
    pub pool: PgPool,
    /// The one clock.
    pub clock: Clock,
    /// Wakes the planner before its next tick; a hint only, the table is the truth.
    pub wake_planner: Arc<Notify>,
    /// How far ahead clinics are planned, in days.
    pub horizon_days: u32,
    /// This instance, as others see it.
    pub instance_id: Uuid,
    /// Release of the time zone data that local times are resolved with.
    pub zone_data: String,
}

/// Runs every loop until `stop`, each to the end of its running tick.
///
/// # Errors
/// When a loop breaks.
pub async fn run(jobs: Jobs, stop: CancellationToken) -> Result<(), JoinError> {
    let mut loops = JoinSet::new();
    {
        let (jobs, stop) = (jobs.clone(), stop.clone());
        let pause = Pause { period: HOUSEKEEPING_PAUSE, wake: None };
        loops.spawn(async move {
            repeat("housekeeping", pause, &stop, || async { housekeeping::tick(&jobs).await.map(drop) }).await;
        });
    }
    {
        let (jobs, stop) = (jobs.clone(), stop.clone());
        let pause = Pause { period: PLANNER_PAUSE, wake: Some(Arc::clone(&jobs.wake_planner)) };
        loops.spawn(async move {
            let tick = || async { planner::tick(&jobs.pool, &jobs.clock, jobs.horizon_days).await.map(drop) };
            repeat("planner", pause, &stop, tick).await;
        });
    }
    {
        let (jobs, stop) = (jobs.clone(), stop.clone());
        let pause = Pause { period: MISSES_PAUSE, wake: None };
        loops.spawn(async move {
            repeat("misses", pause, &stop, || async { misses::tick(&jobs.pool, &jobs.clock).await.map(drop) }).await;
        });
    }
    {
        let pause = Pause { period: SEALER_PAUSE, wake: None };
        loops.spawn(async move {
            repeat("sealer", pause, &stop, || async { sealer::tick(&jobs.pool, &jobs.clock).await.map(drop) }).await;
        });
    }
    while let Some(ended) = loops.join_next().await {
        ended?;
    }
    Ok(())
}

/// When a loop ticks again.
struct Pause {
    period: Duration,
    wake: Option<Arc<Notify>>,
}

impl Pause {
    async fn wait(&self) {
        match &self.wake {
            // The notice is kept by `Notify` when it comes during a tick, so none is lost.
            Some(wake) => tokio::select! {
                () = wake.notified() => {}
                () = tokio::time::sleep(self.period) => {}
            },
            None => tokio::time::sleep(self.period).await,
        }
    }
}

/// Ticks until `stop`. A failed tick waits its full period, woken or not: a database that is away is not to be hurried.
async fn repeat<F, T>(name: &'static str, pause: Pause, stop: &CancellationToken, mut tick: F)
where
    F: FnMut() -> T,
    T: Future<Output = store::Result<()>>,
{
    loop {
        let outcome = tick().await;
        let pause = async {
            match outcome {
                Ok(()) => pause.wait().await,
                Err(error) => {
                    tracing::error!(job = name, %error, "tick failed");
                    tokio::time::sleep(pause.period).await;
                }
            }
        };
        tokio::select! {
            () = stop.cancelled() => return,
            () = pause => {}
        }
    }
}

#[cfg(test)]
mod tests {
    use std::cell::Cell;

    use super::*;

    #[tokio::test(start_paused = true)]
    async fn a_failed_tick_is_tried_again_and_a_stop_ends_the_loop() {
        let stop = CancellationToken::new();
        let ticks = Cell::new(0);
        let pause = Pause { period: Duration::from_mins(1), wake: None };
        repeat("test", pause, &stop, || {
            ticks.set(ticks.get() + 1);
            if ticks.get() == 3 {
                stop.cancel();
            }
            async { Err(sqlx::Error::PoolTimedOut.into()) }
        })
        .await;
        assert_eq!(ticks.get(), 3);
    }

    #[tokio::test(start_paused = true)]
    async fn a_notice_that_comes_during_a_tick_starts_the_next_one_at_once() {
        let stop = CancellationToken::new();
        let wake = Arc::new(Notify::new());
        let started = tokio::time::Instant::now();
        let ticks = Cell::new(0);
        let pause = Pause { period: Duration::from_hours(1), wake: Some(wake.clone()) };
        repeat("test", pause, &stop, || {
            ticks.set(ticks.get() + 1);
            match ticks.get() {
                1 => wake.notify_one(),
                _ => stop.cancel(),
            }
            async { Ok(()) }
        })
        .await;
        assert_eq!((ticks.get(), started.elapsed()), (2, Duration::ZERO));
    }
}
