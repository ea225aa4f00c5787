//! Periods at the ends of years, and their written forms.

use proptest::prelude::*;

use super::*;
use crate::domain::fixtures::*;

/// ISO 8601 week dates: the examples of the standard that are quoted widely (2005-01-01 lies in 2004-W53, 2008-12-29
/// in 2009-W01, from memory), and the 53 weeks of 2026.
#[test]
fn a_week_belongs_to_the_year_of_its_thursday() {
    for (date, week, first, last) in [
        ("2005-01-01", "2004-W53", "2004-12-27", "2005-01-02"),
        ("2008-12-29", "2009-W01", "2008-12-29", "2009-01-04"),
        ("2026-12-31", "2026-W53", "2026-12-28", "2027-01-03"),
        ("2027-01-04", "2027-W01", "2027-01-04", "2027-01-10"),
    ] {
        let period = Period::holding(PeriodLength::Week, on(date));
        assert_eq!((period.to_string().as_str(), period.first_on(), period.last_on()), (week, on(first), on(last)));
    }
}

#[test]
fn months_quarters_and_years_are_those_of_the_calendar() {
    for (length, date, name, first, last) in [
        (PeriodLength::Month, "2028-02-29", "2028-02", "2028-02-01", "2028-02-29"),
        (PeriodLength::Quarter, "2026-11-25", "2026-Q4", "2026-10-01", "2026-12-31"),
        (PeriodLength::Quarter, "2026-03-31", "2026-Q1", "2026-01-01", "2026-03-31"),
        (PeriodLength::Year, "2026-07-01", "2026", "2026-01-01", "2026-12-31"),
    ] {
        let period = Period::holding(length, on(date));
        assert_eq!((period.to_string().as_str(), period.first_on(), period.last_on()), (name, on(first), on(last)));
    }
}

#[test]
fn only_the_one_written_form_is_read() {
    for text in ["2026-W54", "2027-W53", "2026-W1", "2026-13", "2026-1", "2026-Q5", "2026-Q04", "26", "", "2026-"] {
        assert_eq!(Period::parse(text), None, "{text}");
    }
}

proptest! {
    #[test]
    fn periods_follow_each_other_without_a_gap_and_are_read_back(
        date in any_day(),
        length in prop::sample::select(PeriodLength::LONGEST_FIRST.to_vec()),
    ) {
        let period = Period::holding(length, date);
        prop_assert!(period.first_on() <= date && date <= period.last_on());
        prop_assert_eq!(period.last_on() + Days::new(1), period.next().first_on());
        prop_assert_eq!(Period::parse(&period.to_string()), Some(period));
        prop_assert!(period.dates().all(|day| Period::holding(length, day) == period));
        let many: Vec<_> = Period::overlapping(length, date, period.next().first_on()).collect();
        prop_assert_eq!(many, [period, period.next()]);
    }
}
