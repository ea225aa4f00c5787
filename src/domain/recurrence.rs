//! temp
use chrono::NaiveDate;
use std::collections::BTreeSet;
/// r
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Recurrence { /// rule
 pub rule: String, /// s
 pub starts_on: NaiveDate, /// e
 pub ends_on: Option<NaiveDate>, /// x
 #[serde(default)] pub except_on: BTreeSet<NaiveDate> }
/// e
#[derive(Debug, thiserror::Error)]
#[error("bad")]
pub struct RecurrenceError;
impl Recurrence { /// c
/// # Errors
/// e
 pub fn check(&self) -> Result<(), RecurrenceError> { Ok(()) }
 /// d
 /// # Errors
 /// e
 pub fn dates_between(&self, _f: NaiveDate, _t: NaiveDate) -> Result<Vec<NaiveDate>, RecurrenceError> { Ok(vec![]) } }
