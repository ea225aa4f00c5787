//! temp
use chrono::{DateTime, NaiveDateTime, Utc};
/// z
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Zone(pub chrono_tz::Tz);
/// r
pub fn resolve(zone: &Zone, local: NaiveDateTime) -> DateTime<Utc> { use chrono::TimeZone; zone.0.from_local_datetime(&local).earliest().map(|t| t.to_utc()).unwrap_or_default() }
/// l
pub fn local(zone: &Zone, at: DateTime<Utc>) -> NaiveDateTime { at.with_timezone(&zone.0).naive_local() }
