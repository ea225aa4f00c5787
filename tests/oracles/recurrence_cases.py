#!/usr/bin/env python3
"""Writes recurrence_cases.jsonl: recurrence rules and the dates python-dateutil gives for them.

The rules are drawn from the part of RFC 5545 that yields dates: DAILY to YEARLY
with every BY-part that is legal for the frequency. Each case asks for a bounded
window, sometimes years after the start, so that skipping ahead is tested too.

Rules on which dateutil departs from the RFC are left out or asked in another way:

* BYDAY that mixes plain and numbered days (`MO,1TU`). RFC 5545 reads the list as
  "any of these"; dateutil wants both at once and finds nothing. Such a case holds
  the union of two dateutil rules, one for each kind of day.
* BYWEEKNO with no BYDAY, BYMONTHDAY or BYYEARDAY. dateutil gives all seven days,
  the RFC the weekday of the start. Chairtide refuses the rule.
* BYWEEKNO of 52, 53, -52 and -53. A year can begin inside the last week of the one
  before and end inside week 1 of the next. dateutil finds 2011-01-01 in no week 52
  and 2022-01-01 in a week 53; `date.isocalendar()` of the standard library says
  2010-W52 and 2021-W52, as ISO 8601 does. These weeks are asked of isocalendar.
"""

import datetime
import importlib.metadata
import json
import random
import sys

from dateutil.rrule import rrulestr

SEED = 20261125
RANDOM_CASES = 3600
MIXED_DAY_CASES = 120
LAST_WEEK_CASES = 120
MOST_DATES = 24

# dateutil walks to datetime.MAXYEAR before it gives up on a rule that matches
# nothing. No window here ends later than 2120.
datetime.MAXYEAR = 2130

WEEKDAYS = ["MO", "TU", "WE", "TH", "FR", "SA", "SU"]
SPAN_DAYS = {"DAILY": 200, "WEEKLY": 500, "MONTHLY": 1500, "YEARLY": 4000}


def some(rng, values, most):
    """One to `most` different values, in no particular order."""
    return rng.sample(values, rng.randint(1, min(most, len(values))))


def signed(rng, top, most):
    """Different whole numbers within -top..top, without 0, the small ones more often."""
    reach = top if rng.random() < 0.5 else min(top, 5)
    return some(rng, [n for n in range(-reach, reach + 1) if n != 0], most)


def listed(name, values):
    return f"{name}={','.join(str(value) for value in values)}"


def by_parts(rng, freq):
    """BY-parts that RFC 5545 section 3.3.10 allows together for this frequency."""
    parts = {}
    if rng.random() < (0.25 if freq in ("DAILY", "WEEKLY") else 0.4):
        parts["BYMONTH"] = some(rng, range(1, 13), 4)

    if freq == "YEARLY" and rng.random() < 0.25:
        weeks = [n for n in range(-51, 52) if n != 0]
        near_the_edges = [1, 2, 50, 51, -1, -2]
        parts["BYWEEKNO"] = some(rng, near_the_edges if rng.random() < 0.6 else weeks, 4)
        if rng.random() < 0.85:
            parts["BYDAY"] = some(rng, WEEKDAYS, 4)
        else:
            parts["BYMONTHDAY"] = some(rng, [n for n in range(-31, 32) if n != 0], 12)
    else:
        if freq == "YEARLY" and rng.random() < 0.25:
            reach = rng.choice([5, 366])
            near_leap_day = [59, 60, 61, 365, 366, -306, -307, -366, -365, -1]
            parts["BYYEARDAY"] = (
                some(rng, near_leap_day, 5) if rng.random() < 0.5 else signed(rng, reach, 8)
            )
        if freq != "WEEKLY" and rng.random() < 0.35:
            parts["BYMONTHDAY"] = (
                some(rng, [28, 29, 30, 31, -28, -29, -30, -31, 1, -1], 4)
                if rng.random() < 0.5
                else some(rng, [n for n in range(-31, 32) if n != 0], 10)
            )
        if rng.random() < 0.5:
            numbered = freq in ("MONTHLY", "YEARLY") and rng.random() < 0.5
            if numbered:
                top = 5 if freq == "MONTHLY" or "BYMONTH" in parts else 53
                parts["BYDAY"] = [
                    f"{n}{day}" for n, day in zip(signed(rng, top, 3), some(rng, WEEKDAYS, 3))
                ]
            else:
                parts["BYDAY"] = some(rng, WEEKDAYS, 5)

    if parts and rng.random() < 0.3:
        top = {"DAILY": 1, "WEEKLY": 5, "MONTHLY": 12, "YEARLY": 366}[freq]
        parts["BYSETPOS"] = signed(rng, top, 3)
    return parts


def interval(rng, freq):
    if rng.random() < 0.45:
        return 1
    return rng.choice({
        "DAILY": [2, 3, 5, 7, 10, 30, 100, 365],
        "WEEKLY": [2, 3, 4, 5, 13, 26, 53],
        "MONTHLY": [2, 3, 4, 5, 6, 7, 12, 13, 18, 24],
        "YEARLY": [2, 3, 4, 5, 7],
    }[freq])


def start(rng):
    """A day in 1990..2030; one in three on a day where calendars go wrong."""
    if rng.random() < 1 / 3:
        year = rng.randint(1990, 2030)
        leap_year = 1992 + 4 * rng.randrange(10)
        return rng.choice([
            datetime.date(leap_year, 2, 29),
            datetime.date(leap_year, 12, 31),
            datetime.date(year, 12, rng.randint(28, 31)),
            datetime.date(year, 1, rng.randint(1, 4)),
            datetime.date(year, rng.choice([1, 3, 5, 7, 8, 10]), 31),
            datetime.date(year, 2, 28),
        ])
    return datetime.date(1990, 1, 1) + datetime.timedelta(days=rng.randrange(14975))


def written(rng, freq, parts, starts_on):
    """The rule's text, its parts in any order after FREQ."""
    pieces = [listed(name, values) for name, values in parts.items()]
    every = interval(rng, freq)
    if every != 1 or rng.random() < 0.1:
        pieces.append(f"INTERVAL={every}")
    if rng.random() < (0.6 if freq == "WEEKLY" or "BYWEEKNO" in parts else 0.15):
        pieces.append(f"WKST={rng.choice(WEEKDAYS)}")
    end = rng.random()
    if end < 0.2:
        pieces.append(f"COUNT={rng.randint(1, 60)}")
    elif end < 0.4:
        until = starts_on + datetime.timedelta(days=rng.randrange(SPAN_DAYS[freq] * 2))
        pieces.append(f"UNTIL={until:%Y%m%d}")
    rng.shuffle(pieces)
    return ";".join([f"FREQ={freq}"] + pieces)


def dates(rules, starts_on, from_on, before_on):
    """What dateutil gives for any of the rules in from_on <= date < before_on."""
    begin = datetime.datetime.combine(starts_on, datetime.time())
    found = set()
    for rule in rules:
        for moment in rrulestr(rule, dtstart=begin):
            if moment.date() >= before_on:
                break
            if moment.date() >= from_on:
                found.add(moment.date())
    return sorted(found)


def case(rng, freq, rule, starts_on, asked=None):
    """One line of the file. `asked` is what dateutil was asked, where that differs."""
    wait = rng.choice([0, 0, 0, 1, 40, 400, 3000, 12000])
    from_on = starts_on + datetime.timedelta(days=wait)
    before_on = from_on + datetime.timedelta(days=SPAN_DAYS[freq])
    found = dates(asked or [rule], starts_on, from_on, before_on)
    line = {"rule": rule, "starts_on": starts_on, "from_on": from_on, "before_on": before_on}
    if asked:
        line["union_of"] = asked
    return bounded(line, found)


def bounded(line, found):
    """The line with its dates, the window cut where they would be too many."""
    if len(found) > MOST_DATES:
        line["before_on"] = found[MOST_DATES]
    # Written as 20260301: half the file is dates.
    line["dates"] = [f"{date:%Y%m%d}" for date in found[:MOST_DATES]]
    return line


def random_case(rng):
    """A rule with dates in its window; one empty answer in eight is kept."""
    while True:
        freq = rng.choice(["DAILY", "WEEKLY", "MONTHLY", "MONTHLY", "YEARLY", "YEARLY"])
        starts_on = start(rng)
        rule = written(rng, freq, by_parts(rng, freq), starts_on)
        line = case(rng, freq, rule, starts_on)
        if line["dates"] or rng.random() < 0.125:
            return line


def mixed_day_case(rng):
    """BYDAY with plain and numbered days: the union of two rules for dateutil."""
    freq = rng.choice(["MONTHLY", "YEARLY"])
    starts_on = start(rng)
    parts = {}
    if freq == "YEARLY" or rng.random() < 0.3:
        parts["BYMONTH"] = some(rng, range(1, 13), 3)
    plain, numbered = rng.sample(WEEKDAYS, 2)
    numbered = f"{rng.choice([1, 2, 3, 4, 5, -1, -2, -5])}{numbered}"
    days = [plain, numbered]
    rng.shuffle(days)
    every = f"INTERVAL={interval(rng, freq)}"

    def rule(byday):
        return ";".join(
            [f"FREQ={freq}", every]
            + [listed(name, values) for name, values in parts.items()]
            + [listed("BYDAY", byday)]
        )

    return case(rng, freq, rule(days), starts_on, asked=[rule([plain]), rule([numbered])])


def last_week_case(rng):
    """Weeks at the turn of the year, asked of the standard library."""
    starts_on = start(rng)
    years = rng.choice([1, 1, 1, 2, 3])
    weeks = some(rng, [52, 53, -52, -53, 1, -1], 3)
    days = some(rng, WEEKDAYS, 5)
    rule = f"FREQ=YEARLY;INTERVAL={years};{listed('BYWEEKNO', weeks)};{listed('BYDAY', days)}"
    from_on = starts_on + datetime.timedelta(days=rng.choice([0, 0, 400, 3000]))
    before_on = from_on + datetime.timedelta(days=5000)

    def is_in(date):
        week_year, week, weekday = date.isocalendar()
        # 28 December is always in the last week of its year.
        from_back = week - datetime.date(week_year, 12, 28).isocalendar().week - 1
        in_step = (date.year - starts_on.year) % years == 0
        return in_step and WEEKDAYS[weekday - 1] in days and (week in weeks or from_back in weeks)

    span = (from_on + datetime.timedelta(days=n) for n in range((before_on - from_on).days))
    found = [date for date in span if is_in(date)]
    line = {"rule": rule, "starts_on": starts_on, "from_on": from_on, "before_on": before_on}
    return bounded({**line, "witness": "date.isocalendar"}, found)


def main(path):
    rng = random.Random(SEED)
    cases = [random_case(rng) for _ in range(RANDOM_CASES)]
    cases += [mixed_day_case(rng) for _ in range(MIXED_DAY_CASES)]
    cases += [last_week_case(rng) for _ in range(LAST_WEEK_CASES)]
    header = {
        "about": "recurrence rules and the dates they give, from python-dateutil; "
        "from_on is included, before_on is not",
        "made_by": "tests/oracles/recurrence_cases.py",
        "make_again": "tests/oracles/make",
        "python-dateutil": importlib.metadata.version("python-dateutil"),
        "seed": SEED,
        "cases": len(cases),
    }
    with open(path, "w", encoding="utf-8") as file:
        for line in [header, *cases]:
            json.dump(line, file, separators=(",", ":"), default=str)
            file.write("\n")


if __name__ == "__main__":
    main(sys.argv[1])
