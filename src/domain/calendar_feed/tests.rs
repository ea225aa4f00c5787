//! What RFC 5545 asks of a calendar's text. That other programs read it back is held in `tests/contract`.

use proptest::prelude::*;

use super::*;
use crate::domain::fixtures::{at, id, on};
use crate::domain::task::Slot;

fn entry() -> Entry {
    Entry {
        task_id: TaskId::derive(id(100), id(10), on("2026-11-30"), &Slot::Opening),
        revision: 3,
        changed_at: at("2026-11-25 06:00"),
        due_from: at("2026-11-30 07:30"),
        due_by: at("2026-11-30 08:30"),
        progress: Progress::Open,
        routine_name: "Flush, then wipe; twice".to_owned(),
        subject_name: "Chair 2".to_owned(),
        why: "By its hours the clinic opens at 08:30 on Monday 2026-11-30.".to_owned(),
        cautions: vec!["Run into the suction, away from faces.".to_owned(), r"No bur \ tip.".to_owned()],
    }
}

/// The content lines, unfolded (RFC 5545, section 3.1).
fn lines(component: Component, entry: &Entry) -> Vec<String> {
    let text = write("Lantern Street, north", "Tasks", component, std::slice::from_ref(entry));
    text.replace("\r\n ", "").split_terminator("\r\n").map(str::to_owned).collect()
}

fn value(component: Component, entry: &Entry, name: &str) -> Option<String> {
    let lines = lines(component, entry);
    let inside = lines.iter().skip_while(|line| !matches!(line.as_str(), "BEGIN:VTODO" | "BEGIN:VEVENT"));
    inside.filter_map(|line| line.split_once(':')).find(|(found, _)| *found == name).map(|(_, value)| value.to_owned())
}

#[test]
fn the_calendar_names_itself_and_how_often_to_look() {
    let lines = lines(Component::Task, &entry());
    for line in [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//Chairtide//Tasks of a clinic//EN",
        "NAME;VALUE=TEXT:Lantern Street\\, north",
        "REFRESH-INTERVAL;VALUE=DURATION:PT1H",
        "END:VCALENDAR",
    ] {
        assert!(lines.iter().any(|l| l == line), "{line} in {lines:#?}");
    }
}

/// Section 3.3.11: backslash, comma, semicolon and line break are escaped.
#[test]
fn a_to_do_carries_window_revision_and_escaped_text() {
    let of = |name| value(Component::Task, &entry(), name).unwrap_or_default();
    assert_eq!(of("UID"), format!("{}@chairtide-task", entry().task_id));
    assert_eq!([of("SEQUENCE"), of("DTSTAMP"), of("LAST-MODIFIED")], ["3", "20261125T060000Z", "20261125T060000Z"]);
    assert_eq!([of("DTSTART"), of("DUE")], ["20261130T073000Z", "20261130T083000Z"]);
    assert_eq!(of("SUMMARY"), r"Flush\, then wipe\; twice: Chair 2");
    assert_eq!(
        of("DESCRIPTION"),
        r"By its hours the clinic opens at 08:30 on Monday 2026-11-30.\nRun into the suction\, away from faces.\nNo bur \\ tip."
    );
}

/// Section 3.8.1.11: the states a to-do and an event can have.
#[test]
fn each_outcome_has_its_status() {
    let performed_at = at("2026-11-30 08:10");
    for (progress, todo, event) in [
        (Progress::Open, "NEEDS-ACTION", "CONFIRMED"),
        (Progress::ResultPending, "IN-PROCESS", "CONFIRMED"),
        (Progress::Done { performed_at }, "COMPLETED", "CONFIRMED"),
        (Progress::NotRequired, "CANCELLED", "CANCELLED"),
        (Progress::Void, "CANCELLED", "CANCELLED"),
    ] {
        let entry = Entry { progress, ..entry() };
        assert_eq!(value(Component::Task, &entry, "STATUS").as_deref(), Some(todo), "{progress:?}");
        assert_eq!(value(Component::Event, &entry, "STATUS").as_deref(), Some(event), "{progress:?}");
        let completed = matches!(progress, Progress::Done { .. }).then(|| "20261130T081000Z".to_owned());
        assert_eq!(value(Component::Task, &entry, "COMPLETED"), completed, "{progress:?}");
        assert_eq!(value(Component::Event, &entry, "COMPLETED"), None, "an event has no such property");
    }
}

/// Sections 3.8.2.2 and 3.8.2.3: the end lies after the start.
#[test]
fn what_is_due_the_moment_it_may_start_has_one_instant() {
    let due_by = entry().due_by;
    // A calendar counts whole seconds: half of one apart is not apart.
    for due_by in [due_by, due_by + chrono::TimeDelta::milliseconds(500)] {
        let at_once = Entry { due_from: entry().due_by, due_by, ..entry() };
        assert_eq!(value(Component::Task, &at_once, "DTSTART"), None);
        assert_eq!(value(Component::Task, &at_once, "DUE").as_deref(), Some("20261130T083000Z"));
        assert_eq!(value(Component::Event, &at_once, "DTSTART").as_deref(), Some("20261130T083000Z"));
        assert_eq!(value(Component::Event, &at_once, "DTEND"), None);
    }
}

proptest! {
    /// Section 3.1: lines end in CRLF, are at most 75 octets long and hold no other control character; and folding
    /// loses nothing.
    #[test]
    fn lines_are_short_and_whole_whatever_people_call_things(
        name in any::<String>(), why in "[ a-zA-Z\u{e9}\u{8001}\u{1f9b7}\\\\,;:\"\r\n\t]{0,300}", event in any::<bool>(),
    ) {
        let component = if event { Component::Event } else { Component::Task };
        let entry = Entry { routine_name: name, why: why.clone(), ..entry() };
        let text = write("Lantern Street", "Tasks", component, std::slice::from_ref(&entry));
        prop_assert!(text.ends_with("\r\n"));
        for line in text.split_terminator("\r\n") {
            prop_assert!(line.len() <= 75, "{} octets: {line}", line.len());
            prop_assert!(!line.chars().any(char::is_control), "{line:?}");
        }
        let kept = value(component, &entry, "DESCRIPTION").unwrap_or_default();
        let wanted = plain(&why).replace('\\', "\\\\").replace(',', "\\,").replace(';', "\\;").replace('\n', "\\n");
        prop_assert!(kept.starts_with(&wanted), "{kept} does not begin with {wanted}");
    }
}
