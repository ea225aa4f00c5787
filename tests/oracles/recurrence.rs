//! The dates of recurrences against RFC 5545 and python-dateutil.

use chairtide::domain::recurrence::{Recurrence, Rule};
use chrono::{NaiveDate, NaiveDateTime};
use serde::Deserialize;

/// RFC 5545 section 3.8.5.3; source and errata in its `_about`.
const RFC_EXAMPLES: &str = include_str!("rfc5545_examples.json");

/// Made by `recurrence_cases.py` with python-dateutil 2.9.0. Where dateutil departs from the RFC, the file says how it
/// was asked instead (`union_of`) or who was asked (`witness`).
const DATEUTIL_CASES: &str = include_str!("recurrence_cases.jsonl");

#[derive(Deserialize)]
struct RfcFile {
    examples: Vec<RfcExample>,
}

#[derive(Deserialize)]
struct RfcExample {
    id: String,
    dtstart_local: String,
    rrules: Vec<String>,
    exdate_local: Option<Vec<String>>,
    expected_complete: bool,
    expected_local: Vec<NaiveDateTime>,
}

fn date_of(local: &str) -> NaiveDate {
    NaiveDate::parse_from_str(&local[..8], "%Y%m%d").unwrap()
}

#[test]
fn the_examples_of_rfc_5545_give_their_dates() {
    let file: RfcFile = serde_json::from_str(RFC_EXAMPLES).unwrap();
    let mut refused = Vec::new();
    let mut compared = 0;
    for example in &file.examples {
        let mut expected: Vec<_> = example.expected_local.iter().map(NaiveDateTime::date).collect();
        expected.dedup();
        for rule in &example.rrules {
            let recurrence = Recurrence {
                except_on: example.exdate_local.iter().flatten().map(|local| date_of(local)).collect(),
                ..Recurrence::new(rule, date_of(&example.dtstart_local))
            };
            if let Err(error) = recurrence.check() {
                refused.push(format!("{}: {error}", example.id.trim_start_matches("rfc5545-3.8.5.3-")));
                continue;
            }
            // An example that goes on for ever is written down to its last printed date only.
            let to_on = if example.expected_complete {
                NaiveDate::from_ymd_opt(2199, 12, 31).unwrap()
            } else {
                *expected.last().unwrap()
            };
            let dates = recurrence.dates_between(recurrence.starts_on, to_on).unwrap();
            assert_eq!(dates, expected, "{} {rule}", example.id);
            compared += 1;
        }
    }
    // Examples 33 to 36 are about times of day, in five rules.
    let of_time = "FREQ: `HOURLY` is not DAILY, WEEKLY, MONTHLY or YEARLY";
    let of_minutes = of_time.replace("HOURLY", "MINUTELY");
    assert_eq!(
        refused,
        [
            format!("33: {of_time}"),
            format!("34: {of_minutes}"),
            format!("35: {of_minutes}"),
            "36: BYHOUR is refused: a rule gives dates, the time of day comes from the routine".to_owned(),
            format!("36: {of_minutes}"),
        ]
    );
    assert_eq!(compared, 37);
}

#[derive(Deserialize)]
struct Header {
    cases: usize,
}

#[derive(Deserialize)]
struct Case {
    rule: String,
    starts_on: NaiveDate,
    from_on: NaiveDate,
    before_on: NaiveDate,
    dates: Vec<String>,
}

fn dateutil_cases() -> Vec<Case> {
    let mut lines = DATEUTIL_CASES.lines();
    let header: Header = serde_json::from_str(lines.next().unwrap()).unwrap();
    let cases: Vec<_> = lines.map(|line| serde_json::from_str(line).unwrap()).collect();
    assert_eq!(cases.len(), header.cases, "the case file is cut short");
    cases
}

#[test]
fn random_rules_give_the_dates_of_their_witness() {
    let differ: Vec<_> = dateutil_cases().iter().filter_map(difference).collect();
    assert!(differ.is_empty(), "{} rules differ:\n{}", differ.len(), differ.join("\n"));
}

fn difference(case: &Case) -> Option<String> {
    let recurrence = Recurrence::new(&case.rule, case.starts_on);
    let found = match recurrence.dates_between(case.from_on, case.before_on.pred_opt().unwrap()) {
        Ok(dates) => dates.iter().map(|date| date.format("%Y%m%d").to_string()).collect(),
        Err(error) => vec![error.to_string()],
    };
    let first = found.iter().zip(&case.dates).position(|(ours, theirs)| ours != theirs);
    let first = first.unwrap_or(found.len().min(case.dates.len()));
    (found != case.dates).then(|| {
        format!(
            "{} from {}: date {} is {:?} here and {:?} there",
            case.rule,
            case.starts_on,
            first + 1,
            found.get(first),
            case.dates.get(first)
        )
    })
}

#[test]
fn canonical_text_gives_the_same_dates() {
    for case in dateutil_cases() {
        let canonical = case.rule.parse::<Rule>().unwrap().to_string();
        assert_eq!(difference(&Case { rule: canonical, ..case }), None);
    }
}
