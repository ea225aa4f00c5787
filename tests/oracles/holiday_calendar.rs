//! A calendar written by Python's `icalendar`, against what `recurring-ical-events` finds in it.

use std::collections::BTreeMap;

use chairtide::domain::holiday_calendar::{Scope, read};
use chrono::NaiveDate;
use serde::Deserialize;
use uuid::Uuid;

/// Both made by `holiday_calendar.py`.
const CALENDAR: &str = include_str!("holiday_calendar.ics");
const FOUND: &str = include_str!("holiday_calendar.json");

#[derive(Deserialize)]
struct Found {
    from: NaiveDate,
    until: NaiveDate,
    spans: Vec<(String, String, String)>,
}

#[test]
fn a_calendar_of_another_program_closes_what_that_program_says() {
    let found: Found = serde_json::from_str(FOUND).unwrap();
    let zone = "Europe/London".parse().unwrap();
    let standing = BTreeMap::new();
    let scope =
        Scope { clinic_id: Uuid::nil(), zone: &zone, from: found.from, until: found.until, standing: &standing };
    let reading = read(CALENDAR, &scope).unwrap();
    assert_eq!(reading.skipped, []);
    let local = |time: chrono::NaiveDateTime| time.format("%Y-%m-%dT%H:%M").to_string();
    let mut spans: Vec<_> = (reading.closures.into_iter().map(|c| c.closure))
        .map(|closure| (local(closure.from), local(closure.until), closure.reason))
        .collect();
    spans.sort_unstable();
    assert!(found.spans.len() > 20, "the witness found {} spans only", found.spans.len());
    assert_eq!(spans, found.spans);
}
