//! A calendar of public holidays, as others publish it -> closures of a clinic.
//!
//! Authorities and associations publish holidays as iCalendar files (RFC 5545). This module says what such a file
//! means for the door of one clinic: which local times it shuts, and what in the file was left out and why.
//!
//! The rule it keeps: **nothing is left out in silence.** An event becomes closures, or it is listed with the reason;
//! a file whose frame is broken is refused whole.
//!
//! Where RFC 5545 leaves the reading open, this is what is done here:
//!
//! * `TZID` names a zone of the IANA database; the file's own `VTIMEZONE` is not read.
//! * A rule gives dates by [`super::recurrence`]; the time of day is that of `DTSTART` on each of them.
//! * A `DTSTART` that its own rule does not match makes the series unread.
//! * Of two events with one UID, the later revision (`SEQUENCE`) counts, then the first in the file.
//! * A cancelled series is cancelled with its overrides. What was imported of a cancelled event is taken back; what only
//!   left the file stays.
//! * Seconds are rounded outwards to the minute.

mod cancelled;
mod content;
mod effect;
mod event;
mod series;
mod value;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DurationRound as _, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta};
use sha2::{Digest as _, Sha256};
use uuid::Uuid;

pub use self::content::{DEEPEST, LONGEST_LINE_BYTES, MOST_EVENTS};
pub use self::effect::{LostDay, lost_days};
use self::event::{Event, Replaces, Timing};
use self::series::{Budget, Occasion, Window};
use self::value::{Extent, LONGEST, Moment};
use super::hours::Closure;
use super::zone::Zone;

/// The years a closure may lie in.
const FIRST_ON: NaiveDate = NaiveDate::from_ymd_opt(1970, 1, 1).expect("a real date");
const LAST_ON: NaiveDate = NaiveDate::from_ymd_opt(2199, 12, 31).expect("a real date");
const OUTSIDE: &str = "it lies outside the years 1970 to 2199";

/// Most closures that come of one file.
pub const MOST_CLOSURES: usize = 400;

/// Most days those closures last, added up: ten times what can be looked at, since closures may overlap.
pub const MOST_CLOSED_DAYS: i64 = 8000;

/// Why a file is refused whole.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CalendarError {
    /// Something other than a calendar stands where a calendar should.
    #[error("is no iCalendar file: line {line} should begin a VCALENDAR")]
    NotACalendar {
        /// Where, counted from 1.
        line: usize,
    },
    /// It ends before its components do.
    #[error("is cut short: a component that begins in it does not end")]
    CutShort,
    /// An `END` without its `BEGIN`.
    #[error("is broken in line {line}: what ends there is not what was begun last")]
    WrongEnd {
        /// Where, counted from 1.
        line: usize,
    },
    /// Components within components.
    #[error("nests components more than {DEEPEST} deep in line {line}")]
    TooDeep {
        /// Where, counted from 1.
        line: usize,
    },
    /// More events than are read.
    #[error("has more than {MOST_EVENTS} events")]
    TooManyEvents,
    /// Another calendar scale.
    #[error("does not count by the Gregorian calendar (CALSCALE in line {line})")]
    NotGregorian {
        /// Where, counted from 1.
        line: usize,
    },
    /// More closures than are kept from one file.
    #[error("gives more than {MOST_CLOSURES} closures: ask for fewer days, or send fewer events")]
    TooManyClosures,
    /// More closed days than are told of.
    #[error("closes more than {MOST_CLOSED_DAYS} days, added up over its events: many of them overlap")]
    TooManyDays,
}

/// For which clinic a file is read, and for which days.
#[derive(Clone, Debug)]
pub struct Scope<'a> {
    /// The clinic, which is part of each closure's identity.
    pub clinic_id: Uuid,
    /// Where its clocks stand.
    pub zone: &'a Zone,
    /// The first local day of interest.
    pub from: NaiveDate,
    /// The last local day of interest.
    pub until: NaiveDate,
    /// What is closed already, by identity. An occurrence that left the days of interest still moves its closure.
    pub standing: &'a BTreeMap<Uuid, Closure>,
}

/// What a closure is against the one that stands under its id.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Novelty {
    /// None stands.
    New,
    /// Another stands.
    Changed,
    /// It stands already.
    Unchanged,
    /// It stands, and its event is cancelled: it goes.
    Cancelled,
}

/// A closure that a file asks for, or asks to take back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HolidayClosure {
    /// Its identity, the same each time the file is read.
    pub closure_id: Uuid,
    /// When, and why.
    pub closure: Closure,
    /// Against what stands.
    pub novelty: Novelty,
}

/// Something in a file that closes nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Skipped {
    /// The event's UID, shortened.
    pub uid: Option<String>,
    /// What it is called.
    pub summary: Option<String>,
    /// Where the event begins in the file, counted from 1.
    pub line: usize,
    /// Why.
    pub reason: String,
}

/// What a file means for a clinic.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reading {
    /// The closures, by their start.
    pub closures: Vec<HolidayClosure>,
    /// Closures of the days of interest that stand under an id as this module makes them, and of which the file says
    /// nothing: they were imported once, from this file or another.
    pub left_alone: Vec<(Uuid, Closure)>,
    /// What was left out, in the order of the file.
    pub skipped: Vec<Skipped>,
}

/// Reads a file for a clinic.
///
/// # Errors
/// When the file as a whole cannot be read, or asks for more than is kept.
///
/// # Examples
/// ```
/// use std::collections::BTreeMap;
///
/// use chairtide::domain::holiday_calendar::{Scope, read};
/// use chrono::NaiveDate;
/// use uuid::Uuid;
///
/// let file = "BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nUID:midwinter\r\nSUMMARY:Midwinter\r\n\
///             DTSTART;VALUE=DATE:20261221\r\nRRULE:FREQ=YEARLY\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n";
/// let day = |text: &str| text.parse::<NaiveDate>().unwrap();
/// let scope = Scope {
///     clinic_id: Uuid::nil(),
///     zone: &"Europe/London".parse()?,
///     from: day("2026-12-01"),
///     until: day("2027-12-31"),
///     standing: &BTreeMap::new(),
/// };
/// let reading = read(file, &scope).unwrap();
/// let first = &reading.closures[0].closure;
/// assert_eq!(first.from.to_string(), "2026-12-21 00:00:00");
/// assert_eq!(first.until.to_string(), "2026-12-22 00:00:00");
/// assert_eq!(reading.closures.len(), 2);
/// # Ok::<(), chairtide::domain::zone::UnknownZone>(())
/// ```
pub fn read(text: &str, scope: &Scope<'_>) -> Result<Reading, CalendarError> {
    let mut reader =
        Reader { scope, budget: Budget::new(), met: 0, closed_days: 0, found: BTreeMap::new(), skipped: Vec::new() };
    let mut families: BTreeMap<String, Vec<Event>> = BTreeMap::new();
    for raw in content::events(text)? {
        let event = Event::read(&raw);
        match event.uid.clone() {
            Some(uid) => families.entry(uid).or_default().push(event),
            None => reader.skip(&event, "it has no UID, so that a repeat could not be told from a new event"),
        }
    }
    for (uid, family) in families {
        reader.family(&uid, family)?;
    }
    let left_alone = reader.left_alone();
    let Reader { found, mut skipped, .. } = reader;
    let mut closures: Vec<_> = found.into_values().collect();
    closures.sort_by(|a, b| {
        let key = |c: &HolidayClosure| (c.closure.from, c.closure.until, c.closure_id);
        key(a).cmp(&key(b))
    });
    skipped.sort_by_key(|skipped| skipped.line);
    Ok(Reading { closures, left_alone, skipped })
}

/// Reads the events one UID after the other.
struct Reader<'a> {
    scope: &'a Scope<'a>,
    budget: Budget,
    /// How many occurrences in the days of interest were met. Those that cannot be kept count: each is listed, and the
    /// list must end as well.
    met: usize,
    /// How many days the closures last: what each of them would shut is told day by day.
    closed_days: i64,
    found: BTreeMap<Uuid, HolidayClosure>,
    skipped: Vec<Skipped>,
}

impl Reader<'_> {
    fn skip(&mut self, event: &Event, reason: impl Into<String>) {
        self.skipped.push(Skipped {
            uid: event.uid.as_deref().map(event::in_one_line),
            summary: event.summary.clone(),
            line: event.line,
            reason: reason.into(),
        });
    }

    /// All events of one UID: a series or a lone event, and what replaces single occurrences of it.
    fn family(&mut self, uid: &str, family: Vec<Event>) -> Result<(), CalendarError> {
        if let Some(reason) = unknown_part(&family) {
            for event in &family {
                self.skip(event, reason.clone());
            }
            return Ok(());
        }
        let family = self.latest(family);
        let (masters, overrides): (Vec<_>, Vec<_>) =
            family.into_iter().partition(|event| matches!(event.replaces, Replaces::Nothing));
        let master = masters.into_iter().next();
        let mut series = Vec::new();
        let mut except: &[_] = &[];
        if let Some(event) = &master {
            match &event.timing {
                Ok(timing) => match self.series(timing) {
                    Ok(occurrences) => (series, except) = (occurrences, &timing.except),
                    Err(reason) => self.skip(event, reason),
                },
                Err(unread) => self.skip(event, unread.reason()),
            }
        }
        if let Some(event) = master.as_ref().filter(|event| event.is_cancelled()) {
            self.take_back_series(uid, event, &overrides);
            for event in &overrides {
                self.skip(event, "its series is cancelled");
            }
            return Ok(());
        }
        let mut replaced = BTreeSet::new();
        for event in &overrides {
            let Replaces::Occurrence(moment) = &event.replaces else { continue };
            let (occasion, stamp) = series::occasion_of(moment, &series);
            replaced.insert(stamp);
            match &event.timing {
                Ok(Timing { rule: Some(_), .. }) => self.skip(event, "an override cannot recur"),
                Ok(timing) => self.close(uid, event, occasion, &timing.start, timing.extent)?,
                Err(unread) => {
                    self.skip(event, unread.reason());
                    if event.is_cancelled() {
                        self.take_back_occurrence(uid, moment, &series);
                    }
                }
            }
        }
        if let Some(event) = &master {
            for occurrence in series::without(series, except, &replaced) {
                self.close(uid, event, occurrence.occasion, &occurrence.start, occurrence.extent)?;
            }
        }
        Ok(())
    }

    /// The last revision of each part of a family.
    fn latest(&mut self, mut family: Vec<Event>) -> Vec<Event> {
        family.sort_by_key(|event| (std::cmp::Reverse(event.sequence), event.line));
        let mut taken: BTreeMap<_, usize> = BTreeMap::new();
        let mut latest = Vec::with_capacity(family.len());
        for event in family {
            let part = match &event.replaces {
                Replaces::Occurrence(moment) => Some(moment.stamp()),
                Replaces::Nothing | Replaces::Unknown(_) => None,
            };
            if let Some(line) = taken.get(&part) {
                self.skip(&event, format!("the event in line {line} has its UID and is taken instead"));
                continue;
            }
            taken.insert(part, event.line);
            latest.push(event);
        }
        latest
    }

    fn series(&mut self, timing: &Timing) -> Result<Vec<series::Occurrence>, String> {
        let window = Window { from: self.scope.from, until: self.scope.until };
        series::occurrences(timing, window, &mut self.budget)
    }

    /// Notes the closure of one occurrence, if it concerns the days of interest.
    fn close(
        &mut self,
        uid: &str,
        event: &Event,
        occasion: Occasion,
        start: &Moment,
        extent: Extent,
    ) -> Result<(), CalendarError> {
        let begins = start.stamp().in_clinic(self.scope.zone);
        let ends = extent.end(start).in_clinic(self.scope.zone);
        let closure_id = closure_id(self.scope.clinic_id, uid, occasion);
        let standing = self.scope.standing.get(&closure_id);
        let concerns = |from, until| self.is_of_interest(from, until);
        if !concerns(begins, ends) && !standing.is_some_and(|closure| concerns(closure.from, closure.until)) {
            return Ok(());
        }
        self.met += 1;
        if self.met > MOST_CLOSURES {
            return Err(CalendarError::TooManyClosures);
        }
        let minute = TimeDelta::minutes(1);
        let (Ok(from), Ok(until)) = (begins.duration_trunc(minute), ends.duration_round_up(minute)) else {
            self.skip(event, OUTSIDE);
            return Ok(());
        };
        if until <= from || until - from > LONGEST {
            self.skip(event, format!("on {} it would close the clinic for no time or for over 400 days", from.date()));
            return Ok(());
        }
        if from.date() < FIRST_ON || until.date() > LAST_ON {
            self.skip(event, OUTSIDE);
            return Ok(());
        }
        let closure = Closure { from, until, reason: event.reason() };
        let novelty = match standing {
            None => Novelty::New,
            Some(before) if *before == closure => Novelty::Unchanged,
            Some(_) => Novelty::Changed,
        };
        if self.found.contains_key(&closure_id) {
            self.skip(event, format!("on {} it happens twice under one name", from.date()));
            return Ok(());
        }
        self.closed_days += (until - from).num_days() + 1;
        if self.closed_days > MOST_CLOSED_DAYS {
            return Err(CalendarError::TooManyDays);
        }
        self.found.insert(closure_id, HolidayClosure { closure_id, closure, novelty });
        Ok(())
    }

    fn is_of_interest(&self, from: NaiveDateTime, until: NaiveDateTime) -> bool {
        let first = self.scope.from.and_time(NaiveTime::MIN);
        let end = self.scope.until.and_time(NaiveTime::MIN) + TimeDelta::days(1);
        until > first && from < end
    }
}

/// What makes a whole family unread: an override of nobody knows which occurrence.
fn unknown_part(family: &[Event]) -> Option<String> {
    let master = family.iter().find(|event| matches!(event.replaces, Replaces::Nothing));
    let start = master.and_then(|event| event.timing.as_ref().ok()).map(|timing| &timing.start);
    family.iter().find_map(|event| match &event.replaces {
        Replaces::Unknown(reason) => Some(format!("line {}: {reason}", event.line)),
        Replaces::Occurrence(moment) if start.is_some_and(|start| !start.is_like(moment)) => {
            Some(format!("line {}: RECURRENCE-ID and DTSTART are not of one kind of time", event.line))
        }
        Replaces::Occurrence(_) | Replaces::Nothing => None,
    })
}

/// The identity of a closure: a UUID of version 8 (RFC 9562, section 5.8) of clinic, UID and occasion.
fn closure_id(clinic_id: Uuid, uid: &str, occasion: Occasion) -> Uuid {
    let mut hash = Sha256::new();
    hash.update(b"chairtide imported closure v1");
    hash.update(clinic_id.as_bytes());
    // A digest of the UID, so that its end and the beginning of what follows cannot be mistaken for each other.
    hash.update(Sha256::digest(uid.as_bytes()));
    hash.update(occasion.to_string().as_bytes());
    let digest = hash.finalize();
    let bytes = <[u8; 16]>::try_from(&digest[..16]).expect("sixteen bytes of thirty-two");
    uuid::Builder::from_custom_bytes(bytes).into_uuid()
}

#[cfg(test)]
mod tests;
