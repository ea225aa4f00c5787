//! PINs, by which a person signs for an action on a shared device.
//!
//! The rule of this file: a PIN is short, so what protects it is the count of wrong ones, not its hash. The hash only
//! makes a stolen copy of the database costly to read: ten thousand tries find a PIN of four digits. A PIN never
//! leaves through `Debug` or as JSON.

use std::fmt;

use argon2::{Algorithm, Argon2, Params, Version};
use chrono::TimeDelta;
use serde::{Deserialize, Serialize, Serializer};

use super::fault::Fault;

/// Wrong PINs in a row before the first lock. Common practice, no source: enough for a slip or two with gloves on.
const TRIES_BEFORE_LOCK: i32 = 5;
/// The first lock. No source: a person waits it out, a guesser gets through sixty PINs an hour at the most, and fewer
/// with each further lock.
const FIRST_LOCK: TimeDelta = TimeDelta::minutes(1);
/// The longest lock; 24 tries a day then. No source: whoever forgot a PIN must be able to work again the same day.
const LONGEST_LOCK: TimeDelta = TimeDelta::hours(1);

/// A PIN as it was sent.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(transparent)]
pub struct Pin(String);

impl fmt::Debug for Pin {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Pin(…)")
    }
}

impl Serialize for Pin {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str("…")
    }
}

impl Pin {
    /// A PIN from its text.
    #[must_use]
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// Whether it can be a PIN at all; only then is it worth a hash.
    #[must_use]
    pub fn fault(&self, pointer: &str) -> Option<Fault> {
        let digits = (4..=12).contains(&self.0.len()) && self.0.bytes().all(|b| b.is_ascii_digit());
        (!digits).then(|| Fault::new(pointer, "must be 4 to 12 digits"))
    }

    /// Why nobody may choose it.
    #[must_use]
    pub fn choice_fault(&self, pointer: &str) -> Option<Fault> {
        if let Some(fault) = self.fault(pointer) {
            return Some(fault);
        }
        // 9 is followed by 0, as on a keypad that is run along.
        let goes_by = |step: u8| self.0.as_bytes().windows(2).all(|two| (two[0] - b'0' + step) % 10 == two[1] - b'0');
        if goes_by(0) {
            return Some(Fault::new(pointer, "must not be one digit over and over"));
        }
        (goes_by(1) || goes_by(9)).then(|| Fault::new(pointer, "must not run up or down, such as 1234 or 9876"))
    }

    /// Its hash.
    ///
    /// # Errors
    /// When `cost` is out of what argon2 allows.
    pub fn hash(&self, salt: &[u8], cost: Cost) -> argon2::Result<[u8; 32]> {
        let mut hash = [0; 32];
        let params = Params::new(cost.memory_kib, cost.passes, cost.lanes, Some(32))?;
        Argon2::new(Algorithm::Argon2id, Version::V0x13, params).hash_password_into(
            self.0.as_bytes(),
            salt,
            &mut hash,
        )?;
        Ok(hash)
    }

    /// Whether a kept hash is of this PIN. Compared whole, wherever the first difference is.
    ///
    /// # Errors
    /// When the kept cost is out of what argon2 allows.
    pub fn is_of(&self, kept: &PinHash) -> argon2::Result<bool> {
        let hash = self.hash(&kept.salt, kept.cost)?;
        Ok(hash.len() == kept.hash.len() && hash.iter().zip(&kept.hash).fold(0, |d, (a, b)| d | (a ^ b)) == 0)
    }
}

/// What a hash costs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cost {
    /// Memory in KiB.
    pub memory_kib: u32,
    /// Passes over it.
    pub passes: u32,
    /// Lanes.
    pub lanes: u32,
}

impl Cost {
    /// OWASP, Password Storage Cheat Sheet, read in a quotation: argon2id with at least 19 MiB of memory, 2 passes and
    /// 1 lane. Not RFC 9106's second recommendation (64 MiB, 3 passes, 4 lanes; from memory): a tablet's PIN is asked
    /// for at every action, on machines that serve others too.
    pub const OF_NEW: Self = Self { memory_kib: 19 * 1024, passes: 2, lanes: 1 };
}

/// What is kept of a PIN.
#[derive(Clone, Debug)]
pub struct PinHash {
    /// Random.
    pub salt: Vec<u8>,
    /// The hash.
    pub hash: Vec<u8>,
    /// What it cost.
    pub cost: Cost,
}

/// How long no PIN is looked at after so many tries without a right one; `None`: go on.
#[must_use]
pub fn lock_after(tries: i32) -> Option<TimeDelta> {
    let doublings = u32::try_from(tries - TRIES_BEFORE_LOCK).ok()?;
    // Six doublings are more than the longest.
    let lock = FIRST_LOCK * (1 << doublings.min(6));
    Some(lock.min(LONGEST_LOCK))
}

#[cfg(test)]
mod tests {
    use argon2::{AssociatedData, ParamsBuilder};

    use super::*;

    /// RFC 9106, section 5.3, read in the argon2 crate's own test: Argon2id of 32 bytes of 01 with secret and data.
    #[test]
    fn argon2id_gives_the_published_tag() {
        let data = AssociatedData::new(&[4; 12]).expect("short enough");
        let params = ParamsBuilder::new().m_cost(32).t_cost(3).p_cost(4).data(data).build().expect("allowed");
        let argon = Argon2::new_with_secret(&[3; 8], Algorithm::Argon2id, Version::V0x13, params).expect("allowed");
        let mut tag = [0; 32];
        argon.hash_password_into(&[1; 32], &[2; 16], &mut tag).expect("hashed");
        let published = "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659";
        assert_eq!(data_encoding::HEXLOWER.encode(&tag), published);
    }

    #[test]
    fn a_hash_is_of_its_pin_alone() {
        let cost = Cost { memory_kib: 64, passes: 1, lanes: 1 };
        let salt = vec![7; 16];
        let hash = Pin::new("4711").hash(&salt, cost).expect("hashed").to_vec();
        let kept = PinHash { salt, hash, cost };
        assert!(Pin::new("4711").is_of(&kept).expect("hashed"));
        assert!(!Pin::new("4712").is_of(&kept).expect("hashed"));
        assert!(!Pin::new("47110").is_of(&kept).expect("hashed"));
    }

    #[test]
    fn a_pin_that_anybody_tries_first_may_not_be_chosen() {
        for pin in ["1111", "000000", "1234", "7890", "9876", "3210", "0987654321"] {
            assert!(Pin::new(pin).choice_fault("/pin").is_some(), "{pin}");
        }
        for pin in ["4711", "1212", "1235", "802613", "112233445566"] {
            assert_eq!(Pin::new(pin).choice_fault("/pin"), None, "{pin}");
        }
        for pin in ["", "123", "1234567890123", "12a4", "１２３４"] {
            assert!(Pin::new(pin).fault("/pin").is_some(), "{pin}");
        }
    }

    #[test]
    fn locks_double_from_a_minute_to_an_hour() {
        let minutes: Vec<_> = (0..15).map(|tries| lock_after(tries).map_or(0, |l| l.num_minutes())).collect();
        assert_eq!(minutes, [0, 0, 0, 0, 0, 1, 2, 4, 8, 16, 32, 60, 60, 60, 60]);
        assert_eq!(lock_after(i32::MAX), Some(TimeDelta::hours(1)));
    }

    #[test]
    fn a_pin_is_not_shown_by_debug() {
        assert!(!format!("{:?}", Pin::new("4711")).contains("4711"));
    }
}
