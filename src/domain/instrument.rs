//! What readings are taken with: thermometers, gauges, meters.
//!
//! The rule of this file: a reading is not refused because its instrument was due for calibration. It is kept with that
//! finding, and whoever looks at it decides what it is worth.

use chrono::NaiveDate;
use uuid::Uuid;

/// An instrument of a clinic.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Instrument {
    /// Its identity.
    pub id: Uuid,
    /// Where it belongs.
    pub clinic_id: Uuid,
    /// What people call it.
    pub name: String,
    /// Its serial number; may be empty.
    pub serial: String,
    /// When it was last calibrated; `None`: never, or unknown.
    pub calibrated_on: Option<NaiveDate>,
    /// The last day on which that counts; `None`: its calibration does not end.
    pub calibration_ends_on: Option<NaiveDate>,
}

impl Instrument {
    /// What is to be seen beside a reading of a clinic day.
    #[must_use]
    pub fn finding(&self, on: NaiveDate) -> Option<String> {
        match (self.calibrated_on, self.calibration_ends_on) {
            (None, _) => Some(format!("no calibration of {} is recorded", self.name)),
            (Some(from), _) if on < from => Some(format!("{} was calibrated on {from}, after this reading", self.name)),
            (_, Some(until)) if on > until => Some(format!("the calibration of {} ended on {until}", self.name)),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_calibration_counts_from_its_day_to_its_last_and_one_that_is_unknown_is_said() {
        let day = |d| NaiveDate::from_ymd_opt(2026, 11, d);
        let instrument = |calibrated_on, calibration_ends_on| Instrument {
            id: Uuid::nil(),
            clinic_id: Uuid::nil(),
            name: "thermometer 2".into(),
            serial: String::new(),
            calibrated_on,
            calibration_ends_on,
        };
        for (from, until, finds) in [
            (None, None, true),
            (day(10), None, false),
            (day(10), day(10), false),
            (day(11), day(20), true),
            (day(1), day(9), true),
        ] {
            let found = instrument(from, until).finding(day(10).unwrap());
            assert_eq!(found.is_some(), finds, "{from:?} {until:?} {found:?}");
        }
    }
}
