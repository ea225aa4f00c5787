//! Chance that repeats itself.
//!
//! The rule of this file: the same seed gives the same history, on every machine and for ever. That is why the
//! generator stands here in full (`SplitMix64`, public domain) and is not a crate that may change
//! its stream with its version.

use uuid::Uuid;

/// A stream of numbers that follows from its seed.
#[derive(Clone, Debug)]
pub(super) struct Dice(u64);

impl Dice {
    /// The stream of a seed.
    #[must_use]
    pub(super) fn new(seed: u64) -> Self {
        Self(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// A number from `low` to `high`, both included; `low` when the bounds are crossed.
    pub(super) fn between(&mut self, low: i64, high: i64) -> i64 {
        let span = high.saturating_sub(low).max(0).unsigned_abs().saturating_add(1);
        // The bias of the remainder is far below anything a reader of a demo could notice.
        low.saturating_add_unsigned(self.next() % span)
    }

    /// Whether something happens that happens `permille` times in a thousand.
    pub(super) fn happens(&mut self, permille: u32) -> bool {
        self.next() % 1000 < u64::from(permille)
    }

    /// One of the items; `None` when there are none.
    pub(super) fn pick<'a, T>(&mut self, items: &'a [T]) -> Option<&'a T> {
        let last = i64::try_from(items.len()).ok()?.checked_sub(1)?;
        items.get(usize::try_from(self.between(0, last)).ok()?)
    }

    /// An id in the form of a random UUID.
    pub(super) fn uuid(&mut self) -> Uuid {
        let bits = (u128::from(self.next()) << 64) | u128::from(self.next());
        uuid::Builder::from_random_bytes(bits.to_be_bytes()).into_uuid()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // The first numbers of the seed 1234567, as published with other implementations of SplitMix64 (from memory).
    #[test]
    fn the_stream_is_the_published_one() {
        let mut dice = Dice::new(1_234_567);
        let stream: Vec<u64> = (0..5).map(|_| dice.next()).collect();
        assert_eq!(
            stream,
            [
                6_457_827_717_110_365_317,
                3_203_168_211_198_807_973,
                9_817_491_932_198_370_423,
                4_593_380_528_125_082_431,
                16_408_922_859_458_223_821,
            ]
        );
    }

    #[test]
    fn between_reaches_both_bounds_and_nothing_beyond() {
        let mut dice = Dice::new(7);
        let thrown: std::collections::BTreeSet<i64> = (0..200).map(|_| dice.between(-1, 2)).collect();
        assert_eq!(thrown.into_iter().collect::<Vec<_>>(), [-1, 0, 1, 2]);
    }
}
