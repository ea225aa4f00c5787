#!/usr/bin/env python3
"""Holds the tasks of the service against the model's.

    check.py [--amended] [FILE]     JSON lines from FILE or standard input, each
                                    {"clinic", "today", "first", "last", "tasks"}

Prints each difference in full, twenty at most, then what was compared. Ends with 1 when anything differs, and when
no task was compared at all: silence is no agreement.
"""

import argparse
import json
import sys
from collections import Counter

from model import plan, sort_key

MOST_SHOWN = 20
INSTANTS = ["anchor_at", "due_from", "due_by", "overdue_at", "missed_at", "blocks_at"]


def instants_in(task):
    return sum(1 for name in INSTANTS if task.get(name)) + len(task.get("rungs") or [])


def differences(number, case, of_model):
    """One text for each task that is missing, in excess, there twice, or different."""
    of_service = sorted(case["tasks"], key=sort_key)
    where = f"case {number}: {case['clinic']['zone']}, today {case['today']}, {case['first']}..{case['last']}"
    service = {sort_key(one): one for one in of_service}
    model = {sort_key(one): one for one in of_model}
    found = []
    for key, times in Counter(sort_key(one) for one in of_service).items():
        if times > 1:
            found.append(f"{where}\n  the service has {times} tasks of {key}")
    for key in sorted(service.keys() | model.keys()):
        if service.get(key) != model.get(key):
            found.append(
                f"{where}\n  service {json.dumps(service.get(key), sort_keys=True)}"
                f"\n  model   {json.dumps(model.get(key), sort_keys=True)}"
            )
    return found


def main():
    words = argparse.ArgumentParser(description="Holds the tasks of the service against the model's.")
    words.add_argument("--amended", action="store_true", help="by the rules as amended in b2cad2f")
    words.add_argument("file", nargs="?", help="JSON lines; standard input when left out")
    given = words.parse_args()
    source = open(given.file, encoding="utf-8") if given.file else sys.stdin
    cases = tasks = instants = differing = 0
    with source:
        for line in source:
            if not line.strip():
                continue
            cases += 1
            case = json.loads(line)
            of_model = plan(case["clinic"], case["today"], case["first"], case["last"], given.amended)
            for text in differences(cases, case, of_model):
                differing += 1
                if differing <= MOST_SHOWN:
                    print(text)
            tasks += len(of_model)
            instants += sum(instants_in(one) for one in of_model)
    if differing > MOST_SHOWN:
        print(f"... and {differing - MOST_SHOWN} more")
    print(f"{cases} cases, {tasks} tasks, {instants} instants compared; {differing} differences")
    return 1 if differing or not tasks else 0


if __name__ == "__main__":
    sys.exit(main())
