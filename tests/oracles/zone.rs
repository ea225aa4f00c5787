//! Local times and instants against RFC 5545, Python's zoneinfo and a second copy of the zone data.

use chairtide::domain::recurrence::Recurrence;
use chairtide::domain::zone::{Database, database, local, offset_at, resolve};
use chrono::{DateTime, FixedOffset, NaiveDate, NaiveDateTime, Offset, TimeDelta, TimeZone, Utc};
use serde::Deserialize;

/// RFC 5545 section 3.3.5 and cases derived from it; the source is beside each.
const RFC_EXAMPLES: &str = include_str!("rfc5545_examples.json");

/// Python's zoneinfo on the `tzdata` package; made by `zone_cases.py`.
const ZONE_CASES: &str = include_str!("zone_cases.json");

/// Opening times under the releases 2025b and 2026f of the IANA database; source in its `_about`.
const STALENESS: &str = include_str!("tz_staleness_2026.json");

#[derive(Deserialize)]
struct RfcFile {
    dst: Vec<DstCase>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum DstCase {
    One { id: String, tzid: String, local: NaiveDateTime, utc: DateTime<Utc>, shown_local: DateTime<FixedOffset> },
    Rule { id: String, tzid: String, dtstart_local: String, rrule: String, expected_utc: Vec<DateTime<Utc>> },
}

#[test]
fn the_clock_changes_of_rfc_5545_give_their_instants() {
    let file: RfcFile = serde_json::from_str(RFC_EXAMPLES).unwrap();
    let mut compared = 0;
    for case in file.dst {
        match case {
            DstCase::One { id, tzid, local: wall, utc, shown_local } => {
                let zone = Database::bundled().zone(&tzid).unwrap();
                assert_eq!(resolve(&zone, wall), utc, "{id}");
                assert_eq!(local(&zone, utc), shown_local.naive_local(), "{id}");
                assert_eq!(offset_at(&zone, utc), *shown_local.offset(), "{id}");
                compared += 1;
            }
            // Samoa left out a whole day in 2011; what a date is worth that never was, the RFC does not say.
            DstCase::Rule { id, .. } if id == "skipped-day-apia-2011" => {}
            DstCase::Rule { id, tzid, dtstart_local, rrule, expected_utc } => {
                let zone = Database::bundled().zone(&tzid).unwrap();
                let start = NaiveDateTime::parse_from_str(&dtstart_local, "%Y%m%dT%H%M%S").unwrap();
                let last = NaiveDate::from_ymd_opt(2199, 12, 31).unwrap();
                let dates = Recurrence::new(rrule, start.date()).dates_between(start.date(), last).unwrap();
                let instants: Vec<_> = dates.iter().map(|date| resolve(&zone, date.and_time(start.time()))).collect();
                assert_eq!(instants, expected_utc, "{id}");
                compared += 1;
            }
        }
    }
    assert_eq!(compared, 10);
}

#[derive(Deserialize)]
struct CaseFile {
    tz_database: String,
    zones: usize,
    first_noon: NaiveDateTime,
    groups: Vec<Group>,
}

/// Zones that have the same answers.
#[derive(Deserialize)]
struct Group {
    names: Vec<String>,
    changes: Vec<Change>,
    weekly_at_noon: Vec<Run>,
}

#[derive(Deserialize)]
struct Change {
    at: DateTime<Utc>,
    before: i32,
    after: i32,
    local_from: NaiveDateTime,
    every_15_minutes: Vec<Run>,
}

/// How many steps in a row have the offset, in seconds.
#[derive(Clone, Copy, Deserialize)]
struct Run(usize, i32);

fn zone_cases() -> CaseFile {
    serde_json::from_str(ZONE_CASES).unwrap()
}

/// The local times of a list of runs, each with its offset.
fn steps(first: NaiveDateTime, step: TimeDelta, runs: &[Run]) -> impl Iterator<Item = (NaiveDateTime, TimeDelta)> {
    let offsets = runs.iter().flat_map(|Run(count, offset)| std::iter::repeat_n(*offset, *count));
    offsets.scan(first, move |next, offset| {
        let wall = *next;
        *next += step;
        Some((wall, TimeDelta::seconds(offset.into())))
    })
}

/// Every answer of the file that a database gives differently, and how many were compared.
fn differences(database: &Database, file: &CaseFile) -> (Vec<String>, usize) {
    let mut differ = Vec::new();
    let mut compared = 0;
    for group in &file.groups {
        for name in &group.names {
            let Ok(zone) = database.zone(name) else {
                differ.push(format!("{name} is missing"));
                continue;
            };
            let around = group
                .changes
                .iter()
                .flat_map(|change| steps(change.local_from, TimeDelta::minutes(15), &change.every_15_minutes));
            let weekly = steps(file.first_noon, TimeDelta::weeks(1), &group.weekly_at_noon);
            for (wall, offset) in around.chain(weekly) {
                compared += 1;
                let instant = (wall - offset).and_utc();
                let found = resolve(&zone, wall);
                if found != instant {
                    differ.push(format!("{name} {wall}: {found} here, {instant} there"));
                }
            }
            for change in &group.changes {
                compared += 1;
                let seconds = |at| offset_at(&zone, at).local_minus_utc();
                let found = (seconds(change.at - TimeDelta::seconds(1)), seconds(change.at));
                if found != (change.before, change.after) {
                    differ.push(format!(
                        "{name} {}: {found:?} here, {:?} there",
                        change.at,
                        (change.before, change.after)
                    ));
                }
            }
        }
    }
    (differ, compared)
}

#[test]
fn local_times_around_every_change_have_the_instants_of_zoneinfo() {
    let file = zone_cases();
    let bundled = Database::bundled();
    assert_eq!(
        bundled.release().to_string(),
        file.tz_database,
        "zone_cases.json is of another release: run tests/oracles/make"
    );
    let (differ, compared) = differences(bundled, &file);
    assert!(differ.is_empty(), "{} of {compared} differ:\n{}", differ.len(), differ.join("\n"));
    assert_eq!(bundled.zones().count(), file.zones, "the file and the database name different zones");
    // 1,553 changes of 597 zones; counted when the file was made.
    assert_eq!(compared, 165_179);
}

#[test]
fn zone_files_of_the_system_that_are_in_use_still_agree_with_zoneinfo() {
    let file = zone_cases();
    let (differ, _) = differences(database(), &file);
    assert!(
        differ.is_empty(),
        "the system's zone data {} ({}) is newer than zone_cases.json, of {}: run tests/oracles/make with a tzdata of \
         that release, and see what moved:\n{}",
        database().release(),
        database().origin(),
        file.tz_database,
        differ.join("\n")
    );
}

#[derive(Deserialize)]
struct StalenessFile {
    rows: Vec<StaleRow>,
}

#[derive(Deserialize)]
struct StaleRow {
    tzid: String,
    local: NaiveDateTime,
    utc_2025b: DateTime<Utc>,
    utc_2026f: DateTime<Utc>,
}

#[test]
fn opening_times_of_winter_2026_are_those_of_the_newer_release() {
    let file: StalenessFile = serde_json::from_str(STALENESS).unwrap();
    assert_eq!(file.rows.len(), 9);
    for row in file.rows {
        for database in [Database::bundled(), database()] {
            let zone = database.zone(&row.tzid).unwrap();
            assert_eq!(resolve(&zone, row.local), row.utc_2026f, "{} {}", row.tzid, database.release());
        }
        // The other witness is what the file says it is: the older release.
        let older: chrono_tz::Tz = row.tzid.parse().unwrap();
        assert_eq!(older.from_local_datetime(&row.local).unwrap(), row.utc_2025b, "{}", row.tzid);
    }
}

/// Zones whose offset in the next two years is not what chrono-tz, of 2025b, says. If this list changes, one of the
/// two was updated: read the release notes of the IANA database, and tell the clinics in the zones that moved.
/// Python's zoneinfo names the same fifteen between Debian's 2025b files and the `tzdata` package 2026.6.
const MOVED_SINCE_2025B: [&str; 15] = [
    "Africa/Casablanca",
    "Africa/El_Aaiun",
    "America/Edmonton",
    "America/Havana",
    "America/Inuvik",
    "America/Rainy_River",
    "America/Vancouver",
    "America/Winnipeg",
    "America/Yellowknife",
    "Canada/Central",
    "Canada/Mountain",
    "Canada/Pacific",
    "Cuba",
    "Europe/Chisinau",
    "Europe/Tiraspol",
];

#[test]
fn the_zones_that_moved_since_the_older_release_are_known() {
    assert_eq!(chrono_tz::IANA_TZDB_VERSION, "2025b");
    let from_at: DateTime<Utc> = "2026-12-01T00:00:00Z".parse().unwrap();
    let instants: Vec<_> = (0..2 * 365 * 4).map(|n| from_at + TimeDelta::hours(6 * n)).collect();
    let moved: Vec<_> = database()
        .zones()
        .filter(|zone| match zone.name().parse::<chrono_tz::Tz>() {
            Ok(older) => {
                instants.iter().any(|at| older.offset_from_utc_datetime(&at.naive_utc()).fix() != offset_at(zone, *at))
            }
            Err(_) => true,
        })
        .map(|zone| zone.name().to_owned())
        .collect();
    assert_eq!(moved, MOVED_SINCE_2025B, "the zone data in use is {} ({})", database().release(), database().origin());
}
