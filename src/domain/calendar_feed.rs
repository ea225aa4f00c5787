//! A clinic's tasks as a calendar that other programs subscribe to (RFC 5545, RFC 7986).
//!
//! The rule of this file: the text is a pure function of the tasks, so it changes only when one of them did; and
//! nothing in it is about a person.

use chrono::{DateTime, Utc};
use icalendar::{Calendar, Component as _, Event, Property, Todo};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::task::TaskId;

/// Who wrote the calendar (RFC 5545, section 3.7.3).
const PRODUCT: &str = "-//Chairtide//Tasks of a clinic//EN";
/// What a task's id ends in as an entry's UID. RFC 7986, section 5.3, warns of host names there: they lay open where
/// an entry was made.
const UID_SUFFIX: &str = "@chairtide-task";
/// How often a program should look again: plans follow edits within seconds, and most programs ask seldom anyway.
const REFRESH_INTERVAL: &str = "PT1H";
/// Octets of a content line, its line break left out (RFC 5545, section 3.1).
const LONGEST_LINE: usize = 75;

/// What a task is shown as.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
#[schema(as = FeedItemKind)]
pub enum Component {
    /// As a `VEVENT`, for programs that show no to-dos.
    Event,
    /// As a `VTODO`.
    Task,
}

impl Component {
    /// The stable name, as stored and served.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Event => "event",
            Self::Task => "task",
        }
    }

    /// The component of a stable name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::Event, Self::Task].into_iter().find(|component| component.as_str() == name)
    }
}

/// What became of a task.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Progress {
    /// Nothing that ends it.
    Open,
    /// Sampled; the result is awaited.
    ResultPending,
    /// Recorded.
    Done {
        /// When the work was performed.
        performed_at: DateTime<Utc>,
    },
    /// Not required.
    NotRequired,
    /// A void test: another task repeats it.
    Void,
}

/// A task as an entry shows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// The task.
    pub task_id: TaskId,
    /// How often the plan changed it.
    pub revision: u32,
    /// When the plan or its outcome last changed.
    pub changed_at: DateTime<Utc>,
    /// The work may start.
    pub due_from: DateTime<Utc>,
    /// The work is due by then.
    pub due_by: DateTime<Utc>,
    /// What became of it.
    pub progress: Progress,
    /// The routine's name.
    pub routine_name: String,
    /// The subject's name.
    pub subject_name: String,
    /// Why it is due.
    pub why: String,
    /// What can hurt.
    pub cautions: Vec<String>,
}

/// The calendar's text, with its lines folded and ended as RFC 5545 says.
#[must_use]
pub fn write(name: &str, description: &str, component: Component, entries: &[Entry]) -> String {
    let mut calendar = Calendar::empty();
    calendar
        .append_property(Property::new("VERSION", "2.0"))
        .append_property(Property::new("PRODID", PRODUCT))
        .append_property(Property::new("CALSCALE", "GREGORIAN"))
        // The crate escapes the text of properties it knows, and NAME only when it is said to be text.
        .append_property(Property::new("NAME", plain(name)).add_parameter("VALUE", "TEXT").done())
        .append_property(Property::new("DESCRIPTION", plain(description)))
        .append_property(Property::new("REFRESH-INTERVAL", REFRESH_INTERVAL).add_parameter("VALUE", "DURATION").done());
    for entry in entries {
        match component {
            Component::Event => calendar.push(entry.event()),
            Component::Task => calendar.push(entry.todo()),
        };
    }
    fold(&calendar.to_string())
}

impl Entry {
    fn todo(&self) -> Todo {
        let mut todo = Todo::new();
        self.describe(&mut todo);
        // DUE must lie after DTSTART (RFC 5545, section 3.8.2.3); what is due the moment it may start has DUE alone.
        let (starts, due) = (instant(self.due_from), instant(self.due_by));
        if starts < due {
            todo.add_property("DTSTART", starts);
        }
        todo.add_property("DUE", due);
        let status = match self.progress {
            Progress::Open => "NEEDS-ACTION",
            Progress::ResultPending => "IN-PROCESS",
            Progress::Done { performed_at } => {
                todo.add_property("COMPLETED", instant(performed_at));
                "COMPLETED"
            }
            Progress::NotRequired | Progress::Void => "CANCELLED",
        };
        todo.add_property("STATUS", status);
        todo
    }

    fn event(&self) -> Event {
        let mut event = Event::new();
        self.describe(&mut event);
        let (starts, ends) = (instant(self.due_from), instant(self.due_by));
        // DTEND must lie after DTSTART (RFC 5545, section 3.8.2.2); without it the event ends as it starts.
        if starts < ends {
            event.add_property("DTEND", ends);
        }
        event.add_property("DTSTART", starts);
        let status = match self.progress {
            Progress::Open | Progress::ResultPending | Progress::Done { .. } => "CONFIRMED",
            Progress::NotRequired | Progress::Void => "CANCELLED",
        };
        event.add_property("STATUS", status);
        // A window of work is nobody's appointment.
        event.add_property("TRANSP", "TRANSPARENT");
        event
    }

    fn describe(&self, component: &mut impl icalendar::Component) {
        let state = match self.progress {
            Progress::Open => None,
            Progress::ResultPending => Some("Sampled; the result is awaited."),
            Progress::Done { .. } => Some("Recorded."),
            Progress::NotRequired => Some("Not required."),
            Progress::Void => Some("Found void; another task repeats it."),
        };
        let lines = state.into_iter().chain([self.why.as_str()]).chain(self.cautions.iter().map(String::as_str));
        let description: Vec<String> = lines.map(plain).collect();
        let changed_at = instant(self.changed_at);
        component
            .add_property("UID", format!("{}{UID_SUFFIX}", self.task_id))
            .add_property("SEQUENCE", self.revision.to_string())
            // Without METHOD the two are one (RFC 5545, section 3.8.7.2).
            .add_property("DTSTAMP", changed_at.clone())
            .add_property("LAST-MODIFIED", changed_at)
            .add_property("SUMMARY", plain(&format!("{}: {}", self.routine_name, self.subject_name)))
            .add_property("DESCRIPTION", description.join("\n"));
    }
}

/// An instant as text that sorts as time does. It has whole seconds (RFC 5545, section 3.3.12): what is left over is
/// dropped, so two instants of one second are one.
fn instant(at: DateTime<Utc>) -> String {
    at.format("%Y%m%dT%H%M%SZ").to_string()
}

/// Text without the control characters that RFC 5545, section 3.1, keeps out of content lines.
fn plain(text: &str) -> String {
    text.chars().filter(|c| *c == '\n' || !c.is_control()).collect()
}

/// Folds anew: the crate counts the blank that leads a folded line only for lines that are folded again, so the last
/// one could be an octet too long.
fn fold(text: &str) -> String {
    let mut folded = String::with_capacity(text.len() + text.len() / 32);
    for line in text.replace("\r\n ", "").split_terminator("\r\n") {
        let mut room = LONGEST_LINE;
        for c in line.chars() {
            if c.len_utf8() > room {
                folded.push_str("\r\n ");
                room = LONGEST_LINE - 1;
            }
            folded.push(c);
            room -= c.len_utf8();
        }
        folded.push_str("\r\n");
    }
    folded
}

#[cfg(test)]
mod tests;
