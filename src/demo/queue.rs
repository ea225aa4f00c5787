//! What waits to happen, in order of time.
//!
//! The rule of this file: two things at one instant happen in the order they were put in, so that the same load tells
//! the same history.

use std::cmp::{Ordering, Reverse};
use std::collections::BinaryHeap;

use chrono::{DateTime, Utc};

/// Things that wait, soonest first.
#[derive(Debug)]
pub(super) struct Queue<T> {
    waiting: BinaryHeap<Reverse<Waiting<T>>>,
    turns: u64,
}

#[derive(Debug)]
struct Waiting<T> {
    at: DateTime<Utc>,
    turn: u64,
    thing: T,
}

impl<T> Queue<T> {
    /// Nothing waits.
    #[must_use]
    pub(super) fn new() -> Self {
        Self { waiting: BinaryHeap::new(), turns: 0 }
    }

    /// Lets something wait for its instant.
    pub(super) fn put(&mut self, at: DateTime<Utc>, thing: T) {
        self.turns += 1;
        self.waiting.push(Reverse(Waiting { at, turn: self.turns, thing }));
    }

    /// The next thing, unless it comes after `until`.
    pub(super) fn take_until(&mut self, until: DateTime<Utc>) -> Option<(DateTime<Utc>, T)> {
        if self.waiting.peek().is_none_or(|Reverse(next)| next.at > until) {
            return None;
        }
        self.waiting.pop().map(|Reverse(next)| (next.at, next.thing))
    }
}

impl<T> Ord for Waiting<T> {
    fn cmp(&self, other: &Self) -> Ordering {
        (self.at, self.turn).cmp(&(other.at, other.turn))
    }
}

impl<T> PartialOrd for Waiting<T> {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl<T> PartialEq for Waiting<T> {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other).is_eq()
    }
}

impl<T> Eq for Waiting<T> {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn things_come_by_instant_then_as_they_were_put_in_and_none_before_its_time() {
        let at = |seconds| DateTime::from_timestamp(seconds, 0).expect("an instant");
        let mut queue = Queue::new();
        for (second, thing) in [(5, "late"), (2, "first of two"), (1, "early"), (2, "second of two")] {
            queue.put(at(second), thing);
        }
        let taken: Vec<_> = std::iter::from_fn(|| queue.take_until(at(4))).map(|(_, thing)| thing).collect();
        assert_eq!(taken, ["early", "first of two", "second of two"]);
        assert_eq!(queue.take_until(at(5)), Some((at(5), "late")));
    }
}
