//! What was found when the database was last looked at.
//!
//! The rule of this file: whoever asks needs no key, so asking must cost nothing. However many ask, the database is
//! looked at once a second; those who come while somebody looks wait for what is found.

use chrono::{DateTime, TimeDelta, Utc};
use tokio::sync::Mutex;

use crate::clock::Clock;
use crate::http::AppState;
use crate::store;

/// How long a look is good for.
const GOOD_FOR: TimeDelta = TimeDelta::seconds(1);

/// What a database that answered said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::http) struct Found {
    /// How its schema differs from the one this program was built for.
    pub schema_difference: Option<String>,
    /// When the clinic that waits longest was to be planned.
    pub plan_due_at: Option<DateTime<Utc>>,
    /// When the clinic that waits longest was to be sealed or checked.
    pub seal_due_at: Option<DateTime<Utc>>,
}

/// A look, and when it was over.
#[derive(Debug)]
struct Look {
    at: DateTime<Utc>,
    /// `None`: the database did not answer.
    found: Option<Found>,
}

/// The last look, shared by all who ask.
#[derive(Debug, Default)]
pub struct LastLook(Mutex<Option<Look>>);

impl LastLook {
    /// What was found less than a second ago, or what `look` finds now. It is not polled when nobody needs it.
    async fn or(&self, clock: &Clock, look: impl Future<Output = Option<Found>>) -> Option<Found> {
        // Held while somebody looks: that is what makes the others wait. One that is given up lets the next one look.
        let mut last = self.0.lock().await;
        if let Some(last) = &*last {
            let age = clock.now() - last.at;
            // A clock that was set back makes a look come from ahead; that one says nothing.
            if TimeDelta::zero() <= age && age < GOOD_FOR {
                return last.found.clone();
            }
        }
        let found = look.await;
        *last = Some(Look { at: clock.now(), found: found.clone() });
        found
    }
}

/// What the database says, from at most a second ago; `None` when it did not answer, and then the log says why.
pub(in crate::http) async fn at_database(state: &AppState) -> Option<Found> {
    let look = async {
        look_now(state).await.inspect_err(|error| tracing::warn!(%error, "the database does not answer")).ok()
    };
    state.last_look.or(&state.clock, look).await
}

async fn look_now(state: &AppState) -> store::Result<Found> {
    let mut tx = store::begin_without_tenant(&state.pool).await?;
    let schema_difference = store::setup::schema_difference(&mut tx).await?;
    let plan_due_at = store::housekeeping::oldest_plan_due(&mut tx).await?;
    let seal_due_at = store::housekeeping::oldest_seal_due(&mut tx).await?;
    tx.commit().await?;
    Ok(Found { schema_difference, plan_due_at, seal_due_at })
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::sync::atomic::{AtomicU32, Ordering};

    use tokio::task::JoinSet;

    use super::*;

    fn start() -> DateTime<Utc> {
        DateTime::from_timestamp(1_798_200_000, 0).expect("an instant")
    }

    fn numbered(number: u32) -> Found {
        Found { schema_difference: Some(number.to_string()), plan_due_at: None, seal_due_at: None }
    }

    #[tokio::test]
    async fn a_look_is_good_for_one_second_and_never_under_a_clock_that_was_set_back() {
        let (clock, last) = (Clock::manual(start()), LastLook::default());
        // Milliseconds since the start, what a look would find then, and what is answered.
        for (at_ms, finds, answered) in [
            (0, Some(numbered(1)), Some(numbered(1))),
            (0, Some(numbered(2)), Some(numbered(1))),
            (999, Some(numbered(3)), Some(numbered(1))),
            (1_000, None, None),
            (1_999, Some(numbered(4)), None),
            (2_000, Some(numbered(5)), Some(numbered(5))),
            (1_500, Some(numbered(6)), Some(numbered(6))),
        ] {
            clock.set(start() + TimeDelta::milliseconds(at_ms));
            assert_eq!(last.or(&clock, async { finds }).await, answered, "{at_ms} ms");
        }
    }

    #[tokio::test]
    async fn of_a_thousand_who_ask_at_once_one_looks_and_all_are_told() {
        let (clock, last) = (Clock::manual(start()), Arc::new(LastLook::default()));
        let looks = Arc::new(AtomicU32::new(0));
        let mut asking = JoinSet::new();
        for _ in 0..1_000 {
            let (clock, last, looks) = (clock.clone(), Arc::clone(&last), Arc::clone(&looks));
            asking.spawn(async move {
                let look = async {
                    let number = looks.fetch_add(1, Ordering::SeqCst);
                    // Lets all the others come before it is over.
                    tokio::task::yield_now().await;
                    Some(numbered(number))
                };
                last.or(&clock, look).await
            });
        }
        assert!(asking.join_all().await.iter().all(|told| *told == Some(numbered(0))));
        assert_eq!(looks.load(Ordering::SeqCst), 1);
    }

    #[tokio::test]
    async fn a_look_that_was_given_up_leaves_room_for_the_next() {
        let (clock, last) = (Clock::manual(start()), LastLook::default());
        {
            let mut endless = std::pin::pin!(last.or(&clock, std::future::pending()));
            let poll = std::future::poll_fn(|context| std::task::Poll::Ready(endless.as_mut().poll(context)));
            assert!(poll.await.is_pending());
        }
        assert_eq!(last.or(&clock, async { Some(numbered(1)) }).await, Some(numbered(1)));
    }
}
