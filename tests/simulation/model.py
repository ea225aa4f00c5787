"""The second planner: slow, obvious, and written from src/domain/plan/RULES.md alone.

`plan` says which tasks a clinic has; `state` says what one is at an instant. No line of the planner in Rust was read
for it, so that a mistake in one of the two is not made in the other.
"""

import datetime as dt
import zoneinfo

import days
from anchors import occurrences
from days import DAY, Clinic, day, instant, minutes, written
from levelling import period_of

# A date that a rule gives is moved at most so far.
FARTHEST_MOVE = DAY * 31
LONGEST_PERIOD = DAY * 366
LONGEST_WAIT = DAY * 120


def plan(clinic, today, first, last):
    """The tasks whose clinic day lies in first..last; of periods, those whose period overlaps it."""
    first, last = day(first), day(last)
    # Far enough for the year that the last week ends in, and what lands in it.
    horizon = dt.date(last.year + 2, 12, 31)
    clinic = Clinic(clinic, zoneinfo.ZoneInfo(clinic["zone"]), day(today), horizon)
    planned = []
    for versions in clinic.facts["routines"]:
        for subject in clinic.facts["subjects"]:
            for nominal in days.every_date(first - FARTHEST_MOVE, last + LONGEST_PERIOD):
                version = days.version_in_force(clinic, versions, nominal)
                if version is None or not days.plans(version, subject, nominal):
                    continue
                anchor = version["routine"]["anchor"]
                if anchor["kind"] == "period":
                    reaches = period_of(anchor["each"], nominal)[1] <= last
                else:
                    reaches = nominal <= last + FARTHEST_MOVE
                if not reaches:
                    continue
                for occurrence in occurrences(clinic, versions, version, subject, nominal):
                    planned.append((version, subject, occurrence))
    planned = [one for one in planned if one[2].clinic_day >= day(one[1]["commissioned_on"])]
    planned = [one for one in planned if is_in_window(one[2], first, last)]
    tasks = [task(clinic, *one) for one in without_strengthened(planned)]
    tasks.sort(key=sort_key)
    keys = [sort_key(one) for one in tasks]
    assert len(keys) == len(set(keys)), "two tasks of one routine, subject, clinic day and slot"
    return tasks


def sort_key(one):
    return one["routine_id"], one["subject_id"], one["clinic_day"], one["slot"]


def is_in_window(occurrence, first, last):
    begins = occurrence.period_begins or occurrence.clinic_day
    return begins <= last and occurrence.clinic_day >= first


def without_strengthened(planned):
    """Of the idle tasks that stand for one routine's, the one with the most unused days; and not that routine's own."""
    winners = {}
    for version, subject, occurrence in planned:
        if occurrence.instead_of is not None:
            place = (occurrence.instead_of, subject["subject_id"], occurrence.clinic_day)
            rank = (-version["routine"]["anchor"]["unused_days"], version["routine_id"])
            winners[place] = min(winners.get(place, rank), rank)
    kept = []
    for version, subject, occurrence in planned:
        day_of_subject = (subject["subject_id"], occurrence.clinic_day)
        if (version["routine_id"], *day_of_subject) in winners:
            continue
        if occurrence.instead_of is not None:
            if winners[(occurrence.instead_of, *day_of_subject)][1] != version["routine_id"]:
                continue
        kept.append((version, subject, occurrence))
    return kept


def task(clinic, version, subject, occurrence):
    routine = version["routine"]
    anchor_at = occurrence.anchor_at
    if occurrence.window is not None:
        due_from, due_by, overdue_at, missed_at = occurrence.window
    else:
        names = ["may_start_minutes", "due_by_minutes", "overdue_minutes", "missed_minutes"]
        due_from, due_by, overdue_at, missed_at = [anchor_at + minutes(routine["window"][name]) for name in names]
    blocks_at = {None: None, "may_start": due_from, "due_by": due_by}[routine.get("blocks_from")]
    out = days.out_of_service(subject, anchor_at) and not occurrence.whatever_service
    paused = occurrence.window is None and is_paused(clinic, routine, subject, (anchor_at, due_by))
    ladder = routine.get("ladder") or clinic.facts.get("ladder") or {"rungs": []}
    return {
        "routine_id": version["routine_id"],
        "routine_version": version["version"],
        "subject_id": subject["subject_id"],
        "clinic_day": occurrence.clinic_day.isoformat(),
        "slot": occurrence.slot,
        "anchor_at": written(anchor_at),
        "due_from": written(due_from),
        "due_by": written(due_by),
        "overdue_at": written(overdue_at),
        "missed_at": written(missed_at),
        "blocks_at": written(blocks_at) if blocks_at else None,
        "rungs": [[written(at), audience] for at, audience in rungs(clinic, ladder, overdue_at)],
        "not_required": out or paused or not occurrence.required,
    }


def is_paused(clinic, routine, subject, moments):
    """Work that runs mains water rests while an advisory stands, on what is fed from the mains."""
    if not routine.get("runs_mains_water") or subject.get("water_source") == "own_reservoir":
        return False
    for pause in clinic.facts.get("water_pauses") or []:
        until = pause["until"]
        for at in moments:
            if days.instant(pause["from"]) <= at and (until is None or at < days.instant(until)):
                return True
    return False


def rungs(clinic, ladder, overdue_at):
    """(instant, audience) of each rung that is reached; after one that is not, none."""
    day_before = days.to_local(clinic, overdue_at).date() - DAY
    reached = []
    for rung in ladder["rungs"]:
        if rung["after_minutes"] == 0:
            at = overdue_at
        elif rung["counted_in"] == "elapsed_time":
            at = overdue_at + minutes(rung["after_minutes"])
        else:
            assert rung["counted_in"] == "opening_time", rung
            spans = days.remembered(clinic, ("spans", day_before), lambda: days.opening_spans(
                clinic, day_before, day_before + DAY + LONGEST_WAIT))
            at = days.after_opening_time(spans, overdue_at, rung["after_minutes"])
            if at is None:
                break
        if reached:
            at = max(at, reached[-1][0])
        reached.append((at, rung["audience"]))
    return reached


def state(one, recorded, at):
    """What a task is at an instant. `recorded` is {"recorded_at", "outcome"} or None; instants are RFC 3339 text."""
    at = instant(at)
    if recorded is not None and instant(recorded["recorded_at"]) <= at:
        return recorded["outcome"]
    if one["not_required"]:
        return "not_required"
    for name, ends in [("upcoming", "due_from"), ("due", "due_by"), ("grace", "overdue_at"), ("overdue", "missed_at")]:
        if at < instant(one[ends]):
            return name
    return "missed"
