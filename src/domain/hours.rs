//! A clinic's week, closures and special openings, and the sessions of a clinic day they make.
//!
//! The one rule: a *clinic day* is not a calendar day. A session belongs to the date it opens on, even when it closes
//! after midnight. Everything here is counted in nominal local minutes; only [`ClinicDay`] holds instants, and they
//! come from [`super::zone`].

use std::collections::BTreeMap;

use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveDateTime, NaiveTime, TimeDelta, Timelike, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::fault::Fault;
use super::zone::{self, Zone};

/// How long after its last planned closing a day that runs past midnight still counts as that clinic day.
const OVERRUN: TimeDelta = TimeDelta::hours(4);
const MINUTES_PER_DAY: i32 = 1440;

/// One opening session of a clinic day, in local time.
///
/// A session that closes at or before the time it opens ends on the next calendar day: `22:00`-`02:00` crosses
/// midnight, `00:00`-`00:00` is a whole day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Session {
    /// Local time of opening, `HH:MM`.
    #[serde(with = "minute_of_day")]
    #[schema(value_type = String, pattern = "^([01][0-9]|2[0-3]):[0-5][0-9]$", example = "08:30")]
    pub opens: NaiveTime,
    /// Local time of closing, `HH:MM`; at or before `opens` it is on the next calendar day.
    #[serde(with = "minute_of_day")]
    #[schema(value_type = String, pattern = "^([01][0-9]|2[0-3]):[0-5][0-9]$", example = "12:30")]
    pub closes: NaiveTime,
}

impl Session {
    /// Start and end in minutes after midnight of the clinic day; the end may exceed 1440.
    fn span(self) -> Span {
        let start = minute(self.opens);
        let end = minute(self.closes);
        Span { start, end: if end <= start { end + MINUTES_PER_DAY } else { end } }
    }
}

/// Opening sessions by weekday. A weekday without sessions is an ordinary closed day.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Week {
    /// Sessions of Monday, in order.
    #[serde(default)]
    pub monday: Vec<Session>,
    /// Sessions of Tuesday, in order.
    #[serde(default)]
    pub tuesday: Vec<Session>,
    /// Sessions of Wednesday, in order.
    #[serde(default)]
    pub wednesday: Vec<Session>,
    /// Sessions of Thursday, in order.
    #[serde(default)]
    pub thursday: Vec<Session>,
    /// Sessions of Friday, in order.
    #[serde(default)]
    pub friday: Vec<Session>,
    /// Sessions of Saturday, in order.
    #[serde(default)]
    pub saturday: Vec<Session>,
    /// Sessions of Sunday, in order.
    #[serde(default)]
    pub sunday: Vec<Session>,
}

impl Week {
    pub(super) fn days(&self) -> [(&'static str, &[Session]); 7] {
        [
            ("monday", &self.monday),
            ("tuesday", &self.tuesday),
            ("wednesday", &self.wednesday),
            ("thursday", &self.thursday),
            ("friday", &self.friday),
            ("saturday", &self.saturday),
            ("sunday", &self.sunday),
        ]
    }

    pub(super) fn on(&self, date: NaiveDate) -> &[Session] {
        self.days()[date.weekday().num_days_from_monday() as usize].1
    }

    /// Every broken rule: at most six sessions a day, in order, none overlapping, and a session past midnight over
    /// before the next day's first.
    #[must_use]
    pub fn faults(&self) -> Vec<Fault> {
        let days = self.days();
        let mut faults = Vec::new();
        for (i, (name, sessions)) in days.iter().enumerate() {
            faults.extend(session_faults(sessions).into_iter().map(|f| f.under(&format!("/{name}"))));
            let (next_name, next) = days[(i + 1) % 7];
            if let (Some(last), Some(first)) = (sessions.last(), next.first())
                && last.span().end - MINUTES_PER_DAY > minute(first.opens)
            {
                faults.push(Fault::new(
                    format!("/{next_name}/0"),
                    format!("opens before the late session of {name} has closed"),
                ));
            }
        }
        faults
    }
}

/// The rules for the sessions of one day; pointers start at the list.
#[must_use]
pub fn session_faults(sessions: &[Session]) -> Vec<Fault> {
    let mut faults = Vec::new();
    if sessions.len() > 6 {
        faults.push(Fault::new("", "must have at most six sessions a day"));
    }
    for (i, pair) in sessions.windows(2).enumerate() {
        if pair[1].span().start < pair[0].span().end {
            faults.push(Fault::new(
                format!("/{}", i + 1),
                "overlaps the session before it; sessions must be in order and apart",
            ));
        }
    }
    faults
}

/// A dated exception that closes the clinic, in its local time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Closure {
    /// First closed local time.
    pub from: NaiveDateTime,
    /// First local time that is no longer closed.
    pub until: NaiveDateTime,
    /// Why, for the people who read "not required".
    pub reason: String,
}

impl Closure {
    /// Whether it closes any part of `date`'s clinic day, or of the night after it.
    #[must_use]
    pub fn touches(&self, date: NaiveDate) -> bool {
        !self.span_on(date).is_empty()
    }

    fn covers_whole(&self, date: NaiveDate) -> bool {
        self.from <= date.and_time(NaiveTime::MIN) && self.until >= (date + Days::new(1)).and_time(NaiveTime::MIN)
    }

    /// The closed part of `date`'s clinic day, in its minutes.
    fn span_on(&self, date: NaiveDate) -> Span {
        let midnight = date.and_time(NaiveTime::MIN);
        let clamp = |t: NaiveDateTime| {
            let minutes = (t - midnight).num_minutes().clamp(0, 2 * i64::from(MINUTES_PER_DAY));
            i32::try_from(minutes).expect("clamped to two days of minutes")
        };
        Span { start: clamp(self.from), end: clamp(self.until) }
    }
}

/// Everything that decides when a clinic is open.
#[derive(Clone, Debug)]
pub struct Hours {
    /// The clinic's zone.
    pub zone: Zone,
    /// The ordinary week; `None` until somebody sets it, and then nothing is planned from hours.
    pub week: Option<Week>,
    /// Weeks that take its place from a date on, each until the next of them.
    pub dated_weeks: BTreeMap<NaiveDate, Week>,
    /// Exceptions that close.
    pub closures: Vec<Closure>,
    /// Exceptions that open: they replace the weekly sessions of their date and any closure of the whole date.
    /// A closure of part of the day still cuts into them.
    pub special_openings: BTreeMap<NaiveDate, Vec<Session>>,
}

/// The opening sessions of one clinic day, as instants.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClinicDay {
    /// The clinic day.
    pub date: NaiveDate,
    /// Sessions as half-open intervals, ascending; empty when closed.
    pub sessions: Vec<(DateTime<Utc>, DateTime<Utc>)>,
    /// For each session, the minute of the clinic day by which it is known: the one it opens at by the week or the
    /// special opening. A piece that a closure cut off is known by its own first minute.
    pub known_by: Vec<u16>,
    /// The closure that shut a day which would have been open; `None` on open days and ordinary closed days.
    pub closed_by: Option<String>,
}

impl ClinicDay {
    /// Whether any session is left.
    #[must_use]
    pub fn is_open(&self) -> bool {
        !self.sessions.is_empty()
    }

    /// First planned opening.
    #[must_use]
    pub fn opens_at(&self) -> Option<DateTime<Utc>> {
        self.sessions.first().map(|s| s.0)
    }

    /// Last planned closing.
    #[must_use]
    pub fn closes_at(&self) -> Option<DateTime<Utc>> {
        self.sessions.last().map(|s| s.1)
    }
}

impl Hours {
    /// The sessions of the clinic day `date`.
    #[must_use]
    pub fn day(&self, date: NaiveDate) -> ClinicDay {
        let special = self.special_openings.get(&date);
        let mut spans: Vec<Span> = match (special, self.week_on(date)) {
            (Some(sessions), _) => sessions.iter().map(|s| s.span()).collect(),
            (None, Some(week)) => week.on(date).iter().map(|s| s.span()).collect(),
            (None, None) => Vec::new(),
        };
        let whole = spans.clone();
        let mut closures: Vec<&Closure> = self
            .closures
            .iter()
            .filter(|closure| special.is_none() || !closure.covers_whole(date))
            .filter(|closure| !closure.span_on(date).is_empty())
            .collect();
        // Several closures can shut one day between them: which of them gives the reason must not hang on their order.
        closures.sort_by_key(|closure| (closure.from, closure.until, &closure.reason));
        let mut closed_by = None;
        for closure in closures {
            if spans.is_empty() {
                break;
            }
            spans = Span::without(&spans, closure.span_on(date));
            if spans.is_empty() {
                closed_by = Some(closure.reason.clone());
            }
        }
        let mut sessions: Vec<(DateTime<Utc>, DateTime<Utc>)> = Vec::with_capacity(spans.len());
        let mut known_by = Vec::with_capacity(spans.len());
        for (i, span) in spans.iter().copied().enumerate() {
            let (opens, closes) = (self.instant(date, span.start), self.instant(date, span.end));
            // A closing inside a gap lands later on the clock, and may land in the session after it.
            let opens = sessions.last().map_or(opens, |before| opens.max(before.1));
            // A gap can swallow a short session whole.
            if opens < closes {
                sessions.push((opens, closes));
                known_by.push(known_minute(&whole, &spans, i));
            }
        }
        ClinicDay { date, sessions, known_by, closed_by }
    }

    /// The week in force on a date.
    #[must_use]
    pub fn week_on(&self, date: NaiveDate) -> Option<&Week> {
        self.dated_weeks.range(..=date).next_back().map(|(_, week)| week).or(self.week.as_ref())
    }

    /// Whether anybody has said when the clinic is open, if only for one day.
    #[must_use]
    pub fn are_set(&self) -> bool {
        self.week.is_some() || !self.dated_weeks.is_empty() || !self.special_openings.is_empty()
    }

    fn instant(&self, date: NaiveDate, minutes: i32) -> DateTime<Utc> {
        zone::resolve(&self.zone, date.and_time(NaiveTime::MIN) + TimeDelta::minutes(minutes.into()))
    }

    /// The clinic day an instant belongs to: the local date, or the day before while its late session (or up to
    /// four hours of overrun past one that ended near midnight) lasts and the new day has not opened.
    #[must_use]
    pub fn clinic_day_of(&self, at: DateTime<Utc>) -> NaiveDate {
        let today = zone::local(&self.zone, at).date();
        let Some(yesterday) = today.pred_opt() else { return today };
        let late = self.day(yesterday);
        let midnight = self.instant(today, 0);
        let still_yesterday =
            late.closes_at().is_some_and(|closes_at| closes_at + OVERRUN > midnight && at < closes_at + OVERRUN);
        let not_yet_today = self.day(today).opens_at().is_none_or(|opens_at| at < opens_at);
        if still_yesterday && not_yet_today { yesterday } else { today }
    }

    /// The instant at which the clinic day `date` is over and a later one has begun. A day that a night before it
    /// covers whole is over when that one is.
    #[must_use]
    pub fn clinic_day_ends_at(&self, date: NaiveDate) -> DateTime<Utc> {
        let (midnight, next_midnight) = (self.instant(date, MINUTES_PER_DAY), self.instant(date, 2 * MINUTES_PER_DAY));
        let late_until = self.day(date).closes_at().map_or(midnight, |closes_at| closes_at + OVERRUN);
        let opens_at = self.day(date + Days::new(1)).opens_at().unwrap_or(next_midnight);
        late_until.min(opens_at).clamp(midnight, next_midnight)
    }
}

/// A half-open interval in minutes after midnight of a clinic day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Span {
    start: i32,
    end: i32,
}

impl Span {
    fn is_empty(self) -> bool {
        self.start >= self.end
    }

    fn without(spans: &[Self], cut: Self) -> Vec<Self> {
        spans
            .iter()
            .flat_map(|s| {
                [Self { start: s.start, end: s.end.min(cut.start) }, Self { start: s.start.max(cut.end), end: s.end }]
            })
            .filter(|s| !s.is_empty())
            .collect()
    }
}

/// The minute by which the `i`-th of the spans that are left is known: the first piece of a session keeps the
/// session's own opening.
fn known_minute(whole: &[Span], left: &[Span], i: usize) -> u16 {
    let span = left[i];
    let session = whole.iter().find(|s| s.start <= span.start && span.end <= s.end);
    let known = session.filter(|s| i == 0 || left[i - 1].end <= s.start).map_or(span.start, |s| s.start);
    u16::try_from(known).expect("a session opens within two days of its midnight")
}

fn minute(time: NaiveTime) -> i32 {
    i32::try_from(time.num_seconds_from_midnight() / 60).expect("a day has 1440 minutes")
}

/// `HH:MM`, the one form of a local time of day in documents.
pub mod minute_of_day {
    use chrono::NaiveTime;
    use serde::{Deserialize, Deserializer, Serializer};

    /// Writes `HH:MM`.
    ///
    /// # Errors
    /// Those of the serializer.
    pub fn serialize<S: Serializer>(time: &NaiveTime, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(&time.format("%H:%M"))
    }

    /// Reads `HH:MM`, two digits each.
    ///
    /// # Errors
    /// When the text is not a time of day in that form.
    pub fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<NaiveTime, D::Error> {
        let text = String::deserialize(d)?;
        // Read back and compared, since chrono also takes " 8:30".
        NaiveTime::parse_from_str(&text, "%H:%M")
            .ok()
            .filter(|time| time.format("%H:%M").to_string() == text)
            .ok_or_else(|| serde::de::Error::custom(format!("`{text}` is not a time of day HH:MM")))
    }
}

#[cfg(test)]
mod tests;
