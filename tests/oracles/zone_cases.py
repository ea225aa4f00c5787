#!/usr/bin/env python3
"""Writes zone_cases.json: local times and the offsets Python's zoneinfo gives for them.

Every zone of PyPI `tzdata`, 2025-01-01 to 2028-12-31. Around each change of offset
the local clock is read every 15 minutes, from 3 hours before the change (by the
clock before it) to 3 hours after it (by the clock after it). Every offset is what
`datetime(..., fold=0).utcoffset()` answers: PEP 495 makes that the offset before a
gap and the first time of a fold, which is also the rule of RFC 5545 section 3.3.5.

Zones with the same answers share a group. Runs of one offset are written as
[how many steps, offset in seconds].
"""

import json
import os
import sys
from datetime import datetime, timedelta, timezone
from itertools import groupby

# zoneinfo reads this when it is imported: no system files, PyPI tzdata only.
os.environ["PYTHONTZPATH"] = ""

import tzdata  # noqa: E402
import zoneinfo  # noqa: E402

BEGIN = datetime(2025, 1, 1, tzinfo=timezone.utc)
END = datetime(2029, 1, 1, tzinfo=timezone.utc)
STEP = timedelta(minutes=15)
AROUND = timedelta(hours=3)
SCAN = timedelta(hours=6)
SAMPLE_EVERY = timedelta(days=7)
# No zones of the world but of the database's own housekeeping.
HOUSEKEEPING = {"Factory", "localtime", "posixrules"}


def seconds(offset):
    return offset.days * 86400 + offset.seconds


def offset_at(zone, instant):
    return instant.astimezone(zone).utcoffset()


def changes(zone):
    """Each instant at which the offset changes, by halving the steps of a scan."""
    low = BEGIN
    while low < END:
        high = low + SCAN
        if offset_at(zone, low) != offset_at(zone, high):
            left, right = low, high
            while right - left > timedelta(seconds=1):
                middle = left + (right - left) // 2
                middle = middle.replace(microsecond=0)
                if offset_at(zone, middle) == offset_at(zone, low):
                    left = middle
                else:
                    right = middle
            yield right
        low = high


def runs(values):
    return [[len(list(same)), value] for value, same in groupby(values)]


def offsets_of(zone, local, until, step):
    """The offset of each local time from `local` to `until`, fold=0."""
    while local <= until:
        yield seconds(local.replace(tzinfo=zone, fold=0).utcoffset())
        local += step


def answers(zone):
    around = []
    for instant in changes(zone):
        before = offset_at(zone, instant - timedelta(seconds=1))
        after = offset_at(zone, instant)
        naive = instant.replace(tzinfo=None)
        local_from = naive + before - AROUND
        local_until = naive + after + AROUND
        around.append({
            "at": f"{naive.isoformat()}Z",
            "before": seconds(before),
            "after": seconds(after),
            "local_from": local_from.isoformat(),
            "every_15_minutes": runs(offsets_of(zone, local_from, local_until, STEP)),
        })
    noon = BEGIN.replace(tzinfo=None, hour=12)
    return {
        "changes": around,
        "weekly_at_noon": runs(offsets_of(zone, noon, END.replace(tzinfo=None), SAMPLE_EVERY)),
    }


def main(path):
    groups = {}
    for name in sorted(zoneinfo.available_timezones() - HOUSEKEEPING):
        found = answers(zoneinfo.ZoneInfo(name))
        groups.setdefault(json.dumps(found, separators=(",", ":")), []).append(name)
    header = {
        "about": "local times 2025 to 2028 and their offsets in seconds, from Python zoneinfo "
        "with fold=0; a run is [steps, offset]",
        "made_by": "tests/oracles/zone_cases.py",
        "make_again": "tests/oracles/make",
        "tzdata": tzdata.__version__,
        "tz_database": tzdata.IANA_VERSION,
        "first_noon": "2025-01-01T12:00:00",
        "zones": sum(len(names) for names in groups.values()),
    }
    with open(path, "w", encoding="utf-8") as file:
        file.write(json.dumps(header, separators=(",", ":"))[:-1] + ',"groups":[\n')
        file.write(",\n".join(
            f'{{"names":{json.dumps(names, separators=(",", ":"))},{found[1:]}'
            for found, names in groups.items()
        ))
        file.write("\n]}\n")


if __name__ == "__main__":
    main(sys.argv[1])
