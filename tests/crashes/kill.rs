//! What is killed, and when.
//!
//! The rule of this file: moments are pseudo-random, so that a run that failed can be made again; nothing is right or
//! wrong because of how long something took.

use std::time::Duration;

use crate::support::service::Service;

/// Pseudo-random numbers that are the same in every run: `SplitMix64` (Steele, Lea, Flood: Fast Splittable Pseudorandom
/// Number Generators, 2014; constants from memory).
pub(super) struct Chance(pub(super) u64);

impl Chance {
    /// A number from `low` to `high`, both included.
    pub(super) fn between(&mut self, low: u64, high: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        low + (bits ^ (bits >> 31)) % (high - low + 1)
    }

    /// Lets up to so many milliseconds pass.
    pub(super) async fn pass(&mut self, at_most_ms: u64) {
        tokio::time::sleep(Duration::from_millis(self.between(0, at_most_ms))).await;
    }
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
                chance.pass(500).await;
                service.kill();
                service.start().await;
            }
        }
    }
}
