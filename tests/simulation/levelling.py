"""Periods, and the days that levelling chooses in them.

Written from "period" and "Levelling" in src/domain/plan/RULES.md alone. No fact of the day is looked at here: neither
the desk's posts nor completions nor spells move a chosen day.
"""

import datetime as dt
import functools
import hashlib

from days import (
    DAY, day, every_date, has_sessions, is_date_of_rule, land, pieces, plans, remembered, version_in_force,
)

# Years are levelled first, then quarters, months and weeks, each on top of what stands already.
LONGEST_FIRST = ["year", "quarter", "month", "week"]


@functools.cache
def period_of(each, date):
    """(name, first date, last date) of the period a date lies in; the name as it stands in the slot."""
    if each == "week":
        year, week, weekday = date.isocalendar()
        first = date - DAY * (weekday - 1)
        return f"{year:04}-W{week:02}", first, first + DAY * 6
    months = {"month": 1, "quarter": 3, "year": 12}[each]
    first_month = (date.month - 1) // months * months + 1
    first = dt.date(date.year, first_month, 1)
    next_month = first_month + months
    after = dt.date(date.year + 1, 1, 1) if next_month > 12 else dt.date(date.year, next_month, 1)
    number = (first_month - 1) // months + 1
    name = {"month": f"{date.year:04}-{number:02}", "quarter": f"{date.year:04}-Q{number}", "year": f"{date.year:04}"}
    return name[each], first, after - DAY


def open_days(clinic, subject, first, last):
    """The days with sessions from the subject's commissioning on: here the desk's posts do not count."""
    begins = max(first, day(subject["commissioned_on"]))
    return remembered(clinic, ("open days", begins, last), lambda: [
        date for date in every_date(begins, last) if has_sessions(clinic, date)
    ])


def hashed(text):
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:8], "big")


# Standing load ------------------------------------------------------------------------------------------------------

def standing_load(clinic, date):
    return remembered(clinic, ("standing", date), lambda: work_out_standing_load(clinic, date))


def work_out_standing_load(clinic, date):
    loads = [daily_load, calendar_load, unspread_load]
    return sum(of_kind(clinic, versions, date) for versions in clinic.facts["routines"] for of_kind in loads)


def minutes_for(clinic, version, nominal, clinic_day):
    """The version's rough minutes for each subject that has its task of the nominal date on the clinic day."""
    return version["routine"]["rough_minutes"] * sum(
        plans(version, subject, nominal) and clinic_day >= day(subject["commissioned_on"])
        for subject in clinic.facts["subjects"]
    )


def daily_load(clinic, versions, date):
    version = version_in_force(clinic, versions, date)
    kind = version["routine"]["anchor"]["kind"] if version else None
    times = {"opening": 1, "closing": 1, "first_patient": 1, "session_end": len(pieces(clinic, date))}.get(kind, 0)
    return times * minutes_for(clinic, version, date, date) if times else 0


def landing(clinic, versions, nominal):
    """(version, day) of a date of the calendar routine, where the day is one it is required on, or None."""
    key = ("landing", versions[0]["routine_id"], nominal)
    return remembered(clinic, key, lambda: work_out_landing(clinic, versions, nominal))


def work_out_landing(clinic, versions, nominal):
    version = version_in_force(clinic, versions, nominal)
    if version is None or version["routine"]["anchor"]["kind"] != "calendar":
        return None
    if not is_date_of_rule(clinic, version, nominal):
        return None
    on, required = land(clinic, nominal, version["routine"]["anchor"]["closed_day"], has_sessions) or (None, False)
    return (version, on) if required else None


def calendar_load(clinic, versions, date):
    """The nominal dates within 31 days that land here, each by the version in force on it."""
    if all(version["routine"]["anchor"]["kind"] != "calendar" for version in versions):
        return 0
    load = 0
    for nominal in every_date(date - DAY * 31, date + DAY * 31):
        found = landing(clinic, versions, nominal)
        if found is not None and found[1] == date:
            load += minutes_for(clinic, found[0], nominal, date)
    return load


def period_version(clinic, versions, each, last, spread):
    """The version in force on a period's last date, when it plans one task in each such period, or None."""
    version = version_in_force(clinic, versions, last)
    anchor = version["routine"]["anchor"] if version else {"kind": None}
    fits = anchor["kind"] == "period" and anchor["each"] == each and anchor["spread"] == spread
    return version if fits else None


def unspread_load(clinic, versions, date):
    load = 0
    for each in LONGEST_FIRST:
        _, first, last = period_of(each, date)
        version = period_version(clinic, versions, each, last, spread=False)
        for subject in clinic.facts["subjects"] if version else []:
            if plans(version, subject, last) and open_days(clinic, subject, first, last)[-1:] == [date]:
                load += version["routine"]["rough_minutes"]
    return load


# Levelling ----------------------------------------------------------------------------------------------------------

def chosen_day(clinic, each, date, routine_id, subject_id):
    """The day levelling chose in the period of this date, or None when the item had no candidate."""
    placed, _ = levelled(clinic, each, date)
    return placed.get((routine_id, subject_id))


def levelled(clinic, each, date):
    """({(routine, subject): day}, {day: minutes put there}) of the period the date lies in."""
    _, first, _ = period_of(each, date)
    return remembered(clinic, ("levelled", each, first), lambda: level(clinic, each, date))


def load_before(clinic, each, date):
    """The standing load and what the longer periods put on the day."""
    longer = LONGEST_FIRST[: LONGEST_FIRST.index(each)]
    return standing_load(clinic, date) + sum(levelled(clinic, other, date)[1].get(date, 0) for other in longer)


def items_of(clinic, each, name, first, last):
    full = {day(text) for text in clinic.facts.get("full_days") or []}
    items = []
    for versions in clinic.facts["routines"]:
        version = period_version(clinic, versions, each, last, spread=True)
        for subject in clinic.facts["subjects"] if version else []:
            in_place = open_days(clinic, subject, first, last)
            candidates = [date for date in in_place if date not in full] or in_place
            if candidates and plans(version, subject, last):
                items.append({
                    "key": (version["routine_id"], subject["subject_id"]),
                    "name": f"{version['routine_id'].lower()}/{subject['subject_id'].lower()}/{name}",
                    "minutes": version["routine"]["rough_minutes"],
                    "candidates": candidates,
                })
    return items


def day_hash(item, date):
    return hashed(f"{item['name']}/{date}")


def level_of(items, load):
    """The smallest whole number of minutes up to which the items together would fill their days."""
    needed = sum(item["minutes"] for item in items)
    level_minutes = 0
    while sum(max(0, level_minutes - standing) for standing in load.values()) < needed:
        level_minutes += 1
    return level_minutes


def level(clinic, each, date):
    name, first, last = period_of(each, date)
    items = items_of(clinic, each, name, first, last)
    load = {one: load_before(clinic, each, one) for item in items for one in item["candidates"]}
    placed = place(items, load)
    added = {}
    for item in items:
        chosen = placed[item["key"]]
        added[chosen] = added.get(chosen, 0) + item["minutes"]
    return placed, added


def place(items, load):
    """{key: day} of the items of one period. `load`, by day, is what stands; it becomes what stands afterwards."""
    level_minutes = level_of(items, load)
    placed = {}
    for item in sorted(items, key=lambda item: (-item["minutes"], hashed(item["name"]))):
        in_order = sorted(item["candidates"], key=lambda one: day_hash(item, one))
        fitting = [one for one in in_order if 2 * load[one] + item["minutes"] <= 2 * level_minutes]
        # min() keeps the first of equals, which is the first by hash.
        chosen = fitting[0] if fitting else min(in_order, key=lambda one: load[one])
        placed[item["key"]] = chosen
        load[chosen] += item["minutes"]
    even_out(items, placed, load)
    return placed


def even_out(items, placed, load):
    """One item at a time moves to a day that stays below the one it leaves."""
    while True:
        moves = []
        for item in items:
            here = placed[item["key"]]
            for there in item["candidates"]:
                left = load[here] - load[there] - item["minutes"]
                if there != here and left > 0:
                    moves.append((-item["minutes"] * left, day_hash(item, there), item, there))
        if not moves:
            return
        _, _, item, there = min(moves, key=lambda move: move[:2])
        load[placed[item["key"]]] -= item["minutes"]
        load[there] += item["minutes"]
        placed[item["key"]] = there
