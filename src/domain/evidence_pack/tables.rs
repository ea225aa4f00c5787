//! The short tables of the page: what an inspector asks to see beside what fell short.
//!
//! The rule of this file: a table says what was recorded and by whom, and counts what it leaves out. What is no evidence of
//! fitness has no column here that looks like one.

use std::fmt::Write as _;

use chrono::{DateTime, Utc};
use serde::Deserialize;

use super::page::escape;
use super::sections::part;
use super::{Cover, Shown};

/// What a table is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TableKind {
    /// Work by routine and week or month.
    Routines,
    /// Timed holds, as flushes and contact times, by routine and subject.
    Holds,
    /// Cycles of sterilisers with their records.
    Cycles,
    /// Tests with biological indicators.
    SporeTests,
    /// Operatories and equipment.
    Equipment,
    /// Lots of products.
    Lots,
    /// Who signed which day.
    DaySignatures,
    /// People with their competences.
    People,
    /// Notices about the mains water.
    Advisories,
    /// What was out of use.
    OutOfUse,
    /// Corrective actions that were closed.
    ClosedActions,
    /// Purges and legal holds.
    Keeping,
}

impl TableKind {
    /// All, in the order of the page.
    pub const ALL: [Self; 12] = [
        Self::Routines,
        Self::Holds,
        Self::Cycles,
        Self::SporeTests,
        Self::ClosedActions,
        Self::OutOfUse,
        Self::Advisories,
        Self::Equipment,
        Self::Lots,
        Self::People,
        Self::DaySignatures,
        Self::Keeping,
    ];

    fn title(self) -> &'static str {
        match self {
            Self::Routines => "Work by routine",
            Self::Holds => "Flushes, contact times and other timed holds",
            Self::Cycles => "Steriliser cycles",
            Self::SporeTests => "Spore tests with their control",
            Self::Equipment => "Operatories and equipment",
            Self::Lots => "Lots of products",
            Self::DaySignatures => "Signatures under clinic days",
            Self::People => "People and competences",
            Self::Advisories => "Notices about the mains water",
            Self::OutOfUse => "Out of use",
            Self::ClosedActions => "Corrective actions that were closed",
            Self::Keeping => "Purges and legal holds",
        }
    }

    fn note(self) -> &'static str {
        match self {
            Self::Routines => {
                "By the Monday a week begins on, or by month where the pack spans more than 100 days. A task with a failed entry \
                 may be done by a later one: it counts as both."
            }
            Self::Holds => {
                "Recorded: tasks of these days that are over and have a completion. Seconds are those of the holds that were \
                 recorded, by whose clock says csv/step_results.csv."
            }
            Self::Cycles => {
                "As handed in by people or machines. A cycle without a record has none in this service. A record that keeps its \
                 limits releases no load."
            }
            Self::SporeTests => "A test without growth says something only beside a control of the same lot that grew.",
            Self::Equipment => "As entered now, but for when it moved: csv/service_changes.csv.",
            Self::Lots => "Expiry, first opening, end and recall as recorded; uses are steps of these days.",
            Self::DaySignatures => "A signature says that the day's records were looked at.",
            Self::People => {
                "Competences as entered, with their days; whether somebody was competent is for people to say."
            }
            Self::Advisories => "As recorded by the clinic, with who lifted them.",
            Self::OutOfUse => "Released by a named person, with the reason that person gave.",
            Self::ClosedActions => "Closed by a second person; the steps stand in csv/corrective_action_steps.csv.",
            Self::Keeping => "What was purged is told for ever; a legal hold stands against purging.",
        }
    }

    fn head(self) -> &'static [&'static str] {
        match self {
            Self::Routines => &[
                "Routine",
                "From",
                "Done in time",
                "Done late",
                "Missed",
                "With a failed entry",
                "Not required",
                "Open or awaited",
            ],
            Self::Holds => {
                &["Routine", "Subject", "Recorded", "Holds", "Too short or too long", "Shortest, s", "Asked, s"]
            }
            Self::Cycles => &[
                "Machine",
                "Ended",
                "Program",
                "Load",
                "As printed",
                "Readings",
                "Print and time at temperature",
                "Record by",
            ],
            Self::SporeTests => {
                &["Clinic day", "Subject", "Test lot", "Growth", "Control lot", "Control grew", "Verdict", "By"]
            }
            Self::Equipment => &["Kind", "Name", "Serial number", "State", "Since", "Commissioned"],
            Self::Lots => &["Product", "Lot", "Expires", "Opened", "Ended", "Recalled", "Uses"],
            Self::DaySignatures => &["Clinic day", "Signed", "By", "Signatures", "Gaps explained", "Unsigned since"],
            Self::People => &["Name", "Initials", "Role", "Active", "Competences"],
            Self::Advisories => &["Authority", "Number", "From", "Recorded by", "Lifted", "By", "On what grounds"],
            Self::OutOfUse => &["What", "Why", "From", "By", "Released", "By", "On what grounds"],
            Self::ClosedActions => {
                &["What", "About", "Why", "Opened", "Steps recorded", "Closed", "By", "In that person's words"]
            }
            Self::Keeping => &["What", "When", "By", "Why", "Until"],
        }
    }
}

/// One value of a row.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(untagged)]
pub enum Cell {
    /// An instant.
    At {
        /// When.
        at: DateTime<Utc>,
    },
    /// A count.
    Count(i64),
    /// Words.
    Text(String),
    /// Nothing is recorded.
    Nothing(()),
}

/// A table.
#[derive(Clone, Debug)]
pub struct Table {
    /// What it is of.
    pub kind: TableKind,
    /// Its rows, each as long as its head.
    pub rows: Shown<Vec<Cell>>,
}

pub(super) fn write(html: &mut String, table: &Table, cover: &Cover) {
    let kind = table.kind;
    let _ = write!(html, "<h2>{}</h2>", kind.title());
    if table.rows.rows.is_empty() {
        html.push_str("<p>Nothing is recorded for these days.</p>");
        return;
    }
    let _ = write!(html, "<p>{}</p>", escape(kind.note()));
    super::sections::head(html, kind.head());
    for row in &table.rows.rows {
        let cells = row.iter().map(|cell| match cell {
            Cell::At { at } => cover.minute(*at),
            Cell::Count(count) => count.to_string(),
            Cell::Text(text) => escape(text),
            Cell::Nothing(()) => String::new(),
        });
        super::sections::row(html, cells);
    }
    html.push_str("</tbody></table>");
    part(html, &table.rows);
}
