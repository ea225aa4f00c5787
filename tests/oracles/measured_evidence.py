#!/usr/bin/env python3
"""Writes measured_evidence.json: figures of the measured evidence, worked out by programs that are not ours.

limits      exact (Garwood) limits of a Poisson mean from SciPy's quantiles of chi-square: the two-sided
            pair and the one-sided upper limit, at three levels of confidence.
most        the most colonies whose one-sided upper limit does not exceed a mean, by SciPy's `poisson.cdf`
            alone, so by another road than the limits.
reductions  log10 of a quotient by Python's `decimal` to 40 digits, and the percentage as a fraction.
lethality   readings of a made-up cycle, summed with `numpy.trapezoid` and as a plain sum of samples.
dilutions   C1*V1 = C2*V2 with Python's `fractions`.

The draws are seeded; what is drawn is text or whole numbers, so that both sides read the same figures.
"""

import json
import random
import sys
from decimal import Decimal, getcontext
from fractions import Fraction

import numpy
import scipy
from scipy.stats import chi2, poisson

getcontext().prec = 40
COUNTS = [*range(0, 301), 400, 463, 500, 750, 1000, 2000, 5000, 10000]


def short(value):
    """Twelve digits: more than a plate can mean, fewer than platforms differ in."""
    return float(f"{value:.12g}")


def limits(confidence):
    alpha = 1 - confidence
    for k in COUNTS:
        lower = 0 if k == 0 else chi2.ppf(alpha / 2, 2 * k) / 2
        upper = chi2.ppf(1 - alpha / 2, 2 * k + 2) / 2
        yield [k, short(lower), short(upper), short(chi2.ppf(confidence, 2 * k + 2) / 2)]


def most_colonies(mean, confidence):
    """-1 where not even a plate without colonies is enough."""
    k = -1
    while poisson.cdf(k + 1, mean) <= 1 - confidence:
        k += 1
    return k


def reductions(rng):
    for _ in range(200):
        before = Decimal(rng.randint(1, 10**7)) / 10 ** rng.randint(0, 3)
        after = Decimal(rng.randint(1, 10**5)) / 10 ** rng.randint(0, 4)
        yield [str(before), str(after), f"{(before / after).log10():.12f}", f"{(1 - after / before) * 100:.12f}"]


def cycles(rng):
    for _ in range(40):
        seconds, celsius, at = [], [], 0
        even = rng.random() < 0.5
        step = rng.randint(1, 60)
        for _ in range(rng.randint(2, 40)):
            seconds.append(at)
            celsius.append(rng.randint(400, 1380))
            at += step if even else rng.randint(1, 90)
        t = numpy.array(celsius) / 10
        f0 = 10 ** ((t - 121.1) / 10)
        a0 = numpy.where(t >= 65, 10 ** ((t - 80) / 10), 0)
        samples = {"f0": short(f0.sum() * step / 60), "a0": short(a0.sum() * step)} if even else None
        yield {
            "seconds": seconds,
            "tenths_celsius": celsius,
            "trapezoid": {
                "f0": short(numpy.trapezoid(f0, seconds) / 60),
                "a0": short(numpy.trapezoid(a0, seconds)),
            },
            "samples": samples,
        }


def dilutions(rng):
    per_unit = {"percent": 10000, "milligram_per_litre": 1, "part_per_million": 1}
    for _ in range(100):
        units = rng.choice(list(per_unit)), rng.choice(list(per_unit))
        stock_mg = rng.randint(1000, 400000)
        wanted_mg = rng.randint(1, stock_mg)
        stock, wanted = (Decimal(mg) / per_unit[unit] for mg, unit in zip((stock_mg, wanted_mg), units))
        volume = rng.randint(100, 20000)
        share = Fraction(wanted_mg, stock_mg) * volume
        exact = Decimal(share.numerator) / Decimal(share.denominator)
        yield [f"{stock:f}", units[0], f"{wanted:f}", units[1], str(volume), f"{exact:.20f}"]


def main(path):
    rng = random.Random(20261126)
    document = {
        "about": "see the head of measured_evidence.py",
        "made_by": "tests/oracles/measured_evidence.py",
        "make_again": "tests/oracles/make",
        "scipy": scipy.__version__,
        "numpy": numpy.__version__,
        "limits": [{"confidence": c, "rows": list(limits(c))} for c in (0.9, 0.95, 0.99)],
        "most": [
            [str(mean), c, most_colonies(mean, c)]
            for c in (0.9, 0.95, 0.99)
            for mean in (1, 2, 2.5, 3, 4, 5, 10, 20, 25, 50, 100, 250, 500, 1000)
        ],
        "reductions": list(reductions(rng)),
        "lethality": list(cycles(rng)),
        "dilutions": list(dilutions(rng)),
    }
    with open(path, "w", encoding="utf-8") as file:
        text = json.dumps(document, separators=(",", ":"))
        # One line for each part, so that a diff says which of them moved.
        for part in ("limits", "most", "reductions", "lethality", "dilutions"):
            text = text.replace(f'"{part}":', f'\n"{part}":')
        file.write(text + "\n")


if __name__ == "__main__":
    main(sys.argv[1])
