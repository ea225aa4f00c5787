//! Which opening sessions a closure takes away.
//!
//! The rule of this file: a closure is looked at alone, against the hours as they are without the file it came from,
//! so that what is told of it does not hang on its neighbours.

use chrono::{DateTime, Days, NaiveDate, Utc};

use crate::domain::daybook::DayBook;
use crate::domain::hours::{Closure, Hours, Session};
use crate::domain::zone::{self, Zone};

type Interval = (DateTime<Utc>, DateTime<Utc>);

/// A clinic day that a closure shuts or cuts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LostDay {
    /// The clinic day.
    pub clinic_day: NaiveDate,
    /// Whether no session is left.
    pub is_shut: bool,
    /// What of its sessions is lost, in local time.
    pub sessions_lost: Vec<Session>,
}

/// The clinic days from `from` to `until` that a closure would shut or cut.
///
/// `book` holds the clinic's hours without the closures of the file.
#[must_use]
pub fn lost_days(book: &DayBook<'_>, closure: &Closure, from: NaiveDate, until: NaiveDate) -> Vec<LostDay> {
    let hours = book.hours();
    // Field by field: the clinic's own closures are many, and none of them is wanted here.
    let with = |closures| Hours {
        zone: hours.zone.clone(),
        week: hours.week.clone(),
        dated_weeks: hours.dated_weeks.clone(),
        closures,
        special_openings: hours.special_openings.clone(),
    };
    let (open, cut) = (with(Vec::new()), with(vec![closure.clone()]));
    // A late session of the day before may run into the closure.
    let first = closure.from.date().checked_sub_days(Days::new(1)).unwrap_or(closure.from.date()).max(from);
    let end_on = closure.until.date().min(until);
    first
        .iter_days()
        .take_while(|date| *date <= end_on)
        .filter_map(|date| {
            let before = book.day(date);
            let taken = without(&open.day(date).sessions, &cut.day(date).sessions);
            let lost = common(&before.sessions, &taken);
            let is_shut = without(&before.sessions, &lost).is_empty();
            let sessions_lost = lost.into_iter().map(|span| session(&hours.zone, span)).collect::<Vec<_>>();
            (!sessions_lost.is_empty()).then_some(LostDay { clinic_day: date, is_shut, sessions_lost })
        })
        .collect()
}

fn session(zone: &Zone, (opens_at, closes_at): Interval) -> Session {
    Session { opens: zone::local(zone, opens_at).time(), closes: zone::local(zone, closes_at).time() }
}

fn common(a: &[Interval], b: &[Interval]) -> Vec<Interval> {
    let pairs = a.iter().flat_map(|x| b.iter().map(move |y| (x.0.max(y.0), x.1.min(y.1))));
    pairs.filter(|(start, end)| start < end).collect()
}

fn without(a: &[Interval], cuts: &[Interval]) -> Vec<Interval> {
    cuts.iter().fold(a.to_vec(), |left, cut| {
        let pieces = left.into_iter().flat_map(|(start, end)| [(start, end.min(cut.0)), (start.max(cut.1), end)]);
        pieces.filter(|(start, end)| start < end).collect()
    })
}
