//! Weeks that follow one another on a date.
//!
//! The rule of this file: where one week takes over from another, the late session of the last day under the old one
//! is over before the first session under the new one opens. Inside a week, [`Week::faults`] keeps the same rule.

use std::collections::BTreeMap;
use std::ops::Bound::{Excluded, Unbounded};

use chrono::{Datelike, NaiveDate};

use super::fault::Fault;
use super::hours::Week;

/// A clinic's weeks: the undated one and those that begin on a date.
#[derive(Clone, Copy, Debug)]
pub struct WeekOrder<'w> {
    /// What holds before the first dated one.
    pub undated: Option<&'w Week>,
    /// Those that begin on a date.
    pub dated: &'w BTreeMap<NaiveDate, Week>,
}

impl<'w> WeekOrder<'w> {
    /// The week in force on the day before `date`.
    fn before(self, date: NaiveDate) -> Option<&'w Week> {
        self.dated.range(..date).next_back().map(|(_, week)| week).or(self.undated)
    }

    /// The next week that begins after `date`; with `None`, the first of all.
    fn after(self, date: Option<NaiveDate>) -> Option<(NaiveDate, &'w Week)> {
        let range = (date.map_or(Unbounded, Excluded), Unbounded);
        self.dated.range(range).next().map(|(date, week)| (*date, week))
    }

    /// What would be wrong at both ends of `week`, were it to begin on `effective_on`, or (`None`) to be the undated
    /// one. Pointers start at the week.
    #[must_use]
    pub fn faults(self, effective_on: Option<NaiveDate>, week: &Week) -> Vec<Fault> {
        let mut faults = Vec::new();
        if let Some(on) = effective_on
            && self.before(on).is_some_and(|before| run_into_each_other(before, week, on))
        {
            let rule =
                "opens before the late session of the week before, the evening before this one begins, has closed";
            faults.push(Fault::new(format!("/{}/0", name_of(week, on)), rule));
        }
        if let Some((next_on, next)) = self.after(effective_on)
            && run_into_each_other(week, next, next_on)
            && let Some(eve) = next_on.pred_opt()
        {
            let last = week.on(eve).len() - 1;
            let rule = format!("closes after the week that begins on {next_on} has opened");
            faults.push(Fault::new(format!("/{}/{last}", name_of(week, eve)), rule));
        }
        faults
    }

    /// The week that would be run into, were the one that begins on `effective_on` taken back.
    #[must_use]
    pub fn overlap_without(self, effective_on: NaiveDate) -> Option<NaiveDate> {
        let (next_on, next) = self.after(Some(effective_on))?;
        let before = self.before(effective_on)?;
        run_into_each_other(before, next, next_on).then_some(next_on)
    }
}

/// Whether the late session of `earlier` on the eve of `date` lasts into the first of `later` on `date`.
fn run_into_each_other(earlier: &Week, later: &Week, date: NaiveDate) -> bool {
    let last = date.pred_opt().and_then(|eve| earlier.on(eve).last());
    let (Some(last), Some(first)) = (last, later.on(date).first()) else { return false };
    // A session that closes at or before the time it opens ends on the next calendar day.
    last.closes <= last.opens && first.opens < last.closes
}

fn name_of(week: &Week, date: NaiveDate) -> &'static str {
    week.days()[date.weekday().num_days_from_monday() as usize].0
}

#[cfg(test)]
mod tests {
    use super::super::fixtures::{on, week};
    use super::*;

    fn pointers(faults: Vec<Fault>) -> Vec<String> {
        faults.into_iter().map(|fault| fault.pointer).collect()
    }

    /// 2026-12-01 is a Tuesday, 2026-12-07 a Monday (Gregorian calendar); sessions worked by hand.
    #[test]
    fn a_late_session_must_be_over_before_the_next_week_opens() {
        let none: [&str; 0] = [];
        let late = week("18:00-02:00", "18:00-02:00");
        let day = week("08:00-17:00", "");
        let early = week("01:00-05:00", "01:00-05:00");
        let after_closing = week("02:00-05:00", "");
        let order = |undated, dated| WeekOrder { undated, dated };

        let alone = BTreeMap::new();
        assert_eq!(pointers(order(Some(&late), &alone).faults(Some(on("2026-12-01")), &early)), ["/tuesday/0"]);
        assert_eq!(pointers(order(Some(&late), &alone).faults(Some(on("2026-12-01")), &after_closing)), none);
        assert_eq!(pointers(order(Some(&day), &alone).faults(Some(on("2026-12-01")), &early)), none);
        assert_eq!(pointers(order(None, &alone).faults(Some(on("2026-12-01")), &early)), none);

        // The week that follows is looked at from the one before it: its last evening is a Sunday.
        let followed = BTreeMap::from([(on("2026-12-07"), early.clone())]);
        assert_eq!(pointers(order(None, &followed).faults(Some(on("2026-12-01")), &late)), ["/sunday/0"]);
        assert_eq!(pointers(order(None, &followed).faults(None, &late)), ["/sunday/0"]);
        assert_eq!(pointers(order(None, &followed).faults(None, &day)), none);
        // It does not count as its own neighbour.
        assert_eq!(pointers(order(None, &followed).faults(Some(on("2026-12-07")), &late)), none);
    }

    #[test]
    fn a_week_cannot_be_taken_from_between_two_that_overlap() {
        let late = week("18:00-02:00", "18:00-02:00");
        let day = week("08:00-17:00", "");
        let early = week("01:00-05:00", "");
        let dated = BTreeMap::from([(on("2026-12-01"), day.clone()), (on("2026-12-07"), early)]);
        let with = |undated| WeekOrder { undated: Some(undated), dated: &dated };
        assert_eq!(with(&late).overlap_without(on("2026-12-01")), Some(on("2026-12-07")));
        assert_eq!(with(&day).overlap_without(on("2026-12-01")), None);
        assert_eq!(with(&late).overlap_without(on("2026-12-07")), None);
    }
}
