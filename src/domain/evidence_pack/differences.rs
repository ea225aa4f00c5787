//! What is not as it was sealed, in the words of a pack.
//!
//! The rule of this file: everything is named, a record by its kind and id, so that whoever reads can ask for it.

use chrono::NaiveDate;

use crate::domain::retention::accounted::Accounted;
use crate::domain::seal::tamper::SealFinding;

/// A finding in words.
#[must_use]
pub fn in_words(finding: &SealFinding) -> String {
    match finding {
        SealFinding::RecordChanged { clinic_day, record } => format!("{clinic_day}: {record} is not as it was sealed"),
        SealFinding::RecordRemoved { clinic_day, record } => {
            format!("{clinic_day}: {record} was sealed and is missing")
        }
        SealFinding::RecordInserted { clinic_day, record } => {
            format!("{clinic_day}: {record} was added after the day was sealed")
        }
        SealFinding::LeavesChanged { clinic_day } => {
            format!("{clinic_day}: the day's hashes no longer give the root of its seal")
        }
        SealFinding::SealBroken { clinic_day, rule } => {
            format!("{clinic_day}: its seal does not follow the one before it: {rule}")
        }
        SealFinding::PurgeListChanged { clinic_day, purge_id } => {
            format!("{clinic_day}: what purge {purge_id} lists of this day is not as it was sealed")
        }
        SealFinding::PurgedRecordPresent { clinic_day, record, purge_id } => {
            format!("{clinic_day}: {record} is there again, though purge {purge_id} lists it")
        }
        SealFinding::StandingChanged { record } => format!("{record} does not stand as its newest mark says"),
        SealFinding::SettlementChanged { record } => format!("{record} is not what the completion made of its task"),
        SealFinding::HeadLost { size } => {
            format!("the chain no longer begins with the head it had with {size} seals")
        }
    }
}

/// What a purge took of a day, in words.
#[must_use]
pub fn purged(part: &Accounted) -> String {
    format!("{}: {} records by purge {}", part.clinic_day, part.record_count, part.purge_id)
}

/// Days as spans of days that follow each other.
#[must_use]
pub fn spans(days: &[NaiveDate]) -> Vec<String> {
    let follows = |a: &NaiveDate, b: &NaiveDate| a.succ_opt() == Some(*b);
    let span = |days: &[NaiveDate]| match days {
        [first, .., last] => format!("{first} to {last}"),
        [only] => only.to_string(),
        [] => String::new(),
    };
    days.chunk_by(follows).map(span).collect()
}
