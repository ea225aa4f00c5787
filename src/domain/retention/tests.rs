use proptest::prelude::*;

use super::*;
use crate::domain::limit::Seen;

fn on(text: &str) -> NaiveDate {
    text.parse().expect("YYYY-MM-DD")
}

const NOBODY: OwnYears = OwnYears { group: None, clinic: None };

#[test]
fn the_shipped_rules_have_names_of_their_own_sources_and_at_least_one_class() {
    let Shipped { default, rules, elsewhere } = shipped();
    assert_eq!(
        (default.operator, default.unit.as_str(), default.source.seen),
        (Operator::Ge, "a", Seen::CommonPractice)
    );
    let mut keys: Vec<&str> = rules.iter().chain(elsewhere).map(|rule| rule.key.as_str()).collect();
    keys.sort_unstable();
    keys.dedup();
    assert_eq!(keys.len(), rules.len() + elsewhere.len());
    for rule in rules.iter().chain(elsewhere) {
        assert_eq!(rule.source.faults(), [], "{}", rule.key);
        assert_eq!((rule.operator, rule.unit.as_str()), (Operator::Ge, "a"), "{}", rule.key);
        assert!((FEWEST_YEARS..=MOST_YEARS).contains(&rule.value), "{}", rule.key);
        assert!(!rule.jurisdiction.is_empty(), "{}", rule.key);
        assert!(!["clinic", "group", "default"].contains(&rule.key.as_str()), "a word for what people set");
        // What was not read is to be confirmed, and says so.
        assert_eq!(
            rule.source.seen == Seen::FromMemory,
            rule.source.locator.contains("to be confirmed"),
            "{}",
            rule.key
        );
    }
    assert!(rules.iter().all(|rule| !rule.classes.is_empty() && rule.what.is_empty()));
    assert!(elsewhere.iter().all(|rule| rule.classes.is_empty() && !rule.what.is_empty()));
}

#[test]
fn the_longest_decides_and_no_setting_goes_below_the_law_of_the_place() {
    use RecordClass::{Amalgam, Equipment, Incidents, Sterilisation, WaterlineTests};
    let days = (on("2024-05-01"), on("2026-11-26"));
    let group = |years| OwnYears { group: Some(years), clinic: None };
    let both = |group, clinic| OwnYears { group: Some(group), clinic: Some(clinic) };
    for (class, place, own, years, decided_by) in [
        (WaterlineTests, "US-WA", NOBODY, 10, "default"),
        (WaterlineTests, "US-WA", group(2), 5, "us-wa-waterline-tests"),
        (WaterlineTests, "us-wa", group(2), 5, "us-wa-waterline-tests"),
        (WaterlineTests, "US", group(2), 2, "group"),
        (WaterlineTests, "", group(2), 2, "group"),
        (WaterlineTests, "US-WA", both(20, 6), 6, "clinic"),
        (WaterlineTests, "US-WA", both(6, 20), 20, "clinic"),
        (Amalgam, "US-CA", group(1), 3, "us-amalgam"),
        (Sterilisation, "US-CA", group(1), 1, "us-ca-clinic-autoclave"),
        (Sterilisation, "GB-ENG", group(1), 2, "gb-decontamination"),
        (Sterilisation, "CA-ON", NOBODY, 10, "ca-on-sterilisation"),
        // What is practice only, or counts from a day that no record tells, is told and decides nothing.
        (Sterilisation, "AU-SA", group(1), 1, "group"),
        (Equipment, "DE", group(1), 1, "group"),
        // What followed a failure is kept as long as any law of the place asks for any class.
        (Incidents, "US-WA", group(1), 5, "us-wa-sterilisation"),
        (Incidents, "GB", group(1), 5, "gb-premises-water"),
    ] {
        let kept = keeping(class, &[PlaceHeld::still(place)], own, days);
        assert_eq!((kept.years, kept.decided_by.as_str()), (years, decided_by), "{class:?} at {place:?} with {own:?}");
    }
}

#[test]
fn a_law_of_a_place_that_the_clinic_left_binds_what_was_recorded_until_then() {
    let places =
        [PlaceHeld { jurisdiction: "US-WA".to_owned(), until_on: Some(on("2024-05-31")) }, PlaceHeld::still("")];
    let own = OwnYears { group: Some(1), clinic: None };
    for (day, years) in [("2022-03-01", 5), ("2024-05-31", 5), ("2024-06-01", 1)] {
        let kept = keeping(RecordClass::WaterlineTests, &places, own, (on(day), on("2026-11-26")));
        assert_eq!(kept.years, years, "{day}");
    }
}

#[test]
fn a_rule_counts_that_was_in_force_on_any_day_from_the_record_to_today() {
    let rule = RetentionRule {
        effective_from: Some(on("2021-01-23")),
        effective_until: Some(on("2023-06-30")),
        ..shipped().rules.iter().find(|rule| rule.key == "us-wa-waterline-tests").expect("the rule").clone()
    };
    for (day, today, applies) in [
        ("2020-01-01", "2021-01-22", false),
        ("2020-01-01", "2021-01-23", true),
        ("2023-06-30", "2026-01-01", true),
        ("2023-07-01", "2026-01-01", false),
    ] {
        assert_eq!(rule.applies(RecordClass::WaterlineTests, "US-WA", (on(day), on(today))), applies, "{day} {today}");
    }
}

#[test]
fn years_count_from_the_day_to_the_same_day_and_it_is_kept_through_that_day() {
    for (day, years, last) in [
        ("2016-11-26", 10, "2026-11-26"),
        ("2016-02-29", 10, "2026-02-28"),
        ("2016-02-29", 4, "2020-02-29"),
        ("2015-12-31", 1, "2016-12-31"),
    ] {
        assert_eq!(last_kept_on(on(day), years), on(last), "{day} and {years}");
    }
    assert_eq!(old_enough_until(on("2026-11-26"), 10), Some(on("2016-11-25")));
    assert_eq!(old_enough_until(on("2026-02-28"), 10), Some(on("2016-02-27")));
    assert_eq!(old_enough_until(on("2026-03-01"), 10), Some(on("2016-02-29")));
}

proptest! {
    #[test]
    fn what_is_old_enough_is_so_by_either_way_of_counting(today in 0_i32..40_000, years in 1_u32..=100) {
        let today = on("1990-01-01") + chrono::TimeDelta::days(today.into());
        let until = old_enough_until(today, years).expect("within the calendar");
        prop_assert!(last_kept_on(until, years) < today);
        let next = until.succ_opt().expect("within the calendar");
        prop_assert!(last_kept_on(next, years) >= today);
    }

    #[test]
    fn nobody_keeps_for_less_than_any_law_of_their_place(
        class in prop::sample::select(&RecordClass::ALL[..]), group in prop::option::of(1_u32..=100),
        clinic in prop::option::of(1_u32..=100),
        place in prop::sample::select(&["", "US", "US-WA", "US-CA", "GB-ENG", "CA-ON", "DE", "AU-SA"][..]),
    ) {
        let days = (on("2020-01-01"), on("2026-11-26"));
        let kept = keeping(class, &[PlaceHeld::still(place)], OwnYears { group, clinic }, days);
        for rule in shipped().rules.iter().filter(|rule| rule.is_floor() && rule.applies(class, place, days)) {
            prop_assert!(kept.years >= rule.value);
        }
    }
}
