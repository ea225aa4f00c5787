"""What each kind of anchor gives on one nominal date.

Written from "Anchors" in src/domain/plan/RULES.md alone. `occurrences` is asked for every routine, subject and date
with the version in force on that date; the paragraphs of the text are the functions, in its order.
"""

import datetime as dt
from dataclasses import dataclass

import days
from days import DAY, clinic_day, clock, day, instant, on_day, remembered
from levelling import chosen_day, open_days, period_of


@dataclass
class Occurrence:
    slot: str
    clinic_day: dt.date
    anchor_at: dt.datetime
    required: bool = True
    whatever_service: bool = False
    # Of periods only: due_from, due_by, overdue_at, missed_at, which no window gives, and the period's first date.
    window: tuple | None = None
    period_begins: dt.date | None = None
    # Of idle only: the routine whose task this one stands for.
    instead_of: str | None = None


def occurrences(clinic, versions, version, subject, date):
    kind = version["routine"]["anchor"]["kind"]
    given = {
        "opening": opening, "closing": closing, "first_patient": first_patient, "session_end": session_end,
        "turnover": turnover, "calendar": calendar, "period": period, "interval": interval, "idle": idle,
        "count": count, "event": event, "follows": follows,
    }[kind]
    return given(clinic, versions, version, subject, date)


# Hours of the day ---------------------------------------------------------------------------------------------------

def shut(clinic, date):
    """The day had sessions, and closures left nothing of them."""
    return bool(days.sessions(clinic, date)) and not days.has_sessions(clinic, date)


def opening_at(clinic, date):
    """(instant, required) of the day's opening, or None."""
    at = days.posted(clinic, date, "started_at") or days.planned_opening(clinic, date)
    if at is not None:
        return at, True
    return (days.sessions(clinic, date)[0].opens, False) if shut(clinic, date) else None


def opening(clinic, _versions, _version, _subject, date):
    found = opening_at(clinic, date)
    return [Occurrence("opening", date, *found)] if found else []


def closing(clinic, _versions, _version, _subject, date):
    at = days.posted(clinic, date, "ended_at")
    if at is None and not days.is_open(clinic, date):
        would_have_been = days.sessions(clinic, date)[-1:] if shut(clinic, date) else []
        return [Occurrence("closing", date, session.closes, False) for session in would_have_been]
    at = at or days.planned_closing(clinic, date)
    return [Occurrence("closing", date, at)] if at else []


def first_patient_at(clinic, subject, date):
    seated = [
        instant(mark["marked_at"])
        for mark in clinic.facts.get("seatings") or []
        if mark["edge"] == "seated" and day(mark["clinic_day"]) == date
        and (mark["operatory_id"] == subject["subject_id"] if subject["kind"] == "operatory"
             else mark["clinic_id"] == subject["clinic_id"])
    ]
    return (min(seated), True) if seated else opening_at(clinic, date)


def first_patient(clinic, _versions, _version, subject, date):
    found = first_patient_at(clinic, subject, date)
    return [Occurrence("first_patient", date, *found)] if found else []


def session_end(clinic, _versions, _version, _subject, date):
    ended = days.posted(clinic, date, "ended_at")
    held = days.pieces(clinic, date)
    if ended:
        held = [piece for piece in held if piece.opens < ended]
    ends = [piece.closes for piece in held]
    if ended and held:
        ends[-1] = ended
    found = [Occurrence(f"session:{clock(piece.minutes)}", date, at) for piece, at in zip(held, ends)]
    for session in days.sessions(clinic, date):
        if not session.pieces:
            found.append(Occurrence(f"session:{clock(session.minutes)}", date, session.closes, False))
    if ended and not days.has_sessions(clinic, date) and days.is_open(clinic, date):
        found.append(Occurrence("session:posted", date, ended))
    return found


# Marks, events and completions --------------------------------------------------------------------------------------

def departures(clinic, subject):
    return [
        mark for mark in clinic.facts.get("seatings") or []
        if mark["edge"] == "left" and mark["operatory_id"] == subject["subject_id"]
    ]


def turnover(clinic, _versions, _version, subject, date):
    return [
        Occurrence(f"turnover:{mark['mark_id']}", date, instant(mark["marked_at"]), whatever_service=True)
        for mark in departures(clinic, subject) if day(mark["clinic_day"]) == date
    ]


def count(clinic, versions, version, subject, date):
    anchor = version["routine"]["anchor"]
    if anchor["of"] == "turnovers":
        marks = departures(clinic, subject)
    else:
        assert anchor["of"] == "cycles", anchor
        marks = [mark for mark in clinic.facts.get("cycles") or [] if mark["subject_id"] == subject["subject_id"]]
    first = days.first_day_of_routine(versions)
    marks = [mark for mark in marks if day(mark["clinic_day"]) >= first]
    marks.sort(key=lambda mark: (instant(mark["marked_at"]), mark["mark_id"]))
    before = counted_before(clinic, version, subject)
    return [
        Occurrence(f"count:{number}", date, instant(mark["marked_at"]), whatever_service=True)
        for number, mark in enumerate(marks, start=before + 1)
        if number % anchor["every"] == 0 and day(mark["clinic_day"]) == date
    ]


def counted_before(clinic, version, subject):
    """How many marks lie before those that the document lists."""
    for told in (clinic.facts.get("before") or {}).get("marks") or []:
        if (told["routine_id"], told["subject_id"]) == (version["routine_id"], subject["subject_id"]):
            return told[version["routine"]["anchor"]["of"]]
    return 0


def event(clinic, _versions, version, subject, date):
    return [
        Occurrence(f"event:{one['event_id']}", date, instant(one["happened_at"]))
        for one in clinic.facts.get("events") or []
        if one["kind"] in version["routine"]["anchor"]["of"]
        and one.get("subject_id") in (None, subject["subject_id"])
        and clinic_day(clinic, instant(one["happened_at"])) == date
    ]


def completions_of(clinic, routine_id, subject):
    return [
        one for one in clinic.facts.get("completions") or []
        if one["routine_id"] == routine_id and one["subject_id"] == subject["subject_id"]
    ]


def follows(clinic, _versions, version, subject, date):
    anchor = version["routine"]["anchor"]
    counts = {
        # The sample was recorded; the result that came after it is not recorded anew.
        "recorded": lambda one: one.get("outcome") in ("done", "result_pending") and not one.get("of_sample"),
        "passed": lambda one: one.get("verdict") == "passed" and one.get("outcome") == "done",
        "failed": lambda one: one.get("verdict") == "failed",
    }[anchor["when"]]
    return [
        Occurrence(f"follows:{one['completion_id']}", date, instant(one["performed_at"]))
        for one in completions_of(clinic, anchor["routine_id"], subject)
        if counts(one) and clinic_day(clinic, instant(one["performed_at"])) == date
    ]


# Dates that land ----------------------------------------------------------------------------------------------------

def landed(clinic, anchor, slot, date):
    where = days.land(clinic, date, anchor["closed_day"], days.is_open)
    if where is None:
        return []
    on, required = where
    return [Occurrence(slot, on, days.at_place(clinic, on, anchor["place"]), required)]


def calendar(clinic, _versions, version, _subject, date):
    if not days.is_date_of_rule(clinic, version, date):
        return []
    return landed(clinic, version["routine"]["anchor"], f"rule:{date}", date)


def last_done(clinic, versions, subject):
    """The instant of the routine's last done on the subject, or None."""
    done = [
        instant(one["performed_at"])
        for one in completions_of(clinic, versions[0]["routine_id"], subject) if one.get("outcome") == "done"
    ]
    return max(done) if done else None


def interval(clinic, versions, version, subject, date):
    anchor = version["routine"]["anchor"]
    if "opening_hours" in anchor["every"]:
        return interval_of_opening_hours(clinic, versions, version, subject, date)
    done = last_done(clinic, versions, subject)
    if done is not None:
        base, earliest = clinic_day(clinic, done), 1
    else:
        base, earliest = max(day(subject["commissioned_on"]), days.first_day_of_routine(versions)), 0
    whole, rest = divmod((date - base).days, anchor["every"]["days"])
    if rest != 0 or whole < earliest:
        return []
    return landed(clinic, anchor, f"interval:{date}", date)


def interval_of_opening_hours(clinic, versions, version, subject, date):
    hours = version["routine"]["anchor"]["every"]["opening_hours"]
    key = ("hours", version["routine_id"], hours, subject["subject_id"])
    dated = remembered(clinic, key, lambda: [
        (clinic_day(clinic, at), at) for at in opening_hours_instants(clinic, versions, subject, hours)
    ])
    return [
        Occurrence(f"hours:{days.to_local(clinic, at):%Y-%m-%dT%H:%M}", date, at)
        for on, at in dated if on == date
    ]


def opening_hours_instants(clinic, versions, subject, hours):
    instants = []
    start = last_done(clinic, versions, subject)
    if start is None:
        first = max(day(subject["commissioned_on"]), days.first_day_of_routine(versions))
        start = on_day(clinic, first)
        openings = [
            piece.opens for date in days.every_date(first - DAY, clinic.horizon)
            for piece in days.pieces(clinic, date) if piece.opens >= start
        ]
        if not openings:
            return []
        start = min(openings)
        instants.append(start)
    spans = days.opening_spans(clinic, days.to_local(clinic, start).date() - DAY, clinic.horizon)
    at = days.after_opening_time(spans, start, hours * 60)
    while at is not None:
        instants.append(at)
        at = days.after_opening_time(spans, at, hours * 60)
    return instants


# Periods ------------------------------------------------------------------------------------------------------------

def period(clinic, _versions, version, subject, date):
    anchor = version["routine"]["anchor"]
    name, first, last = period_of(anchor["each"], date)
    if date != last or days.has_had_no_hours(clinic):
        return []
    due_from = max(on_day(clinic, first), on_day(clinic, day(subject["commissioned_on"])))
    ends = on_day(clinic, last + DAY)
    open_to_subject = open_days(clinic, subject, first, last)
    if not open_to_subject:
        noon = on_day(clinic, last, 12 * 60)
        window = (due_from, noon, noon, ends)
        return [Occurrence(f"period:{name}", last, noon, False, window=window, period_begins=first)]
    chosen = None
    if anchor["spread"]:
        chosen = chosen_day(clinic, anchor["each"], date, version["routine_id"], subject["subject_id"])
    due_by = days.planned_closing(clinic, chosen or open_to_subject[-1])
    overdue_at = days.planned_closing(clinic, open_to_subject[-1])
    window = (due_from, due_by, overdue_at, max(ends, overdue_at))
    return [Occurrence(f"period:{name}", last, due_by, window=window, period_begins=first)]


# Idle ---------------------------------------------------------------------------------------------------------------

def days_of_use(clinic, subject):
    """The clinic days that facts say the subject was used, and the day it was commissioned."""
    used = {day(subject["commissioned_on"])}
    for told in (clinic.facts.get("before") or {}).get("last_use") or []:
        if told["subject_id"] == subject["subject_id"]:
            used.add(day(told["on"]))
    for mark in clinic.facts.get("seatings") or []:
        if mark["operatory_id"] == subject["subject_id"]:
            used.add(day(mark["clinic_day"]))
    for versions in clinic.facts["routines"]:
        for one in completions_of(clinic, versions[0]["routine_id"], subject):
            if one.get("outcome") == "done":
                date = clinic_day(clinic, instant(one["performed_at"]))
                version = days.version_in_force(clinic, versions, date)
                if version is not None and version["routine"].get("counts_as_use"):
                    used.add(date)
    return used


def is_expected_to_be_used(clinic, subject, date):
    if subject["kind"] != "operatory" or date < clinic.today or not days.is_open(clinic, date):
        return False
    # A started day without sessions has no last closing: its posted start stands for it.
    end_of_day = days.planned_closing(clinic, date) or days.posted(clinic, date, "started_at")
    return not days.out_of_service(subject, end_of_day)


def last_use_before(clinic, subject, date):
    """The last day of use before the date, or None."""
    used = remembered(clinic, ("used", subject["subject_id"]), lambda: days_of_use(clinic, subject))
    from_today_on = days.every_date(clinic.today, date - DAY)
    expected = [one for one in from_today_on if is_expected_to_be_used(clinic, subject, one)]
    before = [one for one in [*used, *expected] if one < date]
    return max(before) if before else None


def idle(clinic, _versions, version, subject, date):
    anchor = version["routine"]["anchor"]
    last_use = last_use_before(clinic, subject, date)
    if last_use is None:
        return []
    if anchor["on"] == "every_day":
        if (date - last_use).days % (anchor["unused_days"] + 1) != 0:
            return []
        return [Occurrence(f"idle:{date}", date, days.at_place(clinic, date, anchor["place"]))]
    assert anchor["on"] == "open_days", anchor
    unused = (date - last_use).days - 1
    if not days.is_open(clinic, date) or unused < anchor["unused_days"]:
        return []
    strengthens = anchor.get("strengthens")
    at, required = opening_at(clinic, date)
    if strengthened_kind(clinic, strengthens, date) == "first_patient":
        at, required = first_patient_at(clinic, subject, date)
    return [Occurrence("idle", date, at, required, instead_of=strengthens)]


def strengthened_kind(clinic, routine_id, date):
    for versions in clinic.facts["routines"]:
        if versions[0]["routine_id"] == routine_id:
            version = days.version_in_force(clinic, versions, date)
            return version["routine"]["anchor"]["kind"] if version else None
    return None
