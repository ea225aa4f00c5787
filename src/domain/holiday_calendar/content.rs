//! The lines of an iCalendar file, and which of them belong to which event.
//!
//! The rule of this file: **a file whose frame is broken is refused whole**, since a download that was cut short would
//! otherwise open the clinic on every day that was lost. What is wrong inside one event is left to that event.
//!
//! A content line is split by the crate `icalendar`; the components around the lines are counted here, because that
//! crate descends into them by recursion and a file of a few thousand `BEGIN` lines would end the process.

use std::borrow::Cow;

use icalendar::parser::Property;

use super::CalendarError;

/// Most events of one file.
pub const MOST_EVENTS: usize = 2000;
/// Deepest nesting of components. RFC 5545 needs three: a calendar, an event, an alarm.
pub const DEEPEST: usize = 8;
/// Longest line that is read, unfolded. It holds a list of some 1,900 instants.
pub const LONGEST_LINE_BYTES: usize = 32 * 1024;

/// The properties of an event that decide when a clinic is closed. Every other line is passed over unread.
const READ: [&str; 14] = [
    "UID",
    "SUMMARY",
    "DTSTART",
    "DTEND",
    "DURATION",
    "RRULE",
    "EXRULE",
    "RDATE",
    "EXDATE",
    "RECURRENCE-ID",
    "STATUS",
    "TRANSP",
    "SEQUENCE",
    "CALSCALE",
];

/// One property of an event.
#[derive(Clone, Debug)]
pub(super) struct Line {
    /// Its name, in upper case.
    pub(super) name: String,
    /// Its parameters, names in upper case.
    parameters: Vec<(String, String)>,
    /// Its value; of text without the escapes. Empty as well where the line could not be split.
    pub(super) value: String,
}

impl Line {
    /// A parameter's value.
    pub(super) fn parameter(&self, name: &str) -> Option<&str> {
        self.parameters.iter().find(|(key, _)| key == name).map(|(_, value)| value.as_str())
    }
}

/// The lines of one `VEVENT`.
#[derive(Clone, Debug)]
pub(super) struct RawEvent {
    /// Where it begins, counted from 1.
    pub(super) line: usize,
    /// Those of its properties that are read.
    pub(super) lines: Vec<Line>,
    /// A property that is too long to be read.
    pub(super) too_long: Option<String>,
}

/// The events of a file, in its order.
///
/// # Errors
/// When the text is no calendar, is cut short, or is larger than is read.
pub(super) fn events(text: &str) -> Result<Vec<RawEvent>, CalendarError> {
    let mut open: Vec<&str> = Vec::new();
    let mut events: Vec<RawEvent> = Vec::new();
    let mut calendars = 0;
    for (number, line) in unfold(text) {
        if line.is_empty() {
            continue;
        }
        let name = line.split([';', ':']).next().unwrap_or_default();
        let component = |line: &Cow<'_, str>| line.split_once(':').map(|(_, value)| value.trim().to_ascii_uppercase());
        if name.eq_ignore_ascii_case("BEGIN") {
            let kind = component(&line).unwrap_or_default();
            if open.is_empty() && kind != "VCALENDAR" {
                return Err(CalendarError::NotACalendar { line: number });
            }
            if open.len() == DEEPEST {
                return Err(CalendarError::TooDeep { line: number });
            }
            if open == ["VCALENDAR"] && kind == "VEVENT" {
                if events.len() == MOST_EVENTS {
                    return Err(CalendarError::TooManyEvents);
                }
                events.push(RawEvent { line: number, lines: Vec::new(), too_long: None });
            }
            calendars += usize::from(open.is_empty());
            open.push(known(&kind));
        } else if name.eq_ignore_ascii_case("END") {
            let kind = component(&line).unwrap_or_default();
            if open.pop() != Some(known(&kind)) {
                return Err(CalendarError::WrongEnd { line: number });
            }
        } else if open.is_empty() {
            return Err(CalendarError::NotACalendar { line: number });
        } else if open == ["VCALENDAR"] && name.eq_ignore_ascii_case("CALSCALE") {
            if !split(&line).value.trim().eq_ignore_ascii_case("GREGORIAN") {
                return Err(CalendarError::NotGregorian { line: number });
            }
        } else if let (["VCALENDAR", "VEVENT"], Some(event)) = (open.as_slice(), events.last_mut())
            && READ.iter().any(|read| read.eq_ignore_ascii_case(name))
        {
            if line.len() > LONGEST_LINE_BYTES {
                event.too_long.get_or_insert_with(|| name.to_ascii_uppercase());
            } else {
                event.lines.push(split(&line));
            }
        }
    }
    match (open.is_empty(), calendars) {
        (false, _) => Err(CalendarError::CutShort),
        (true, 0) => Err(CalendarError::NotACalendar { line: 1 }),
        (true, _) => Ok(events),
    }
}

/// The components that matter by their name; all others are one.
fn known(kind: &str) -> &'static str {
    match kind {
        "VCALENDAR" => "VCALENDAR",
        "VEVENT" => "VEVENT",
        _ => "another",
    }
}

fn split(line: &str) -> Line {
    // Where it cannot be split, the crate hands back an empty value: no property that is read may be empty.
    match Property::try_from(line) {
        Ok(property) => Line {
            name: property.name.as_str().to_ascii_uppercase(),
            parameters: (property.params.iter())
                .filter_map(|p| Some((p.key.as_str().to_ascii_uppercase(), p.val.as_ref()?.as_str().to_owned())))
                .collect(),
            value: property.val.as_str().to_owned(),
        },
        Err(_) => Line {
            name: line.split([';', ':']).next().unwrap_or_default().to_ascii_uppercase(),
            parameters: Vec::new(),
            value: String::new(),
        },
    }
}

/// The unfolded lines (section 3.1) with the number of the first line of each.
fn unfold(text: &str) -> impl Iterator<Item = (usize, Cow<'_, str>)> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut raw = text.split('\n').map(|line| line.strip_suffix('\r').unwrap_or(line)).zip(1..).peekable();
    std::iter::from_fn(move || {
        let (first, number) = raw.next()?;
        let mut line = Cow::Borrowed(first);
        while let Some((more, _)) = raw.next_if(|(next, _)| next.starts_with([' ', '\t'])) {
            line.to_mut().push_str(&more[1..]);
        }
        Some((number, line))
    })
}
