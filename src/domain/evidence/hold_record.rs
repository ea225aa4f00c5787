//! How a device timed a hold: what its counter and its clock showed at both ends.
//!
//! The rule of this file: a hold counts for no longer than both the seconds that were sent and the device's own record bear
//! out, and for no shorter where it must not be too long. What the two say otherwise is told and flagged, for a lead to look
//! at; a hold without any record counts as it was sent, and is flagged as well.

use chrono::{DateTime, Datelike as _, TimeDelta, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::domain::fault::{Fault, check_text};

/// How far the counter may lie from the whole seconds that were sent: they are rounded.
const COUNTER_TOLERANCE_MS: i64 = 1_000;
/// How far a device's clock may lie from its counter over one hold. No source: clocks are set right in small steps, and
/// the shortest hold of the trade is 20 seconds.
const HOLD_CLOCK_TOLERANCE: TimeDelta = TimeDelta::seconds(5);
/// Ten years: no device counts longer without being started anew.
const MOST_COUNTED_MS: u64 = 315_360_000_000;

/// What a device noted of a hold that it timed by itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = DeviceHoldRecord)]
pub struct HoldRecord {
    /// When it began.
    pub started: DeviceMoment,
    /// When it ended.
    pub ended: DeviceMoment,
}

/// A moment as a device knows it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DeviceMoment {
    /// Its monotonic counter, in milliseconds since the device was started.
    #[schema(maximum = 315_360_000_000_u64, example = 86_400_250)]
    pub counter_ms: u64,
    /// Which run of the device that counts in: another one each time it is started.
    #[schema(min_length = 1, max_length = 80, example = "7c1d8f5e-run-41")]
    pub boot_id: String,
    /// What its clock showed.
    pub clock_at: DateTime<Utc>,
}

impl DeviceMoment {
    fn faults(&self) -> Vec<Fault> {
        let mut faults = Vec::new();
        if self.counter_ms > MOST_COUNTED_MS {
            faults.push(Fault::new("/counter_ms", format!("must be from 0 to {MOST_COUNTED_MS}")));
        }
        check_text(&mut faults, "/boot_id", &self.boot_id, 80);
        if !(1970..=2199).contains(&self.clock_at.year()) {
            faults.push(Fault::new("/clock_at", "must lie in the years 1970 to 2199"));
        }
        faults
    }
}

impl HoldRecord {
    /// What cannot be read, with pointers relative to the record.
    pub(super) fn faults(&self) -> Vec<Fault> {
        let started = self.started.faults().into_iter().map(|f| f.under("/started"));
        started.chain(self.ended.faults().into_iter().map(|f| f.under("/ended"))).collect()
    }

    /// The least and the most seconds that the hold may have lasted, by what was sent and by the record. Where the device was
    /// started anew meanwhile no counter ran through it, and its clock is what is left.
    ///
    /// # Examples
    /// ```
    /// use chairtide::domain::evidence::{DeviceMoment, HoldRecord};
    /// let moment = |counter_ms, clock: &str| DeviceMoment {
    ///     counter_ms, boot_id: "run-7".to_owned(), clock_at: clock.parse().expect("an instant"),
    /// };
    /// let record = HoldRecord {
    ///     started: moment(5_000, "2026-11-30T07:10:00Z"), ended: moment(25_000, "2026-11-30T07:10:20Z"),
    /// };
    /// assert_eq!(record.held_seconds(20), (20, 20));
    /// assert_eq!(record.held_seconds(125), (20, 125));
    /// ```
    #[must_use]
    pub fn held_seconds(&self, sent_seconds: u32) -> (u32, u32) {
        let (shown, tolerance) = if self.started.boot_id == self.ended.boot_id {
            (signed(self.ended.counter_ms) - signed(self.started.counter_ms), COUNTER_TOLERANCE_MS)
        } else {
            ((self.ended.clock_at - self.started.clock_at).num_milliseconds(), HOLD_CLOCK_TOLERANCE.num_milliseconds())
        };
        if (shown - i64::from(sent_seconds) * 1_000).abs() <= tolerance {
            return (sent_seconds, sent_seconds);
        }
        let shown = u32::try_from(shown.max(0) / 1_000).unwrap_or(u32::MAX);
        (sent_seconds.min(shown), sent_seconds.max(shown))
    }

    /// What it says otherwise than the seconds that were sent, each as a sentence.
    #[must_use]
    pub fn disagreements(&self, elapsed_seconds: u32) -> Vec<String> {
        let mut told = Vec::new();
        let sent = i64::from(elapsed_seconds) * 1_000;
        let counted = if self.started.boot_id == self.ended.boot_id {
            let counted = signed(self.ended.counter_ms) - signed(self.started.counter_ms);
            if (counted - sent).abs() > COUNTER_TOLERANCE_MS {
                told.push(format!(
                    "the device's counter shows {} s, and {elapsed_seconds} s were sent",
                    seconds(counted)
                ));
            }
            counted
        } else {
            told.push("the device was started anew during the hold, so its counter measured nothing".to_owned());
            sent
        };
        let by_clock = (self.ended.clock_at - self.started.clock_at).num_milliseconds();
        if by_clock.saturating_sub(counted).abs() > HOLD_CLOCK_TOLERANCE.num_milliseconds() {
            told.push(format!("the device's clock shows {} s, its counter {} s", seconds(by_clock), seconds(counted)));
        }
        told
    }
}

fn signed(milliseconds: u64) -> i64 {
    i64::try_from(milliseconds).unwrap_or(i64::MAX)
}

/// Seconds as people write them, cut to tenths.
fn seconds(milliseconds: i64) -> String {
    let (sign, tenths) = (if milliseconds < 0 { "-" } else { "" }, milliseconds.unsigned_abs() / 100);
    format!("{sign}{}.{}", tenths / 10, tenths % 10)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn moment(counter_ms: u64, boot_id: &str, clock_ms: i64) -> DeviceMoment {
        let midnight: DateTime<Utc> = "2026-11-30T00:00:00Z".parse().expect("an instant");
        DeviceMoment { counter_ms, boot_id: boot_id.to_owned(), clock_at: midnight + TimeDelta::milliseconds(clock_ms) }
    }

    fn record(counted_ms: u64, by_clock_ms: i64) -> HoldRecord {
        HoldRecord { started: moment(5_000, "a", 0), ended: moment(5_000 + counted_ms, "a", by_clock_ms) }
    }

    /// The tolerances are this project's own: a second of rounding, five seconds of clock.
    #[test]
    fn counter_and_clock_may_differ_by_their_tolerances_and_no_more() {
        for (counted, by_clock, told) in [
            (120_000, 120_000, 0),
            (120_999, 120_000, 0),
            (121_000, 121_000, 0),
            (121_001, 121_001, 1),
            (118_999, 118_999, 1),
            (120_000, 125_000, 0),
            (120_000, 125_001, 1),
            (120_000, 114_999, 1),
            (60_000, 3_600_000, 2),
        ] {
            let said = record(counted, by_clock).disagreements(120);
            assert_eq!(said.len(), told, "{counted} ms counted, {by_clock} ms by the clock: {said:?}");
        }
    }

    #[test]
    fn a_device_that_was_started_anew_measured_nothing() {
        let restarted = HoldRecord { started: moment(900_000, "a", 0), ended: moment(4_000, "b", 120_000) };
        let told = restarted.disagreements(120);
        assert_eq!(told, ["the device was started anew during the hold, so its counter measured nothing"]);
        // Its clock is then held against what was sent.
        assert_eq!(restarted.disagreements(600).len(), 2);
        assert_eq!((restarted.held_seconds(125), restarted.held_seconds(126)), ((125, 125), (120, 126)));
        let backwards = HoldRecord { started: moment(9_000, "a", 0), ended: moment(4_000, "a", 5_000) };
        assert!(backwards.disagreements(5)[0].contains("shows -5.0 s, and 5 s were sent"));
        assert_eq!(backwards.held_seconds(5), (0, 5));
    }

    #[test]
    fn what_no_device_shows_cannot_be_read() {
        let odd = HoldRecord { started: moment(MOST_COUNTED_MS + 1, " ", 0), ended: moment(MOST_COUNTED_MS, "a", 0) };
        let pointers: Vec<String> = odd.faults().into_iter().map(|f| f.pointer).collect();
        assert_eq!(pointers, ["/started/counter_ms", "/started/boot_id"]);
        let mut late = record(1, 1);
        late.ended.clock_at = "2200-01-01T00:00:00Z".parse().expect("an instant");
        assert_eq!(late.faults().len(), 1);
    }
}
