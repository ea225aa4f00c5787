#!/usr/bin/env python3
"""How far levelling is from the best it could do, measured against an exact solver.

    levelling_gap.py FILE       writes the figures to FILE
    levelling_gap.py --check    writes nothing; ends with 1 when levelling_gap.txt says otherwise

Small periods are drawn at random and their items placed twice: by `place` of tests/simulation/levelling.py, which was
written from src/domain/plan/RULES.md, and by HiGHS, a solver of mixed-integer programs, as SciPy brings it. The solver
first makes the largest load as small as it can be, then, keeping that, the sum of the loads' distances from their mean.
Where a case has few enough placements, all of them are tried: the solver must have found the same.
"""

import importlib.metadata
import itertools
import math
import random
import sys
import uuid
from datetime import date, timedelta
from fractions import Fraction
from pathlib import Path
from statistics import mean

import numpy
from scipy.optimize import Bounds, LinearConstraint, milp

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "simulation"))
from levelling import place  # noqa: E402

SEED = 20261125
CASES = 300
MOST_TRIED = 20_000
FIRST_DAY = date(2026, 11, 30)
FIGURES = HERE / "levelling_gap.txt"


def drawn_item(rng, days):
    """One item in four may go to some of the days only, as after a late commissioning or beside full days."""
    some_days = rng.sample(days, rng.randint(1, len(days) - 1)) if rng.random() < 0.25 else days
    routine, subject = (uuid.UUID(int=rng.getrandbits(128)) for _ in range(2))
    return {
        "key": (routine, subject),
        "name": f"{routine}/{subject}/2026-12",
        "minutes": rng.randint(5, 45),
        "candidates": sorted(some_days),
    }


def drawn_case(rng):
    """(items, one item more, {day: standing minutes})"""
    days = [FIRST_DAY + timedelta(days=n) for n in range(rng.randint(3, 8))]
    items = [drawn_item(rng, days) for _ in range(rng.randint(3, 12))]
    most_standing = rng.choice([0, 20, 60])
    return items, drawn_item(rng, days), {one: rng.randint(0, most_standing) for one in days}


def standing(items, base):
    """What stands on the days that are a candidate of any item."""
    return {one: base[one] for one in base if any(one in item["candidates"] for item in items)}


def placed_by_us(items, base):
    """({item: day}, {day: load})"""
    load = standing(items, base)
    placed = place(items, load)
    return placed, load


def solved(cost, constraints, integral, upper):
    found = milp(
        cost, constraints=constraints, integrality=integral, bounds=Bounds(0, upper), options={"mip_rel_gap": 0},
    )
    if found.status != 0:
        raise RuntimeError(f"the solver did not prove an optimum: {found.message}")
    return found.x


def best_loads(items, base):
    """{day: load} of a placement that no other beats, in the largest load first and then in evenness."""
    load = standing(items, base)
    days = list(load)
    places = [(item, one) for item in items for one in item["candidates"]]
    count, number = len(places), len(days)
    once = numpy.array([[float(item is of) for of, _ in places] for item in items])
    put = numpy.array([[float(of["minutes"]) * (on == one) for of, on in places] for one in days])
    stands = numpy.array([float(load[one]) for one in days])

    def widened(rows, columns):
        return numpy.hstack([rows, columns])

    # The places, then the largest load.
    largest = solved(
        [0.0] * count + [1.0],
        [LinearConstraint(widened(once, numpy.zeros((len(items), 1))), 1, 1),
         LinearConstraint(widened(put, -numpy.ones((number, 1))), -numpy.inf, -stands)],
        [1] * count + [0],
        [1.0] * count + [numpy.inf],
    )
    most = round(largest[-1])
    # The places, then how far each load is from the mean.
    off_mean = sum(stands) / number + sum(item["minutes"] for item in items) / number - stands
    evenest = solved(
        [0.0] * count + [1.0] * number,
        [LinearConstraint(widened(once, numpy.zeros((len(items), number))), 1, 1),
         LinearConstraint(widened(put, numpy.zeros((number, number))), -numpy.inf, most - stands),
         LinearConstraint(widened(put, -numpy.eye(number)), -numpy.inf, off_mean),
         LinearConstraint(widened(put, numpy.eye(number)), off_mean, numpy.inf)],
        [1] * count + [0] * number,
        [1.0] * count + [numpy.inf] * number,
    )
    taken = [place for place, share in zip(places, evenest, strict=False) if share > 0.5]
    # Counted again in whole minutes: nothing rests on the solver's arithmetic but that no placement is better.
    assert [item for item, _ in taken] == items, "each item once"
    for item, one in taken:
        load[one] += item["minutes"]
    assert max(load.values()) == most, (load, most)
    return load


def distance(load):
    """The mean distance of the loads from their mean, in minutes."""
    middle = Fraction(sum(load.values()), len(load))
    return sum(abs(minutes - middle) for minutes in load.values()) / len(load)


def best_of_all(items, base):
    """(largest load, distance) of the best of all placements, or None where they are too many to try."""
    if math.prod(len(item["candidates"]) for item in items) > MOST_TRIED:
        return None
    best = None
    for days in itertools.product(*(item["candidates"] for item in items)):
        load = standing(items, base)
        for item, one in zip(items, days, strict=True):
            load[one] += item["minutes"]
        if best is None or max(load.values()) <= best[0]:
            found = (max(load.values()), distance(load))
            best = min(best or found, found)
    return best


def share_that_moves(items, one_more, base):
    before, _ = placed_by_us(items, base)
    after, _ = placed_by_us([*items, one_more], base)
    return Fraction(sum(before[key] != after[key] for key in before), len(before))


def quantile(values, of_hundred):
    """The smallest value that so many of a hundred do not exceed."""
    return sorted(values)[math.ceil(len(values) * of_hundred / 100) - 1]


def described(title, results):
    gaps = [ours - best for ours, best in results]
    percents = [100 * (ours - best) / best for ours, best in results]
    return [
        title,
        f"  optimal: {sum(gap == 0 for gap in gaps)} ({100 * mean(gap == 0 for gap in gaps):.1f} %)",
        f"  gap of the largest load, mean: {mean(gaps):.2f} minutes, {mean(percents):.2f} %",
        f"  gap of the largest load, 90th of 100: {quantile(gaps, 90)} minutes, {quantile(percents, 90):.2f} %",
        f"  gap of the largest load, worst: {max(gaps)} minutes, {max(percents):.2f} %",
    ]


def figures():
    rng = random.Random(SEED)
    results, undecided, distances, moved, tried = [], [], [], [], 0
    for _ in range(CASES):
        items, one_more, base = drawn_case(rng)
        _, ours = placed_by_us(items, base)
        best = best_loads(items, base)
        found = (max(ours.values()), max(best.values()))
        results.append(found)
        if found[1] > max(standing(items, base).values()):
            undecided.append(found)
        distances.append((distance(ours), distance(best)))
        witness = best_of_all(items, base)
        if witness is not None:
            tried += 1
            assert witness == (max(best.values()), distance(best)), (witness, best)
        moved.append(share_that_moves(items, one_more, base))
    versions = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in ["scipy", "numpy"])
    lines = [
        "tests/oracles/levelling_gap.py tests/oracles/levelling_gap.txt, as tests/oracles/make runs it",
        f"{versions}; the solver is HiGHS, as scipy brings it; seed {SEED}; {CASES} cases of 3 to 12 items of 5 to 45 minutes on 3 to 8 days",
        f"in {tried} cases every placement was tried: the solver's was the best in each",
        "",
        *described(f"all {len(results)} cases", results),
        *described(f"the {len(undecided)} cases in which the standing load alone does not decide it", undecided),
        "distance of the loads from their mean, mean of all cases",
        f"  ours {float(mean(one for one, _ in distances)):.2f} minutes, "
        f"the solver's {float(mean(other for _, other in distances)):.2f}",
        "share of a period's items that move when one more comes",
        f"  mean {100 * float(mean(moved)):.1f} %, 90th of 100 {100 * float(quantile(moved, 90)):.1f} %, "
        f"none moves in {sum(share == 0 for share in moved)} cases",
    ]
    return "\n".join(lines) + "\n"


def main():
    if len(sys.argv) != 2:
        sys.exit(f"usage: {sys.argv[0]} FILE | --check")
    text = figures()
    if sys.argv[1] != "--check":
        Path(sys.argv[1]).write_text(text, encoding="utf-8")
        print(text, end="")
    elif text != FIGURES.read_text(encoding="utf-8"):
        sys.exit(f"{FIGURES.name} differs; now it would be\n\n{text}")
    else:
        print(f"same  {FIGURES.name}")


if __name__ == "__main__":
    main()
