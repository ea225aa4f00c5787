//! One `VEVENT`, read.
//!
//! The rule of this file: what is not understood about when an event happens makes the whole event unread. Half an
//! event would close the clinic on days nobody named.

use chrono::NaiveDate;

use super::content::{Line, RawEvent};
use super::value::{self, Duration, Extent, Moment, Stamp};
use crate::domain::recurrence::Rule;

/// Most characters of a reason.
const LONGEST_REASON: usize = 200;

/// Which event an event is, and whether it counts.
#[derive(Clone, Debug)]
pub(super) struct Event {
    /// Where it begins in the file.
    pub(super) line: usize,
    /// Its identity, shared by a series and its overrides.
    pub(super) uid: Option<String>,
    /// What it is called.
    pub(super) summary: Option<String>,
    /// How often it was revised.
    pub(super) sequence: u64,
    /// The occurrence of the series it stands for.
    pub(super) replaces: Replaces,
    /// When it happens, or why that is not known or does not matter.
    pub(super) timing: Result<Timing, Unread>,
    /// When a cancelled one would have happened, as far as that is said: it tells what to take back.
    pub(super) called_off: Option<Timing>,
}

/// The occurrence an event stands for.
#[derive(Clone, Debug)]
pub(super) enum Replaces {
    /// None: it is an event of its own, or a series.
    Nothing,
    /// The one that would have begun then.
    Occurrence(Moment),
    /// One that is not known, so the series cannot be either.
    Unknown(String),
}

/// Why an event closes nothing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Unread {
    /// `STATUS:CANCELLED`.
    Cancelled,
    /// `TRANSP:TRANSPARENT`.
    Transparent,
    /// It is not understood.
    NotUnderstood(String),
}

impl Unread {
    pub(super) fn reason(&self) -> String {
        match self {
            Self::Cancelled => "it is cancelled (STATUS:CANCELLED)".to_owned(),
            Self::Transparent => "it takes up no time (TRANSP:TRANSPARENT)".to_owned(),
            Self::NotUnderstood(reason) => reason.clone(),
        }
    }
}

/// When an event happens.
#[derive(Clone, Debug)]
pub(super) struct Timing {
    pub(super) start: Moment,
    pub(super) extent: Extent,
    pub(super) rule: Option<SeriesRule>,
    /// Occurrences besides those of the rule, each with a length of its own where it has one.
    pub(super) also: Vec<(Moment, Extent)>,
    pub(super) except: Vec<Stamp>,
}

/// An `RRULE` without its `UNTIL`.
///
/// `UNTIL` is an instant for whoever counts instants; our recurrence counts dates, so the end is held here.
#[derive(Clone, Debug)]
pub(super) struct SeriesRule {
    pub(super) rule: String,
    pub(super) until: Option<String>,
    /// Whether its dates must be counted from the first on.
    pub(super) counts: bool,
}

impl Event {
    /// Reads the lines of an event.
    pub(super) fn read(raw: &RawEvent) -> Self {
        let text = |name| one(&raw.lines, name).ok().flatten().map(|line| line.value.as_str());
        let sequence = text("SEQUENCE").and_then(|digits| digits.trim().parse().ok()).unwrap_or(0);
        let timing = timing(raw);
        let is_cancelled = timing.as_ref().err() == Some(&Unread::Cancelled);
        Self {
            line: raw.line,
            uid: text("UID").map(str::trim).filter(|uid| !uid.is_empty()).map(str::to_owned),
            summary: text("SUMMARY").map(in_one_line).filter(|summary| !summary.is_empty()),
            sequence,
            replaces: replaces(&raw.lines),
            called_off: is_cancelled.then(|| read_timing(&raw.lines).ok()).flatten(),
            timing,
        }
    }

    /// Whether it says `STATUS:CANCELLED`.
    pub(super) fn is_cancelled(&self) -> bool {
        self.timing.as_ref().err() == Some(&Unread::Cancelled)
    }

    /// Why the clinic is closed, for people who read "not required".
    pub(super) fn reason(&self) -> String {
        self.summary.clone().unwrap_or_else(|| "closed by the imported calendar".to_owned())
    }
}

/// Text as one line without control characters, and not endless.
pub(super) fn in_one_line(text: &str) -> String {
    let words: Vec<_> = text.split(|c: char| c.is_whitespace() || c.is_control()).filter(|w| !w.is_empty()).collect();
    words.join(" ").chars().take(LONGEST_REASON).collect::<String>().trim_end().to_owned()
}

/// The line of a property that may stand once.
fn one<'a>(lines: &'a [Line], name: &str) -> Result<Option<&'a Line>, String> {
    let mut found = lines.iter().filter(|line| line.name == name);
    match (found.next(), found.next()) {
        (_, Some(_)) => Err(format!("{name} is given more than once")),
        (first, None) => Ok(first),
    }
}

fn replaces(lines: &[Line]) -> Replaces {
    let read = || {
        let Some(line) = one(lines, "RECURRENCE-ID")? else { return Ok(None) };
        if line.parameter("RANGE").is_some() {
            return Err("RECURRENCE-ID with RANGE is not understood".to_owned());
        }
        value::moment(line).map(Some)
    };
    match read() {
        Ok(None) => Replaces::Nothing,
        Ok(Some(moment)) => Replaces::Occurrence(moment),
        Err(reason) => Replaces::Unknown(reason),
    }
}

fn timing(raw: &RawEvent) -> Result<Timing, Unread> {
    if let Some(name) = &raw.too_long {
        return Err(Unread::NotUnderstood(format!("{name} is longer than is read")));
    }
    standing(&raw.lines)?;
    read_timing(&raw.lines).map_err(Unread::NotUnderstood)
}

/// Whether it happens at all, and keeps anybody busy.
fn standing(lines: &[Line]) -> Result<(), Unread> {
    let word = |name| {
        let line = one(lines, name).map_err(Unread::NotUnderstood)?;
        Ok::<_, Unread>(line.map(|line| line.value.trim().to_ascii_uppercase()))
    };
    match word("STATUS")?.as_deref() {
        None | Some("CONFIRMED" | "TENTATIVE") => {}
        Some("CANCELLED") => return Err(Unread::Cancelled),
        Some(other) => return Err(Unread::NotUnderstood(format!("STATUS `{}` is not known", value::shown(other)))),
    }
    match word("TRANSP")?.as_deref() {
        None | Some("OPAQUE") => Ok(()),
        Some("TRANSPARENT") => Err(Unread::Transparent),
        Some(other) => Err(Unread::NotUnderstood(format!("TRANSP `{}` is not known", value::shown(other)))),
    }
}

fn read_timing(lines: &[Line]) -> Result<Timing, String> {
    let start = value::moment(one(lines, "DTSTART")?.ok_or("DTSTART is missing")?)?;
    let is_day = start.clock == value::Clock::Day;
    let extent = match (one(lines, "DTEND")?, one(lines, "DURATION")?) {
        (Some(_), Some(_)) => return Err("an event has DTEND or DURATION, not both".to_owned()),
        (Some(end), None) => Extent::between(&start, &value::moment(end)?)?,
        (None, Some(line)) => {
            let duration = value::duration("DURATION", line.value.trim())?;
            if is_day && !duration.time.is_zero() {
                return Err("an event of whole days lasts whole days".to_owned());
            }
            Extent::Nominal(duration)
        }
        // Section 3.6.1: one day, or no time at all.
        (None, None) if is_day => Extent::Nominal(Duration { days: 1, time: chrono::TimeDelta::zero() }),
        (None, None) => return Err("it has a start and no length".to_owned()),
    };
    if lines.iter().any(|line| line.name == "EXRULE") {
        return Err("EXRULE is not understood".to_owned());
    }
    let mut also = Vec::new();
    for line in lines.iter().filter(|line| line.name == "RDATE") {
        for value in line.value.split(',') {
            also.push(added(&start, extent, line, value.trim())?);
        }
    }
    let mut except = Vec::new();
    for line in lines.iter().filter(|line| line.name == "EXDATE") {
        for moment in value::moments(line)? {
            if !moment.is_like(&start) {
                return Err("EXDATE and DTSTART are not of one kind of time".to_owned());
            }
            except.push(moment.stamp());
        }
    }
    except.sort_unstable();
    let rule = one(lines, "RRULE")?.map(|line| series_rule(line.value.trim())).transpose()?;
    Ok(Timing { start, extent, rule, also, except })
}

/// One value of `RDATE`: a start, or a period with an end of its own (section 3.3.9).
fn added(start: &Moment, extent: Extent, line: &Line, text: &str) -> Result<(Moment, Extent), String> {
    let (first, end) = text.split_once('/').map_or((text, None), |(first, end)| (first, Some(end)));
    let first = value::moment_of(line, first)?;
    if !first.is_like(start) {
        return Err("RDATE and DTSTART are not of one kind of time".to_owned());
    }
    let extent = match end {
        None => extent,
        Some(length) if length.starts_with(['P', '+', '-']) => Extent::Nominal(value::duration("RDATE", length)?),
        Some(end) => Extent::between(&first, &value::moment_of(line, end)?)?,
    };
    Ok((first, extent))
}

fn series_rule(text: &str) -> Result<SeriesRule, String> {
    let named = |part: &str, wanted: &str| part.split('=').next().is_some_and(|name| name.eq_ignore_ascii_case(wanted));
    let (ends, rest): (Vec<_>, Vec<_>) = text.split(';').partition(|part| named(part, "UNTIL"));
    let counts = rest.iter().any(|part| named(part, "COUNT"));
    let until = match ends.as_slice() {
        [] => None,
        [end] if !counts => Some(end.split_once('=').map_or("", |(_, value)| value).to_owned()),
        [_] => return Err("RRULE ends by COUNT or by UNTIL, not both".to_owned()),
        _ => return Err("RRULE has UNTIL more than once".to_owned()),
    };
    let rule = rest.join(";");
    rule.parse::<Rule>().map_err(|error| format!("RRULE: {error}"))?;
    Ok(SeriesRule { rule, until, counts })
}

/// The date an occurrence is known by: that of its own clock.
pub(super) fn known_on(start: &Moment) -> NaiveDate {
    start.shown.date()
}
