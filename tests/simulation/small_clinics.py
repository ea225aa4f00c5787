"""The documents of the small clinics that the tests of the model plan by hand.

Each function gives one part with what most tests do not care about filled in. The clinic is in Berlin: UTC+1 in winter
and UTC+2 in summer; its clocks change on 2026-03-29 (02:00 to 03:00) and 2026-10-25 (03:00 to 02:00), which is what
`zdump -v Europe/Berlin` says. Instants in the tests were worked out on paper with these offsets.
"""

from model import plan

OPEN = [{"opens": "08:00", "closes": "12:00"}, {"opens": "13:00", "closes": "17:00"}]
MORNING = [{"opens": "08:00", "closes": "12:00"}]
WORKDAYS = ["monday", "tuesday", "wednesday", "thursday", "friday"]
WINDOW = {"may_start_minutes": -60, "due_by_minutes": 0, "overdue_minutes": 10, "missed_minutes": 240}
# UUIDs in the form the hash asks for.
ROUTINE, CHAIR = "11111111-1111-4111-8111-111111111111", "aaaaaaaa-aaaa-4aaa-8aaa-aaaaaaaaaaaa"


def routine(anchor, routine_id="r", version=1, effective_on="2026-01-01", kind="operatory", **more):
    document = {"name": "n", "subject_kind": kind, "selection": {}, "anchor": anchor, "window": WINDOW,
                "rough_minutes": 10, "in_use": True, **more}
    return {"routine_id": routine_id, "version": version, "effective_on": effective_on, "routine": document}


def chair(subject_id="chair", commissioned_on="2026-01-01", kind="operatory", spells=()):
    return {"subject_id": subject_id, "clinic_id": "clinic", "kind": kind, "water_source": None,
            "commissioned_on": commissioned_on, "spells": list(spells)}


def clinic(*routines, **more):
    return {"zone": "Europe/Berlin", "week": dict.fromkeys(WORKDAYS, OPEN), "weeks": [], "closures": [],
            "special_openings": [], "full_days": [], "ladder": {"rungs": []}, "subjects": [chair()], "posted": [],
            "seatings": [], "cycles": [], "events": [], "completions": [],
            "routines": [one if isinstance(one, list) else [one] for one in routines], **more}


def closure(from_local, until_local):
    return {"from_local": from_local, "until_local": until_local, "reason": "holiday"}


def event(at, event_id="e"):
    return {"event_id": event_id, "kind": "repair", "subject_id": "chair", "happened_at": at}


def seating(edge, clinic_day, at, mark_id="m"):
    return {"mark_id": mark_id, "operatory_id": "chair", "clinic_id": "clinic", "clinic_day": clinic_day, "edge": edge,
            "marked_at": at}


def completion(at, routine_id="r", outcome="done", verdict="passed", completion_id="c"):
    return {"completion_id": completion_id, "routine_id": routine_id, "subject_id": "chair", "performed_at": at,
            "outcome": outcome, "verdict": verdict}


def dated(rule="FREQ=DAILY", starts_on="2026-01-01", closed_day="not_required", place=None, **dates):
    return {"kind": "calendar", "dates": {"rule": rule, "starts_on": starts_on, "ends_on": None, "except_on": [],
            "also_on": [], **dates}, "place": place or {"kind": "opening"}, "closed_day": closed_day}


def brief(tasks, *names):
    return [tuple(one[name] for name in names) for one in tasks]


def at_day(a_clinic, date, today="2026-01-01"):
    return plan(a_clinic, today, date, date)


OPENING, CLOSING, SESSION_END = {"kind": "opening"}, {"kind": "closing"}, {"kind": "session_end"}
REPAIRED = {"kind": "event", "of": ["repair"]}
