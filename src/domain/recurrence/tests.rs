//! What is refused, what a document means, and the laws of the dates.

use chrono::{Datelike as _, Days, NaiveDate};
use proptest::prelude::*;

use super::{FIRST_ON, LAST_ON, Recurrence, RecurrenceError, Rule};

fn day(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn dates(recurrence: &Recurrence, from: &str, to: &str) -> Vec<String> {
    recurrence.dates_between(day(from), day(to)).unwrap().iter().map(ToString::to_string).collect()
}

#[test]
fn a_rule_that_cannot_be_used_says_why() {
    // RFC 5545 section 3.3.10, except where the right column speaks of a time of day or of a choice of our own.
    let refused = [
        ("", "`` is not a rule part such as BYDAY=MO"),
        ("DAILY", "`DAILY` is not a rule part such as BYDAY=MO"),
        ("FREQ=DAILY;", "`` is not a rule part such as BYDAY=MO"),
        ("RRULE:FREQ=DAILY", "`RRULE:FREQ` is not a part of a recurrence rule"),
        ("FREQ=DAILY;X-DAY=1", "`X-DAY` is not a part of a recurrence rule"),
        ("INTERVAL=2", "a rule needs FREQ: DAILY, WEEKLY, MONTHLY or YEARLY"),
        ("FREQ=HOURLY", "FREQ: `HOURLY` is not DAILY, WEEKLY, MONTHLY or YEARLY"),
        ("FREQ=DAILY;FREQ=WEEKLY", "FREQ is given more than once"),
        ("FREQ=DAILY;BYMONTH=1;bymonth=2", "BYMONTH is given more than once"),
        ("FREQ=DAILY;BYHOUR=9", "BYHOUR is refused: a rule gives dates, the time of day comes from the routine"),
        ("FREQ=DAILY;BYMINUTE=0", "BYMINUTE is refused: a rule gives dates, the time of day comes from the routine"),
        ("FREQ=DAILY;BYSECOND=0", "BYSECOND is refused: a rule gives dates, the time of day comes from the routine"),
        ("FREQ=DAILY;INTERVAL=0", "INTERVAL: `0` is not a whole number from 1 to 9999"),
        ("FREQ=DAILY;INTERVAL=10000", "INTERVAL: `10000` is not a whole number from 1 to 9999"),
        ("FREQ=DAILY;INTERVAL=+2", "INTERVAL: `+2` is not a whole number from 1 to 9999"),
        ("FREQ=DAILY;COUNT=0", "COUNT: `0` is not a whole number from 1 to 200000"),
        ("FREQ=DAILY;COUNT=200001", "COUNT: `200001` is not a whole number from 1 to 200000"),
        ("FREQ=DAILY;COUNT=2;UNTIL=20270101", "a rule ends by COUNT or by UNTIL, not both"),
        ("FREQ=DAILY;UNTIL=20270229", "UNTIL: `20270229` is not a date such as 20271231, or 20271231T220000Z"),
        (
            "FREQ=DAILY;UNTIL=20270228T090000",
            "UNTIL: `20270228T090000` is not a date such as 20271231, or 20271231T220000Z",
        ),
        ("FREQ=DAILY;UNTIL=+2027228", "UNTIL: `+2027228` is not a date such as 20271231, or 20271231T220000Z"),
        ("FREQ=DAILY;BYMONTH=13", "BYMONTH: `13` is not a month from 1 to 12"),
        ("FREQ=DAILY;BYMONTH=-1", "BYMONTH: `-1` is not a month from 1 to 12"),
        ("FREQ=DAILY;BYMONTH=1,,2", "BYMONTH: `` is not a month from 1 to 12"),
        ("FREQ=MONTHLY;BYMONTHDAY=0", "BYMONTHDAY: `0` is not a day from 1 to 31 or -31 to -1"),
        ("FREQ=MONTHLY;BYMONTHDAY=32", "BYMONTHDAY: `32` is not a day from 1 to 31 or -31 to -1"),
        ("FREQ=MONTHLY;BYMONTHDAY=--1", "BYMONTHDAY: `--1` is not a day from 1 to 31 or -31 to -1"),
        ("FREQ=YEARLY;BYYEARDAY=367", "BYYEARDAY: `367` is not a day from 1 to 366 or -366 to -1"),
        ("FREQ=YEARLY;BYWEEKNO=54;BYDAY=MO", "BYWEEKNO: `54` is not a week from 1 to 53 or -53 to -1"),
        ("FREQ=YEARLY;BYDAY=54MO", "BYDAY: `54MO` is not a day such as MO, 1MO or -1MO, numbered up to 53"),
        ("FREQ=YEARLY;BYDAY=0MO", "BYDAY: `0MO` is not a day such as MO, 1MO or -1MO, numbered up to 53"),
        ("FREQ=WEEKLY;BYDAY=M", "BYDAY: `M` is not a day such as MO, 1MO or -1MO, numbered up to 53"),
        ("FREQ=WEEKLY;BYDAY=1é", "BYDAY: `1é` is not a day such as MO, 1MO or -1MO, numbered up to 53"),
        ("FREQ=WEEKLY;WKST=1MO", "WKST: `1MO` is not one of MO, TU, WE, TH, FR, SA, SU"),
        ("FREQ=MONTHLY;BYDAY=MO;BYSETPOS=0", "BYSETPOS: `0` is not a position from 1 to 366 or -366 to -1"),
        ("FREQ=WEEKLY;BYMONTHDAY=1", "BYMONTHDAY cannot be used with FREQ=WEEKLY"),
        ("FREQ=MONTHLY;BYYEARDAY=1", "BYYEARDAY cannot be used with FREQ=MONTHLY"),
        ("FREQ=MONTHLY;BYWEEKNO=1;BYDAY=MO", "BYWEEKNO cannot be used with FREQ=MONTHLY"),
        ("FREQ=WEEKLY;BYDAY=1MO", "BYDAY can number its days (1MO, -1FR) only with FREQ=MONTHLY or FREQ=YEARLY"),
        ("FREQ=YEARLY;BYWEEKNO=20;BYDAY=1MO", "BYDAY cannot number its days (1MO, -1FR) together with BYWEEKNO"),
        ("FREQ=YEARLY;BYWEEKNO=20", "BYWEEKNO needs BYDAY to say which days of the week are meant"),
        ("FREQ=WEEKLY;BYSETPOS=1", "BYSETPOS needs another BY part to pick from"),
    ];
    for (rule, reason) in refused {
        let error = Recurrence::new(rule, day("2026-12-01")).check().unwrap_err();
        assert_eq!(error.to_string(), reason, "{rule}");
    }
    let long = format!("FREQ=DAILY;BYMONTH={}", "1,".repeat(300));
    assert_eq!(Recurrence::new(long, FIRST_ON).check().unwrap_err().to_string(), "a rule has at most 500 bytes");
}

#[test]
fn a_rule_that_never_matches_is_refused_and_ends() {
    let starts_on = day("2026-12-01");
    for rule in [
        "FREQ=DAILY;BYMONTH=2;BYMONTHDAY=31",
        "FREQ=WEEKLY;BYDAY=MO;BYSETPOS=2",
        "FREQ=MONTHLY;BYMONTH=2;BYMONTHDAY=30",
        "FREQ=MONTHLY;BYDAY=6MO",
        "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=31",
        "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=31;COUNT=5",
        "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29;INTERVAL=100",
        "FREQ=DAILY;UNTIL=20261130",
    ] {
        let recurrence = Recurrence::new(rule, starts_on);
        assert!(matches!(recurrence.check(), Err(RecurrenceError::NeverDue { .. })), "{rule}");
        assert_eq!(recurrence.dates_between(FIRST_ON, LAST_ON).unwrap(), [], "{rule}");
    }
}

#[test]
fn a_rule_of_which_nothing_is_left_says_what_takes_it_away() {
    // 2026-12-07 is the first Monday of that December.
    let mondays = |ends_on: Option<&str>, except_on: &[&str], also_on: &[&str]| {
        let set = |texts: &[&str]| texts.iter().map(|text| day(text)).collect();
        let (ends_on, except_on, also_on) = (ends_on.map(day), set(except_on), set(also_on));
        Recurrence { ends_on, except_on, also_on, ..Recurrence::new("FREQ=WEEKLY;BYDAY=MO;COUNT=2", day("2026-12-01")) }
    };
    let too_soon = "`FREQ=WEEKLY;COUNT=2;BYDAY=MO` gives its first date on 2026-12-07, after ends_on";
    let taken_out = "except_on takes out every date of `FREQ=WEEKLY;COUNT=2;BYDAY=MO`";
    for (recurrence, refused) in [
        (mondays(Some("2026-12-06"), &[], &[]), Some(too_soon)),
        (mondays(Some("2026-12-07"), &[], &[]), None),
        (mondays(Some("2026-12-06"), &[], &["2026-12-02"]), None),
        (mondays(Some("2026-12-06"), &["2026-12-02"], &["2026-12-02"]), Some(taken_out)),
        (mondays(None, &["2026-12-07"], &[]), None),
        (mondays(None, &["2026-12-07", "2026-12-14"], &[]), Some(taken_out)),
        (mondays(Some("2026-12-13"), &["2026-12-07"], &[]), Some(taken_out)),
        (mondays(None, &["2026-12-07", "2026-12-14"], &["2027-01-01"]), None),
    ] {
        let told = recurrence.check().err().map(|error| error.to_string());
        assert_eq!(told.as_deref(), refused, "{recurrence:?}");
    }
}

#[test]
fn a_start_outside_the_calendar_is_refused() {
    for starts_on in [day("1899-12-31"), day("2200-01-01"), NaiveDate::MIN, NaiveDate::MAX] {
        let recurrence = Recurrence::new("FREQ=DAILY", starts_on);
        assert_eq!(recurrence.check(), Err(RecurrenceError::StartsOutside { starts_on }));
        assert!(recurrence.dates_between(NaiveDate::MIN, NaiveDate::MAX).is_err());
    }
}

#[test]
fn dates_end_with_the_calendar() {
    let daily = Recurrence::new("FREQ=DAILY", FIRST_ON);
    // From memory of the Gregorian rule: 300 years of 365 days, 75 leap years less 1900 and 2100.
    assert_eq!(daily.dates_between(NaiveDate::MIN, NaiveDate::MAX).unwrap().len(), 300 * 365 + 73);
    let yearly = Recurrence::new("FREQ=YEARLY;INTERVAL=9999", LAST_ON);
    assert_eq!(yearly.dates_between(NaiveDate::MIN, NaiveDate::MAX).unwrap(), [LAST_ON]);
}

#[test]
fn the_canonical_text_of_a_rule_is_sorted_and_upper_case() {
    for (written, canonical) in [
        ("freq=weekly;interval=1;wkst=mo", "FREQ=WEEKLY"),
        ("BYDAY=SU,+1MO,mo,-1FR,MO;FREQ=MONTHLY", "FREQ=MONTHLY;BYDAY=MO,SU,-1FR,1MO"),
        ("FREQ=YEARLY;WKST=SU;BYSETPOS=-1,1;BYMONTH=03,1", "FREQ=YEARLY;BYMONTH=1,3;BYSETPOS=-1,1;WKST=SU"),
        ("FREQ=DAILY;UNTIL=20271231T220000Z", "FREQ=DAILY;UNTIL=20271231"),
        ("FREQ=DAILY;COUNT=007", "FREQ=DAILY;COUNT=7"),
    ] {
        assert_eq!(written.parse::<Rule>().unwrap().to_string(), canonical);
    }
}

#[test]
fn until_is_the_last_date_and_midnight_closes_the_day_before() {
    for (until, last) in [
        ("20261203", "2026-12-03"),
        ("20261203T000001Z", "2026-12-03"),
        ("20261203T235959Z", "2026-12-03"),
        ("20261203T000000Z", "2026-12-02"),
    ] {
        let daily = Recurrence::new(format!("FREQ=DAILY;UNTIL={until}"), day("2026-12-01"));
        assert_eq!(dates(&daily, "2026-12-01", "2026-12-31").last().unwrap(), last, "{until}");
    }
}

#[test]
fn a_first_day_the_rule_does_not_match_is_no_date() {
    let fridays = Recurrence::new("FREQ=WEEKLY;BYDAY=FR;COUNT=2", day("2026-12-01"));
    assert_eq!(dates(&fridays, "2026-12-01", "2027-01-31"), ["2026-12-04", "2026-12-11"]);
}

#[test]
fn exceptions_win_over_added_dates_and_do_not_prolong_a_count() {
    let recurrence = Recurrence {
        except_on: [day("2026-12-02"), day("2026-12-20")].into(),
        also_on: [day("2026-11-30"), day("2026-12-10"), day("2026-12-20"), day("2027-01-02")].into(),
        ends_on: Some(day("2027-01-01")),
        ..Recurrence::new("FREQ=DAILY;COUNT=3", day("2026-12-01"))
    };
    assert_eq!(dates(&recurrence, "2026-01-01", "2027-12-31"), ["2026-12-01", "2026-12-03", "2026-12-10"]);
}

#[test]
fn a_window_includes_both_of_its_ends_and_may_be_empty() {
    let daily = Recurrence::new("FREQ=DAILY", day("2026-12-01"));
    assert_eq!(dates(&daily, "2026-12-05", "2026-12-06"), ["2026-12-05", "2026-12-06"]);
    assert_eq!(dates(&daily, "2026-12-05", "2026-12-05"), ["2026-12-05"]);
    assert!(dates(&daily, "2026-12-05", "2026-12-04").is_empty());
    assert!(dates(&daily, "2026-01-01", "2026-11-30").is_empty());
}

#[test]
fn the_document_needs_a_rule_and_a_start_and_knows_no_other_fields() {
    let read = |text: &str| serde_json::from_str::<Recurrence>(text);
    let short = read(r#"{"rule":"FREQ=DAILY","starts_on":"2026-12-01"}"#).unwrap();
    assert_eq!(short, Recurrence::new("FREQ=DAILY", day("2026-12-01")));
    assert_eq!(read(&serde_json::to_string(&short).unwrap()).unwrap(), short);
    assert!(read(r#"{"rule":"FREQ=DAILY"}"#).is_err());
    assert!(read(r#"{"rule":"FREQ=DAILY","starts_on":"2026-12-01","zone":"UTC"}"#).is_err());
}

fn any_day() -> impl Strategy<Value = NaiveDate> {
    (0..109_500_u64).prop_map(|days| FIRST_ON + Days::new(days))
}

/// Texts that are mostly rules; what RFC 5545 forbids together is left to the parser.
fn any_rule() -> impl Strategy<Value = String> {
    let numbers = |top: i16| prop::collection::vec((-top..=top).prop_filter("not 0", |n| *n != 0), 1..4);
    let listed = |name: &'static str, top: i16| {
        prop::option::weighted(0.25, numbers(top)).prop_map(move |list| {
            let list = list?.iter().map(ToString::to_string).collect::<Vec<_>>();
            Some(format!("{name}={}", list.join(",")))
        })
    };
    let part = |pattern: &'static str| prop::option::weighted(0.3, pattern.prop_map(|text| text));
    (
        "FREQ=(DAILY|WEEKLY|MONTHLY|YEARLY)",
        part("INTERVAL=([1-9]|[1-4][0-9]{1,3})"),
        part("(COUNT=[1-9][0-9]{0,2}|UNTIL=20[0-9]{2}(0[1-9]|1[0-2])(0[1-9]|1[0-9]|2[0-8]))"),
        part("BYMONTH=([1-9]|1[0-2]),([1-9]|1[0-2])"),
        listed("BYMONTHDAY", 31),
        listed("BYYEARDAY", 366),
        listed("BYWEEKNO", 53),
        listed("BYSETPOS", 6),
        part("BYDAY=(-?[1-5])?(MO|TU|WE),(TH|FR|SA|SU)"),
        part("WKST=(MO|TH|SU)"),
    )
        .prop_map(|(freq, a, b, c, d, e, f, g, h, i)| {
            let rest = [a, b, c, d, e, f, g, h, i].into_iter().flatten();
            std::iter::once(freq).chain(rest).collect::<Vec<_>>().join(";")
        })
        .prop_filter("a rule", |text| text.parse::<Rule>().is_ok())
}

fn any_recurrence() -> impl Strategy<Value = Recurrence> {
    let near = |day: NaiveDate| prop::collection::btree_set((0..400_u64).prop_map(move |n| day + Days::new(n)), 0..4);
    (any_rule(), any_day(), prop::option::of(0..2_000_u64)).prop_flat_map(move |(rule, starts_on, length)| {
        (near(starts_on), near(starts_on)).prop_map(move |(except_on, also_on)| Recurrence {
            ends_on: length.map(|days| starts_on + Days::new(days)),
            except_on,
            also_on,
            ..Recurrence::new(rule.clone(), starts_on)
        })
    })
}

proptest! {
    #[test]
    fn no_text_makes_the_parser_panic(text in any::<String>(), starts_on in any::<i32>()) {
        let starts_on = NaiveDate::from_num_days_from_ce_opt(starts_on).unwrap_or(FIRST_ON);
        let _ = Recurrence::new(text, starts_on).check();
    }

    #[test]
    fn no_text_of_rule_characters_makes_the_parser_panic(
        text in "(FREQ=(DAILY|WEEKLY|MONTHLY|YEARLY))?(;?[A-Z]{0,10}=[-+0-9A-Z,TZ]{0,20}){0,6}",
        starts_on in any_day(),
    ) {
        let recurrence = Recurrence::new(text, starts_on);
        if recurrence.check().is_ok() {
            prop_assert!(!recurrence.dates_between(starts_on, LAST_ON).unwrap().is_empty());
        }
    }

    #[test]
    fn canonical_text_reads_as_the_same_rule(text in any_rule()) {
        let rule: Rule = text.parse().unwrap();
        prop_assert_eq!(rule.to_string().parse::<Rule>().unwrap(), rule);
    }

    #[test]
    fn dates_are_in_order_once_each_and_in_the_window(
        recurrence in any_recurrence(), after in 0..3_000_u64, length in 0..2_000_u64,
    ) {
        let from_on = recurrence.starts_on + Days::new(after);
        let to_on = from_on + Days::new(length);
        let dates = recurrence.dates_between(from_on, to_on).unwrap();
        prop_assert!(dates.is_sorted_by(|a, b| a < b));
        for date in dates {
            prop_assert!((from_on..=to_on).contains(&date));
            prop_assert!(recurrence.ends_on.is_none_or(|ends_on| date <= ends_on));
            prop_assert!(!recurrence.except_on.contains(&date));
        }
    }

    #[test]
    fn a_window_is_the_sum_of_its_halves(
        recurrence in any_recurrence(), before in 0..500_u64, first in 0..3_000_u64, second in 1..3_000_u64,
    ) {
        let from_on = recurrence.starts_on - Days::new(before);
        let middle = from_on + Days::new(first);
        let to_on = middle + Days::new(second);
        let mut halves = recurrence.dates_between(from_on, middle).unwrap();
        halves.extend(recurrence.dates_between(middle + Days::new(1), to_on).unwrap());
        prop_assert_eq!(recurrence.dates_between(from_on, to_on).unwrap(), halves);
    }

    #[test]
    fn a_count_is_the_number_of_dates_when_nothing_else_ends_the_rule(
        rule in "FREQ=(DAILY|WEEKLY|MONTHLY);BYDAY=(MO|TU),(FR|SU)", count in 1..300_usize, starts_on in any_day(),
    ) {
        prop_assume!(starts_on < day("2100-01-01"));
        let counted = Recurrence::new(format!("{rule};COUNT={count}"), starts_on);
        let endless = Recurrence::new(rule, starts_on);
        let dates = counted.dates_between(FIRST_ON, LAST_ON).unwrap();
        prop_assert_eq!(dates.len(), count);
        prop_assert_eq!(&dates, &endless.dates_between(FIRST_ON, LAST_ON).unwrap()[..count]);
    }
}

proptest! {
    // Each case may look at three hundred years twice.
    #![proptest_config(ProptestConfig::with_cases(32))]

    #[test]
    fn the_first_date_is_the_first_of_all_and_what_passes_the_check_has_one(
        recurrence in any_recurrence(), after in 0..500_u64, odd in any::<bool>(),
    ) {
        let from_on = recurrence.starts_on + Days::new(after);
        let wanted = |date: NaiveDate| !odd || date.day() % 2 == 1;
        let all = recurrence.dates_between(FIRST_ON, LAST_ON).unwrap();
        let first = all.iter().copied().find(|date| *date >= from_on && wanted(*date));
        prop_assert_eq!(recurrence.first_date(from_on, wanted).unwrap(), first);
        match recurrence.check() {
            Ok(()) => prop_assert!(!all.is_empty()),
            // A rule without dates is refused although other dates are added to it.
            Err(RecurrenceError::NeverDue { .. }) => prop_assert!(all.iter().all(|d| recurrence.also_on.contains(d))),
            Err(_) => prop_assert!(all.is_empty()),
        }
    }
}
