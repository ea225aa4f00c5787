//! What is killed, and when.
//!
//! The rule of this file: moments are pseudo-random, so that a run that failed can be made again; nothing is right or
//! wrong because of how long something took.

use std::time::Duration;

use crate::support::chance::Chance;
use crate::support::service::Service;

/// Lets up to so many milliseconds pass.
pub(super) async fn pass(chance: &mut Chance, at_most_ms: u64) {
    tokio::time::sleep(Duration::from_millis(chance.between(0, at_most_ms))).await;
}

/// What is killed in a round.
#[derive(Clone, Copy, Debug)]
pub(super) enum Victim {
    Service,
    /// The running service brings it back.
    Database,
    /// And then the service, while it is at that.
    DatabaseThenService,
}

impl Victim {
    /// Service and database in turn.
    pub(super) fn of_round(round: u32) -> Self {
        match round % 4 {
            0 | 2 => Self::Service,
            1 => Self::Database,
            _ => Self::DatabaseThenService,
        }
    }

    /// Kills it and waits until the service is ready again.
    pub(super) async fn kill(self, service: &mut Service, chance: &mut Chance) {
        match self {
            Self::Service => {
                service.kill();
                service.start().await;
            }
            Self::Database => {
                let killed = service.kill_database();
                service.until_brought_back(killed).await;
            }
            Self::DatabaseThenService => {
                service.kill_database();
                // It looks every quarter of a second; half of the time it has begun a start by then.
                pass(chance, 500).await;
                service.kill();
                service.start().await;
            }
        }
    }
}
