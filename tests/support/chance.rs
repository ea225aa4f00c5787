//! Pseudo-random numbers, so that a run that failed can be made again from its seed.

/// Pseudo-random numbers that are the same in every run: `SplitMix64` (Steele, Lea, Flood: Fast Splittable Pseudorandom
/// Number Generators, 2014; constants from memory).
pub(crate) struct Chance(pub(crate) u64);

impl Chance {
    /// A number from `low` to `high`, both included.
    pub(crate) fn between(&mut self, low: u64, high: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut bits = self.0;
        bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        low + (bits ^ (bits >> 31)) % (high - low + 1)
    }

    /// Whether something of this probability happens.
    pub(crate) fn percent(&mut self, percent: u64) -> bool {
        self.between(1, 100) <= percent
    }

    /// One of several things.
    pub(crate) fn one_of<'a, T>(&mut self, things: &'a [T]) -> &'a T {
        let last = u64::try_from(things.len() - 1).expect("a short list");
        &things[usize::try_from(self.between(0, last)).expect("within the list")]
    }
}
