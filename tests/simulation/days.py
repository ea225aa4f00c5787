"""The days of a clinic: local time, sessions, clinic days, opening time, dates of rules.

Written from src/domain/plan/RULES.md alone. Instants are aware datetimes in UTC, dates are `date`, local times are
naive datetimes. Nothing here is fast; everything is meant to be read against the text, whose words head each part.
"""

import datetime as dt
import zoneinfo
from dataclasses import dataclass, field

from dateutil.rrule import rrulestr

# Never the system's zone files, which may be older: only PyPI tzdata is left to zoneinfo.
zoneinfo.reset_tzpath(to=())
# dateutil walks to this year before it gives up on a rule that matches nothing.
dt.MAXYEAR = 2210

DAY = dt.timedelta(days=1)
WEEKDAYS = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]


@dataclass
class Clinic:
    """The document of the clinic, and what was already worked out from it."""

    facts: dict
    zone: zoneinfo.ZoneInfo
    today: dt.date
    horizon: dt.date
    memo: dict = field(default_factory=dict)


@dataclass
class Piece:
    """What closures left of a session. `minutes` names it: local minutes after the clinic day's midnight."""

    opens: dt.datetime
    closes: dt.datetime
    minutes: int


@dataclass
class Session:
    opens: dt.datetime
    closes: dt.datetime
    minutes: int
    pieces: list


def remembered(clinic, key, work):
    if key not in clinic.memo:
        clinic.memo[key] = work()
    return clinic.memo[key]


def day(text):
    return dt.date.fromisoformat(text)


def instant(text):
    return dt.datetime.fromisoformat(text).astimezone(dt.timezone.utc)


def written(moment):
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")


def minutes(count):
    return dt.timedelta(minutes=count)


def clock(count):
    """Minutes after midnight as HH:MM, counting on past 24."""
    return f"{count // 60:02}:{count % 60:02}"


def minutes_of(text):
    hours, rest = text.split(":")
    return int(hours) * 60 + int(rest)


# Local time to instant: a gap takes the offset from before it, of two times the first. That is fold=0 of PEP 495.
def to_instant(clinic, local):
    return local.replace(tzinfo=clinic.zone, fold=0).astimezone(dt.timezone.utc)


def to_local(clinic, moment):
    return moment.astimezone(clinic.zone).replace(tzinfo=None, fold=0)


def on_day(clinic, date, count=0):
    """The instant of a local time: `count` minutes on the clock after the date's midnight."""
    return to_instant(clinic, dt.datetime.combine(date, dt.time()) + minutes(count))


def every_date(first, last):
    return [first + DAY * n for n in range((last - first).days + 1)]


# Sessions -----------------------------------------------------------------------------------------------------------

def week_in_force(clinic, date):
    begun = [dated for dated in clinic.facts.get("weeks") or [] if day(dated["effective_on"]) <= date]
    if begun:
        return max(begun, key=lambda dated: dated["effective_on"])["week"]
    return clinic.facts.get("week")


def special_sessions(clinic, date):
    for special in clinic.facts.get("special_openings") or []:
        if day(special["opens_on"]) == date:
            return special["sessions"]
    return None


def closures_against(clinic, date):
    """The closures that cut into the sessions of this clinic day, as pairs of instants."""
    begins = dt.datetime.combine(date, dt.time())
    special = special_sessions(clinic, date) is not None
    found = []
    for closure in clinic.facts.get("closures") or []:
        from_local = dt.datetime.fromisoformat(closure["from_local"])
        until_local = dt.datetime.fromisoformat(closure["until_local"])
        whole_date = from_local <= begins and until_local >= begins + DAY
        if not (special and whole_date):
            found.append((to_instant(clinic, from_local), to_instant(clinic, until_local)))
    return found


def cut(spans, closed_from, closed_until):
    """What is left of the spans outside [closed_from, closed_until)."""
    left = []
    for begins, ends in spans:
        for piece in [(begins, min(ends, closed_from)), (max(begins, closed_until), ends)]:
            if piece[0] < piece[1]:
                left.append(piece)
    return left


def sessions(clinic, date):
    """The day's sessions before closures, each with the pieces that closures leave of it."""
    return remembered(clinic, ("sessions", date), lambda: work_out_sessions(clinic, date))


def work_out_sessions(clinic, date):
    planned = special_sessions(clinic, date)
    if planned is None:
        planned = (week_in_force(clinic, date) or {}).get(WEEKDAYS[date.weekday()]) or []
    found = []
    for session in planned:
        opens_minutes = minutes_of(session["opens"])
        closes_minutes = minutes_of(session["closes"])
        if closes_minutes <= opens_minutes:
            closes_minutes += 24 * 60
        opens = on_day(clinic, date, opens_minutes)
        closes = on_day(clinic, date, closes_minutes)
        # A session that a gap swallowed lasts no time: it has nothing to cut and nothing is left of it.
        spans = [(opens, closes)] if opens < closes else []
        for closed_from, closed_until in closures_against(clinic, date):
            if closed_from < closed_until:
                spans = cut(spans, closed_from, closed_until)
        pieces = []
        for begins, ends in sorted(spans):
            midnight = dt.datetime.combine(date, dt.time())
            own_minutes = int((to_local(clinic, begins) - midnight).total_seconds()) // 60
            # The first piece keeps the session's name.
            pieces.append(Piece(begins, ends, own_minutes if pieces else opens_minutes))
        found.append(Session(opens, closes, opens_minutes, pieces))
    return sorted(found, key=lambda one: one.opens)


def pieces(clinic, date):
    return [piece for session in sessions(clinic, date) for piece in session.pieces]


def planned_opening(clinic, date):
    return pieces(clinic, date)[0].opens if pieces(clinic, date) else None


def planned_closing(clinic, date):
    return pieces(clinic, date)[-1].closes if pieces(clinic, date) else None


def has_had_no_hours(clinic):
    weeks = [clinic.facts.get("week")] + [dated["week"] for dated in clinic.facts.get("weeks") or []]
    return all(week is None for week in weeks) and not clinic.facts.get("special_openings")


# Days ---------------------------------------------------------------------------------------------------------------

def posted(clinic, date, which):
    """`started_at` or `ended_at` as the desk posted it, or None."""
    for post in clinic.facts.get("posted") or []:
        if day(post["clinic_day"]) == date and post.get(which):
            return instant(post[which])
    return None


def has_sessions(clinic, date):
    return bool(pieces(clinic, date))


def is_open(clinic, date):
    return has_sessions(clinic, date) or posted(clinic, date, "started_at") is not None


def clinic_day(clinic, moment):
    date = to_local(clinic, moment).date()
    before = date - DAY
    last_closing = planned_closing(clinic, before)
    opening = planned_opening(clinic, date)
    # The local date is already the next one, so the four hours reach past midnight wherever they hold the moment.
    if last_closing and moment < last_closing + minutes(240) and (opening is None or moment < opening):
        return before
    return date


# Places of a day: posted ones first; without sessions midnight stands for the opening and noon for the closing.
def opening_or_midnight(clinic, date):
    return posted(clinic, date, "started_at") or planned_opening(clinic, date) or on_day(clinic, date)


def closing_or_noon(clinic, date):
    return posted(clinic, date, "ended_at") or planned_closing(clinic, date) or on_day(clinic, date, 12 * 60)


def at_place(clinic, date, place):
    if place["kind"] == "local_time":
        return on_day(clinic, date, minutes_of(place["at"]))
    if place["kind"] == "opening":
        return opening_or_midnight(clinic, date)
    assert place["kind"] == "closing", place
    return closing_or_noon(clinic, date)


def land(clinic, date, closed_day, open_on):
    """Where a nominal date lands: (day, required), or None. `open_on(clinic, date)` says which days are open."""
    if open_on(clinic, date):
        return date, True
    if closed_day == "not_required" and has_had_no_hours(clinic):
        return None
    if closed_day == "not_required":
        return date, False
    step = {"previous_open_day": -DAY, "next_open_day": DAY}[closed_day]
    for away in range(1, 32):
        if open_on(clinic, date + step * away):
            return date + step * away, True
    return None if has_had_no_hours(clinic) else (date, False)


# Opening time -------------------------------------------------------------------------------------------------------

def opening_spans(clinic, first, last):
    """When the clinic is open by its sessions of these days; time that two sessions share is there once."""
    spans = sorted((piece.opens, piece.closes) for date in every_date(first, last) for piece in pieces(clinic, date))
    joined = []
    for opens, closes in spans:
        if joined and opens <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(closes, joined[-1][1]))
        else:
            joined.append((opens, closes))
    return joined


def after_opening_time(spans, start, count):
    """The first instant with `count` minutes of opening time between it and the start, or None."""
    missing = minutes(count)
    for opens, closes in spans:
        begins = max(opens, start)
        if begins < closes:
            if begins + missing <= closes:
                return begins + missing
            missing -= closes - begins
    return None


# Subjects and versions ----------------------------------------------------------------------------------------------

def out_of_service(subject, moment):
    for spell in subject.get("spells") or []:
        until = spell.get("until")
        if instant(spell["from"]) <= moment and (until is None or moment < instant(until)):
            return True
    return False


def version_in_force(clinic, versions, date):
    """The highest version whose first day is not after the date, or None."""
    return remembered(clinic, ("version", versions[0]["routine_id"], date), lambda: latest_begun(versions, date))


def latest_begun(versions, date):
    begun = [version for version in versions if day(version["effective_on"]) <= date]
    return max(begun, key=lambda version: version["version"]) if begun else None


def first_day_of_routine(versions):
    return day(min(versions, key=lambda version: version["version"])["effective_on"])


def in_season(routine, nominal):
    season = routine.get("season")
    if not season:
        return True
    month_day = nominal.strftime("%m-%d")
    if season["from"] <= season["until"]:
        return season["from"] <= month_day <= season["until"]
    return month_day >= season["from"] or month_day <= season["until"]


def selects(routine, subject):
    """Of the routine's kind, and every condition that is given holds."""
    wanted = routine.get("selection") or {}
    conditions = [("clinic_ids", "clinic_id"), ("subject_ids", "subject_id"), ("water_sources", "water_source")]
    return routine["subject_kind"] == subject["kind"] and all(
        wanted.get(given) is None or subject.get(of_subject) in wanted[given] for given, of_subject in conditions
    )


def plans(version, subject, nominal):
    """The version is in use, selects the subject, and has the nominal date in its season."""
    routine = version["routine"]
    return routine["in_use"] and selects(routine, subject) and in_season(routine, nominal)


# Dates of a rule ----------------------------------------------------------------------------------------------------

def refuse_what_dateutil_reads_otherwise(rule):
    """RFC 5545 and dateutil disagree on these (head of tests/oracles/recurrence_cases.py): no witness, no answer."""
    parts = dict(part.split("=") for part in rule.removeprefix("RRULE:").split(";"))
    days = parts.get("BYDAY", "").split(",")
    if any(len(name) > 2 for name in days) and any(len(name) == 2 for name in days):
        raise ValueError(f"plain and numbered days in one BYDAY: {rule}")
    if {"52", "53", "-52", "-53"} & {week.lstrip("+") for week in parts.get("BYWEEKNO", "").split(",")}:
        raise ValueError(f"a BYWEEKNO at the turn of the year: {rule}")


def rule_dates(clinic, dates):
    """The rule's dates and those added, first day to last, less those taken away; up to the horizon."""
    first = day(dates["starts_on"])
    last = min(clinic.horizon, day(dates["ends_on"]) if dates.get("ends_on") else clinic.horizon)
    refuse_what_dateutil_reads_otherwise(dates["rule"])
    found = {day(text) for text in dates.get("also_on") or []}
    for moment in rrulestr(dates["rule"], dtstart=dt.datetime.combine(first, dt.time())):
        if moment.date() > last:
            break
        found.add(moment.date())
    taken = {day(text) for text in dates.get("except_on") or []}
    return {date for date in found - taken if first <= date <= last}


def is_date_of_rule(clinic, version, date):
    key = ("rule", version["routine_id"], version["version"])
    return date in remembered(clinic, key, lambda: rule_dates(clinic, version["routine"]["anchor"]["dates"]))
