//! A cycle's record as it is handed in, and what it says over an earlier one.
//!
//! The rule of this file: what is left out stays as it was said; what is said anew is told apart from what was said before,
//! for only a change needs a reason.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use crate::domain::cycle_load::{Chamber, CycleLoad, PrintedOutcome};
use crate::domain::cycle_reading::{CycleReading, read_csv, record_faults};
use crate::domain::fault::{Fault, check_optional_text};
use crate::domain::plateau::TemperatureBand;
use crate::http::staff::signature::SignatureInput;
use crate::http::staff::telling::ToldBy;
use crate::store::cycles::records::CycleRecord;

/// A record of a cycle as it is handed in: its readings, as they are or as the text of a CSV file, and what is known of its
/// load. What is left out stays as it was said before.
#[derive(Clone, Debug, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CycleRecordInput {
    /// The readings, the seconds rising; left out where `csv` is given.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(max_items = 20_000)]
    pub readings: Vec<CycleReading>,
    /// A file with the head `elapsed_seconds,temperature_celsius` and, where it was recorded, `pressure_kilopascal`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 1_048_576, example = "elapsed_seconds,temperature_celsius\n0,134\n180,134.4\n")]
    pub csv: Option<String>,
    /// The band to hold it against, from the cycle's validation or the maker; without one no plateau is worked out, and how
    /// long the temperature was held is not judged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band: Option<TemperatureBand>,
    /// What the load is called on its packs: the cycle's or load's number. The end of the cycle must be posted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 80, example = "118")]
    pub load_reference: Option<String>,
    /// Whether implantable devices were in it: they are withdrawn first.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub holds_implants: Option<bool>,
    /// What was in the chamber.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chamber: Option<Chamber>,
    /// How the cycle ended by the machine's print.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outcome_as_printed: Option<PrintedOutcome>,
    /// The machine's own words for that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 200, example = "CYCLE ABORTED E12")]
    pub printed_words: Option<String>,
    /// The person, by initials as in `/v1/staff`; left out where the person signs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 40, example = "KV")]
    pub performed_by: Option<String>,
    /// The person, by a PIN of their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub signature: Option<SignatureInput>,
    /// Why an earlier record of this cycle is corrected; it stays visible. Empty for the first, and where nothing changes.
    #[serde(default)]
    #[schema(max_length = 400)]
    pub reason: String,
}

/// What is said of a cycle.
#[derive(Clone, Debug)]
pub(super) struct SaidOfCycle {
    pub(super) readings: Vec<CycleReading>,
    pub(super) band: Option<TemperatureBand>,
    pub(super) load: CycleLoad,
}

impl CycleRecordInput {
    pub(super) fn load(&self) -> CycleLoad {
        CycleLoad {
            load_reference: self.load_reference.clone(),
            holds_implants: self.holds_implants,
            chamber: self.chamber,
            outcome_as_printed: self.outcome_as_printed,
            printed_words: self.printed_words.clone(),
        }
    }

    pub(super) fn telling(&self) -> ToldBy<'_> {
        ToldBy::new("/performed_by", self.performed_by.as_ref(), self.signature.as_ref())
    }

    /// What it says, or every rule it breaks.
    pub(super) fn read(&self) -> Result<SaidOfCycle, Vec<Fault>> {
        let mut faults = Vec::new();
        faults.extend(self.telling().faults());
        check_optional_text(&mut faults, "/reason", &self.reason, 400);
        if let Some(band) = &self.band {
            faults.extend(band.faults().into_iter().map(|f| f.under("/band")));
        }
        let load = self.load();
        faults.extend(load.faults());
        let readings = match &self.csv {
            Some(_) if !self.readings.is_empty() => {
                faults.push(Fault::new("/csv", "must be left out where readings are given"));
                Vec::new()
            }
            Some(text) => read_csv(text.as_bytes()).unwrap_or_else(|found| {
                faults.extend(found.into_iter().map(|fault| {
                    let column = fault.column.map(|column| format!(", column {column}")).unwrap_or_default();
                    Fault::new("/csv", format!("line {}{column}: {}", fault.line, fault.rule))
                }));
                Vec::new()
            }),
            // Nothing was measured, and something is said all the same.
            None if self.readings.is_empty() && (load.is_told() || self.band.is_some()) => Vec::new(),
            None => {
                faults.extend(record_faults(&self.readings).into_iter().map(|f| f.under("/readings")));
                self.readings.clone()
            }
        };
        if faults.is_empty() { Ok(SaidOfCycle { readings, band: self.band.clone(), load }) } else { Err(faults) }
    }
}

impl SaidOfCycle {
    /// The same with what it leaves out as the standing record says.
    pub(super) fn over(self, standing: Option<&CycleRecord>) -> Self {
        let Some(standing) = standing else { return self };
        Self {
            readings: if self.readings.is_empty() { standing.readings.clone() } else { self.readings },
            band: self.band.or_else(|| standing.band.clone()),
            load: self.load.over(standing.load.clone()),
        }
    }

    /// Whether a record says just that.
    pub(super) fn is_said_by(&self, record: &CycleRecord) -> bool {
        (&self.readings, &self.band, &self.load) == (&record.readings, &record.band, &record.load)
    }

    /// Whether it says otherwise than a record of anything that was said there.
    pub(super) fn changes(&self, record: &CycleRecord) -> bool {
        !record.readings.is_empty() && self.readings != record.readings
            || record.band.is_some() && self.band != record.band
            || self.load.changes(&record.load)
    }
}
