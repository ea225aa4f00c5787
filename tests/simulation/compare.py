#!/usr/bin/env python3
"""Holds the plans the service stored, look by look, against the model's.

    compare.py FILE     JSON lines as tests/simulation/export.rs writes them

A look is compared where the plan still decides: a task that was begun, was recorded by people, or whose window has
passed stays as it was, and one that left the plan after a tablet could have fetched it stays as withdrawn. Everything
else must be what the model plans now from the same configuration and facts: the same tasks, the same instants, the
same requirement. States are compared for every stored task. Ends with 1 when anything differs or nothing was compared.
"""

import json
import sys
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import days
from model import plan, state

LOOK_AHEAD = timedelta(days=2)
MOST_SHOWN = 12
INSTANTS = ["anchor_at", "due_from", "due_by", "overdue_at", "missed_at", "blocks_at"]


def moment(text):
    return None if text is None else datetime.fromisoformat(text.replace("Z", "+00:00"))


def key(task):
    return task["routine_id"], task["subject_id"], task["clinic_day"], task["slot"]


def spells(history):
    """Times out of service, from the changes of a subject's state; another reason begins another spell."""
    found = []
    for change in history:
        out = change["state"] == "out_of_service"
        is_open = found and found[-1]["until"] is None
        if is_open and out and found[-1]["reason"] == change["reason"]:
            continue
        if is_open:
            found[-1]["until"] = change["changed_at"]
        if out:
            found.append({"from": change["changed_at"], "until": None, "reason": change["reason"]})
    return found


def prepared(clinic):
    for subject in clinic["subjects"]:
        subject["spells"] = spells(subject.pop("history"))
    return clinic


def today_of(clinic, now):
    far = date(now.year + 1, 12, 31)
    return days.clinic_day(days.Clinic(clinic, ZoneInfo(clinic["zone"]), now.date(), far), now)


def is_fixed(task, now):
    by_people = task["outcome"] is not None and not task["outcome_by_plan"]
    repeats = task["slot"].startswith("repeat:")
    return by_people or task["started_at"] is not None or moment(task["missed_at"]) <= now or repeats


def is_withdrawn(task):
    return task["outcome_by_plan"] and task["outcome_reason"].startswith("withdrawn")


def compare(look):
    """Differences as text, tasks compared, instants compared."""
    now = moment(look["now"])
    clinic = prepared(look["clinic"])
    today = today_of(clinic, now)
    first = today - timedelta(days=12)
    last = date.fromisoformat(look["planned_through"])
    wanted = {key(task): task for task in plan(clinic, str(today), str(first), str(last))}
    differences, tasks, instants = [], 0, 0
    stored = {key(task): task for task in look["tasks"]}
    for name, task in stored.items():
        tasks += 1
        recorded = {"outcome": task["outcome"], "recorded_at": task["outcome_at"]} if task["outcome"] else None
        of_model = state({**task, "not_required": False}, recorded, look["now"])
        if of_model != task["state"]:
            differences.append(f"state of {name}: {task['state']}, the model says {of_model}")
        if is_fixed(task, now):
            continue
        model = wanted.get(name)
        if model is None:
            on = date.fromisoformat(task["clinic_day"])
            beyond = not first <= on <= last and not task["slot"].startswith("period:")
            # What the plan had declared not required stays so, with its reason, once a tablet may have seen it.
            said_already = task["outcome_by_plan"] and moment(task["due_from"]) <= now + LOOK_AHEAD
            if not beyond and not said_already:
                differences.append(f"only the service has {name}: {task}")
            continue
        if is_withdrawn(task):
            differences.append(f"withdrawn though the model plans it: {name}: {model}")
            continue
        if moment(model["missed_at"]) <= now:
            continue
        for instant in INSTANTS:
            instants += 1
            if moment(task[instant]) != moment(model[instant]):
                differences.append(f"{instant} of {name}: {task[instant]}, the model says {model[instant]}")
        rungs = [[moment(at), audience] for at, audience in zip(task["rung_at"], task["rung_audience"])]
        instants += len(rungs)
        if rungs != [[moment(at), audience] for at, audience in model["rungs"]]:
            differences.append(f"rungs of {name}: {rungs}, the model says {model['rungs']}")
        if (task["outcome"] == "not_required") != model["not_required"]:
            differences.append(f"requirement of {name}: {task['outcome_reason']}, the model: {model['not_required']}")
        if task["routine_version"] != model["routine_version"]:
            differences.append(f"version of {name}: {task['routine_version']}, the model: {model['routine_version']}")
    for name, model in wanted.items():
        if name not in stored and moment(model["missed_at"]) > now:
            differences.append(f"only the model has {name}: {model}")
    return differences, tasks, instants


def main():
    looks = tasks = instants = different = 0
    with open(sys.argv[1], encoding="utf-8") as cases:
        for line in cases:
            look = json.loads(line)
            found, of_tasks, of_instants = compare(look)
            looks, tasks, instants = looks + 1, tasks + of_tasks, instants + of_instants
            for text in found[: max(0, MOST_SHOWN - different)]:
                print(f"{look['clinic']['zone']} at {look['now']}: {text}")
            different += len(found)
    print(f"{looks} looks at a clinic: {tasks} task states and {instants} instants compared, {different} differences")
    sys.exit(1 if different or not instants else 0)


if __name__ == "__main__":
    main()
