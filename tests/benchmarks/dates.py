#!/usr/bin/env python3
"""Times python-dateutil over the rules of tests/oracles/recurrence_cases.jsonl.

    dates.py [ROUNDS]     default 3; the round that took least is told

Prints {"dates", "seconds"}: the dates that lie in the windows, and the time to read every rule and find them. The
same is asked of whatever is held against it: the lines of the file that name neither `union_of` nor `witness`, which
are those that dateutil answers by itself, each over its window, `from_on` included and `before_on` not. dateutil
walks to a window from the start of the rule, since it has no other way to get there. Reading the file is not timed.
Before anything is timed the dates are compared with the file's: a wrong answer has no speed.

Needs the programs pinned in tests/oracles/requirements.txt.
"""

import datetime
import json
import sys
import time
from pathlib import Path

from dateutil.rrule import rrulestr

CASES = Path(__file__).resolve().parent.parent / "oracles" / "recurrence_cases.jsonl"

# dateutil walks to this year before it gives up on a rule that matches nothing; as where the file was made.
datetime.MAXYEAR = 2130


def midnight(text):
    return datetime.datetime.fromisoformat(text)


def cases():
    """(rule, start, first of the window, first after it, dates)"""
    with open(CASES, encoding="utf-8") as file:
        lines = [json.loads(line) for line in file]
    return [
        (one["rule"], *(midnight(one[name]) for name in ["starts_on", "from_on", "before_on"]), one["dates"])
        for one in lines if "rule" in one and "union_of" not in one and "witness" not in one
    ]


def dates(rule, starts_on, from_on, before_on):
    found = []
    for moment in rrulestr(rule, dtstart=starts_on):
        if moment >= before_on:
            break
        if moment >= from_on:
            found.append(moment)
    return found


def main():
    rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 3
    asked = cases()
    count = 0
    for *window, expected in asked:
        found = [f"{moment:%Y%m%d}" for moment in dates(*window)]
        if found != expected:
            sys.exit(f"dateutil no longer gives the file's dates: {window}: {found}, not {expected}")
        count += len(found)
    seconds = []
    for _ in range(rounds):
        began = time.perf_counter()
        for *window, _ in asked:
            dates(*window)
        seconds.append(time.perf_counter() - began)
    print(json.dumps({"dates": count, "seconds": round(min(seconds), 3)}))


if __name__ == "__main__":
    main()
