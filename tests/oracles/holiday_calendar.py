"""Writes a holiday calendar with PyPI icalendar, and what recurring-ical-events finds in it.

    holiday_calendar.py FOLDER    writes FOLDER/holiday_calendar.ics and FOLDER/holiday_calendar.json

The expected spans are local times of Europe/London. Neither program has anything of ours in it. Every event here has a
reading that RFC 5545 leaves no doubt about; what programs disagree on is not asked.
"""

import datetime as dt
import importlib.metadata
import json
import pathlib
import sys
from zoneinfo import ZoneInfo

import recurring_ical_events
from icalendar import Calendar, Event

CLINIC = ZoneInfo("Europe/London")
FROM, UNTIL = dt.date(2026, 12, 1), dt.date(2028, 1, 31)
STAMP = dt.datetime(2026, 11, 1, 9, tzinfo=dt.timezone.utc)


def event(uid, summary, start, *, end=None, length=None, rule=None, also=(), but=(), replaces=None, **words):
    made = Event()
    made.add("uid", uid)
    made.add("summary", summary)
    made.add("dtstamp", STAMP)
    made.add("dtstart", start)
    if end is not None:
        made.add("dtend", end)
    if length is not None:
        made.add("duration", length)
    if rule is not None:
        made.add("rrule", rule)
    for name, dates in [("rdate", also), ("exdate", but)]:
        if dates:
            made.add(name, list(dates))
    if replaces is not None:
        made.add("recurrence-id", replaces)
    for name, word in words.items():
        made.add(name, word)
    return made


def calendar():
    new_york = ZoneInfo("America/New_York")
    day, at = dt.date, dt.datetime
    made = Calendar()
    made.add("prodid", "-//Chairtide tests//holiday calendar//EN")
    made.add("version", "2.0")
    for part in [
        event("fixed@test", "A fixed feast, with a name so long that its line is folded; twice, to be sure of it",
              day(2020, 12, 25), rule={"freq": "yearly"}),
        event("fold@test", "Zwölf Nächte für die Füße, größere Mühe als übrige Übungen im Frühjahr", day(2027, 1, 6)),
        event("monday@test", "First Monday in May", day(2021, 5, 3),
              rule={"freq": "yearly", "bymonth": 5, "byday": "1MO"}),
        event("last@test", "Last Monday in August", day(2021, 8, 30),
              rule={"freq": "yearly", "bymonth": 8, "byday": "-1MO", "until": day(2027, 8, 30)}),
        event("span@test", "Works", day(2027, 2, 8), end=day(2027, 2, 13)),
        event("moving@test", "A moving feast", day(2026, 4, 3), also=[day(2027, 3, 26), day(2028, 4, 14)]),
        event("gap@test", "Weekly closing", day(2027, 6, 2), rule={"freq": "weekly", "count": 5},
              but=[day(2027, 6, 16)]),
        event("moved@test", "Monthly works", day(2027, 1, 12), rule={"freq": "monthly", "count": 4}),
        event("moved@test", "Monthly works, later", day(2027, 3, 15), replaces=day(2027, 3, 12)),
        event("evening@test", "Early closing", at(2026, 12, 24, 14, tzinfo=CLINIC),
              end=at(2026, 12, 24, 23, 30, tzinfo=CLINIC)),
        event("abroad@test", "A call overseas", at(2027, 3, 8, 9, tzinfo=new_york), length=dt.timedelta(hours=2),
              rule={"freq": "weekly", "count": 4}),
        event("utc@test", "An hour of UTC", at(2027, 7, 1, 8, tzinfo=dt.timezone.utc), length=dt.timedelta(hours=1),
              rule={"freq": "daily", "until": at(2027, 7, 3, 8, tzinfo=dt.timezone.utc)}),
        event("floating@test", "On the wall", at(2027, 9, 1, 12, 30), end=at(2027, 9, 1, 13, 45)),
    ]:
        made.add_component(part)
    return made


def local(moment):
    if not isinstance(moment, dt.datetime):
        moment = dt.datetime.combine(moment, dt.time())
    if moment.tzinfo is not None:
        moment = moment.astimezone(CLINIC)
    return moment.strftime("%Y-%m-%dT%H:%M")


def main():
    folder = pathlib.Path(sys.argv[1])
    made = calendar()
    folder.joinpath("holiday_calendar.ics").write_bytes(made.to_ical())
    found = recurring_ical_events.of(Calendar.from_ical(made.to_ical())).between(FROM, UNTIL + dt.timedelta(days=1))
    spans = sorted([local(one.start), local(one.end), str(one["summary"])] for one in found)
    versions = {name: importlib.metadata.version(name) for name in ["icalendar", "recurring-ical-events", "tzdata"]}
    document = {"made_with": versions, "from": str(FROM), "until": str(UNTIL), "spans": spans}
    folder.joinpath("holiday_calendar.json").write_text(json.dumps(document, indent=1, ensure_ascii=False) + "\n")


if __name__ == "__main__":
    main()
