#!/usr/bin/env python3
"""Holds the plans the service stored, look by look, against the model's.

    compare.py FILE [FOLDER]     JSON lines as tests/simulation/export.rs writes them, or a pipe that brings them;
                                 looks that differ are kept in the folder

A look is compared where the plan still decides: a task that was begun, was recorded by people, or whose window has
passed stays as it was, and one that left the plan after a tablet could have fetched it stays as withdrawn. Everything
else must be what the model plans now from the same configuration and facts: the same tasks at the same clinic, the same
instants, the same requirement. States are compared for every stored task of the last weeks and from then on. Looks are
worked on by as many processes as there are cores, and never more than a few of them are in memory. Ends with 1 when
anything differs or a kind of anchor was never compared.
"""

import json
import multiprocessing
import os
import sys
import threading
from collections import Counter
from datetime import date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import days
from model import plan, state

LOOK_AHEAD = timedelta(days=2)
# Of each kind of difference at each anchor, so that one mistake does not hide another.
MOST_SHOWN = 3
INSTANTS = ["anchor_at", "due_from", "due_by", "overdue_at", "missed_at", "blocks_at"]
# What a run must have compared: one of each kind of anchor, as `kind_of` names them.
ANCHORS = [
    "opening", "closing", "first_patient", "session_end", "turnover", "calendar previous_open_day",
    "calendar next_open_day", "calendar not_required", "period week", "period month", "period quarter", "period year",
    "interval days", "interval opening_hours", "idle open_days", "idle every_day", "count turnovers", "count cycles",
    "event", "follows recorded", "follows failed",
]


def kind_of(anchor):
    detail = {
        "calendar": lambda: anchor["closed_day"], "period": lambda: anchor["each"], "idle": lambda: anchor["on"],
        "interval": lambda: next(iter(anchor["every"])), "count": lambda: anchor["of"],
        "follows": lambda: anchor["when"],
    }.get(anchor["kind"])
    return f"{anchor['kind']} {detail()}" if detail else anchor["kind"]


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
    """Differences as (kind, text); counts of tasks whose state was compared, of instants, of planned tasks by anchor."""
    now = moment(look["now"])
    clinic = prepared(look["clinic"])
    today = today_of(clinic, now)
    first = today - timedelta(days=12)
    last = date.fromisoformat(look["planned_through"])
    wanted = {key(task): task for task in plan(clinic, str(today), str(first), str(last))}
    anchors = {
        (version["routine_id"], version["version"]): kind_of(version["routine"]["anchor"])
        for versions in clinic["routines"] for version in versions
    }
    differences, counts = [], Counter()

    def differs(what, name, told):
        slot = name[-1].split(":")[0]
        differences.append((f"{what} of {slot}", f"{what} of {name}: {told}"))

    stored = {key(task): task for task in look["tasks"]}
    for name, task in stored.items():
        counts["states"] += 1
        recorded = {"outcome": task["outcome"], "recorded_at": task["outcome_at"]} if task["outcome"] else None
        of_model = state({**task, "not_required": False}, recorded, look["now"])
        if of_model != task["state"]:
            differs("state", name, f"{task['state']}, the model says {of_model}")
        if is_fixed(task, now):
            continue
        model = wanted.get(name)
        if model is None:
            on = date.fromisoformat(task["clinic_day"])
            beyond = not first <= on <= last and not task["slot"].startswith("period:")
            # What the plan had declared not required stays so, with its reason, once a tablet may have seen it.
            said_already = task["outcome_by_plan"] and moment(task["due_from"]) <= now + LOOK_AHEAD
            if not beyond and not said_already:
                differs("task only of the service", name, task)
            continue
        # News that comes too late: what the plan now says was over stays as it was, withdrawn or still to be done.
        if moment(model["missed_at"]) <= now:
            continue
        if is_withdrawn(task):
            differs("withdrawal", name, f"the model plans it: {model}")
            continue
        counts[anchors[(model["routine_id"], model["routine_version"])]] += 1
        for instant in INSTANTS:
            counts["instants"] += 1
            if moment(task[instant]) != moment(model[instant]):
                differs(instant, name, f"{task[instant]}, the model says {model[instant]}")
        rungs = [[moment(at), audience] for at, audience in zip(task["rung_at"], task["rung_audience"])]
        counts["instants"] += len(rungs)
        if rungs != [[moment(at), audience] for at, audience in model["rungs"]]:
            differs("rungs", name, f"{rungs}, the model says {model['rungs']}")
        if (task["outcome"] == "not_required") != model["not_required"]:
            differs("requirement", name, f"{task['outcome_reason']}, the model says {model['not_required']}")
        if task["routine_version"] != model["routine_version"]:
            differs("version", name, f"{task['routine_version']}, the model says {model['routine_version']}")
        if task["clinic_id"] != clinic["clinic_id"]:
            differs("place", name, f"{task['clinic_id']}, its subject stands at {clinic['clinic_id']}")
    for name, model in wanted.items():
        if name not in stored and moment(model["missed_at"]) > now:
            differs("task only of the model", name, model)
    return differences, counts


def compare_line(line):
    look = json.loads(line)
    title = f"{look['clinic']['clinic_id'][-8:]} in {look['clinic']['zone']} at {look['now']}"
    differences, counts = compare(look)
    return title, differences, counts, line if differences else None


def a_few_at_a_time(lines, free):
    """The lines, each only when a place is free: a pool would read them all at once."""
    for line in lines:
        # The service was stopped in the middle of it, which its own end tells.
        if not line.endswith("\n"):
            print("the last look was cut short")
            return
        free.acquire()
        yield line


def main():
    kept_in = Path(sys.argv[2]) if len(sys.argv) > 2 else None
    looks = 0
    counts, different = Counter(), Counter()
    cores = os.cpu_count() or 1
    free = threading.Semaphore(4 * cores)
    with open(sys.argv[1], encoding="utf-8") as cases, multiprocessing.Pool(cores) as pool:
        for title, found, of_look, line in pool.imap(compare_line, a_few_at_a_time(cases, free)):
            free.release()
            looks += 1
            counts += of_look
            is_news = False
            for kind, text in found:
                different[kind] += 1
                if different[kind] <= MOST_SHOWN:
                    is_news = True
                    print(f"{title}: {text}", flush=True)
            if is_news and kept_in:
                (kept_in / f"look-{looks}.json").write_text(line, encoding="utf-8")
    for kind, count in different.most_common():
        print(f"{count:>9}  differences: {kind}")
    for anchor in sorted(set(ANCHORS) | set(counts) - {"states", "instants"}):
        print(f"{counts[anchor]:>9}  tasks of anchor {anchor}")
    print(f"{looks} looks at a clinic: {counts['states']} task states and {counts['instants']} instants compared, "
          f"{different.total()} differences")
    never = [anchor for anchor in ANCHORS if not counts[anchor]]
    if never:
        print(f"never compared: {never}")
    sys.exit(1 if different or never else 0)


if __name__ == "__main__":
    main()
