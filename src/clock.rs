//! The one clock.
//!
//! Time is an argument everywhere else: http reads this clock once a request, a job once a tick, and hand the instant
//! on. It is cut to microseconds, because that is what Postgres keeps; an instant that went through the database
//! compares equal to the one that did not.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use chrono::{DateTime, SubsecRound, Utc};

/// The system's clock, or one that is set by hand.
#[derive(Clone, Debug)]
pub enum Clock {
    /// The machine's clock.
    System,
    /// A clock that stands where it was set; for tests and for writing the demo's history.
    Manual(Arc<AtomicI64>),
}

impl Clock {
    /// A clock that stands at `at` until it is set.
    #[must_use]
    pub fn manual(at: DateTime<Utc>) -> Self {
        Self::Manual(Arc::new(AtomicI64::new(at.timestamp_micros())))
    }

    /// The instant, to the microsecond.
    #[must_use]
    #[expect(clippy::disallowed_methods, reason = "this is the one place that reads the clock")]
    pub fn now(&self) -> DateTime<Utc> {
        match self {
            Self::System => Utc::now().trunc_subsecs(6),
            Self::Manual(micros) => DateTime::from_timestamp_micros(micros.load(Ordering::SeqCst)).unwrap_or_default(),
        }
    }

    /// Moves a manual clock; the system's clock is not ours to set.
    pub fn set(&self, at: DateTime<Utc>) {
        if let Self::Manual(micros) = self {
            micros.store(at.timestamp_micros(), Ordering::SeqCst);
        }
    }
}
