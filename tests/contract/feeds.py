"""Reads calendar feeds with other people's programs: PyPI's icalendar and recurring-ical-events."""

import datetime as dt
import urllib.request

import clinic
import icalendar
import recurring_ical_events

SUFFIX = "@chairtide-task"


def fetch(url: str, path: str) -> bytes:
    with urllib.request.urlopen(url + path, timeout=30) as answer:
        assert answer.headers["Content-Type"] == "text/calendar; charset=utf-8", answer.headers
        return answer.read()


def read(raw: bytes) -> tuple[icalendar.Calendar, dict[str, icalendar.Component]]:
    """The calendar, and its entries by task id. Strict: what breaks RFC 5545 is an error of the parser."""
    assert all(len(line) <= 75 for line in raw.split(b"\r\n")), "RFC 5545, section 3.1: at most 75 octets"
    assert b"\n" not in raw.replace(b"\r\n", b""), "RFC 5545, section 3.1: lines end in CRLF"
    calendar = icalendar.Calendar.from_ical(raw)
    entries = {}
    for entry in calendar.subcomponents:
        assert not entry.errors, entry.errors
        uid = str(entry["UID"])
        assert uid.endswith(SUFFIX) and uid.removesuffix(SUFFIX) not in entries, uid
        entries[uid.removesuffix(SUFFIX)] = entry
    return calendar, entries


def instant(text: str) -> dt.datetime:
    """Of the API, as a calendar can say it: in whole seconds (RFC 5545, section 3.3.12)."""
    return dt.datetime.fromisoformat(text).replace(microsecond=0)


def check(url: str, caller: clinic.Caller, clinic_id: str, paths: dict[str, str]) -> None:
    """Both kinds of feed of the clinic say what the API says about the tasks that are due."""
    due = caller.ask("GET", f"/v1/clinics/{clinic_id}/due?ahead_minutes=2880")["tasks"]
    assert due, "nothing is due: the check would show nothing"
    name = caller.ask("GET", f"/v1/clinics/{clinic_id}")["name"]
    calendar, todos = read(fetch(url, paths["task"]))
    # RFC 7986, sections 5.1, 5.2 and 5.7.
    assert str(calendar["NAME"]) == name and name in str(calendar["DESCRIPTION"]), calendar
    assert calendar["REFRESH-INTERVAL"].dt == dt.timedelta(hours=1), calendar["REFRESH-INTERVAL"]
    assert (str(calendar["VERSION"]), str(calendar["CALSCALE"])) == ("2.0", "GREGORIAN"), calendar
    for task in due:
        todo = todos[task["task_id"]]
        assert isinstance(todo, icalendar.Todo) and str(todo["STATUS"]) == "NEEDS-ACTION", todo
        assert todo["DUE"].dt == instant(task["due_by"]), (todo, task)
        starts_at = todo["DTSTART"].dt if "DTSTART" in todo else todo["DUE"].dt
        assert starts_at == instant(task["due_from"]), (todo, task)
        assert str(todo["SUMMARY"]) == f"{task['routine_name']}: {task['subject']['name']}", todo
        # The feed says the cautions of the routine, which come first at the task; what every such work has stands there alone.
        why, *cautions = str(todo["DESCRIPTION"]).split("\n")
        assert why == task["why"] and cautions and cautions == task["cautions"][: len(cautions)], todo
        assert todo["DTSTAMP"].dt == todo["LAST-MODIFIED"].dt and int(todo["SEQUENCE"]) >= 0, todo

    calendar, events = read(fetch(url, paths["event"]))
    assert events.keys() == todos.keys(), "an event for each to-do"
    first = min(instant(task["due_from"]) for task in due)
    last = max(instant(task["due_by"]) for task in due) + dt.timedelta(seconds=1)
    shown = recurring_ical_events.of(calendar).between(first, last)
    found = {str(event["UID"]).removesuffix(SUFFIX): event for event in shown}
    for task in due:
        event = found[task["task_id"]]
        assert event["DTSTART"].dt == instant(task["due_from"]), (event, task)
        ends_at = event["DTEND"].dt if "DTEND" in event else event["DTSTART"].dt
        assert ends_at == instant(task["due_by"]), (event, task)
    print(f"   {len(todos)} to-dos and as many events read back, {len(due)} held against the API", flush=True)
