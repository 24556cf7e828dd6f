"""The table of designs, planned power against reached, the passes asked for, and the effect of the margin.

`python -m tests.compare.stats.planned_designs [SETS]` prints, for passes that vary by 4 % and installations and days by
3 %: for each design its work and its power about the part; the largest difference between the planned power and that of
SETS other sets (2,000 by default); the cheapest design for 10 % at 80 %; how many passes an estimated spread asks for;
and how often a change is called equivalent at margins of 10 and 6.7 %.
"""

from __future__ import annotations

import sys
from functools import cache, partial

import numpy as np
from scipy.special import chdtri
from statsmodels.stats.power import TTestIndPower
from towertap.compare.plan.choice import DRIFT_CANCELS
from towertap.compare.stats.part import ASSUMED_SD, Beforehand, statements
from towertap.compare.stats.planning import (
    DESIGNS,
    MOST_PASSES,
    PlannedDesign,
    cheapest,
    invented,
    passes_needed,
    power_of,
    reach,
    sets_of,
)

PASS_SD = 0.04
CHOICES = range(2, MOST_PASSES + 1)
CHANGES = (0.0, 0.03, 0.05, 0.067, 0.08, 0.10)


def table(passes, pass_sd=PASS_SD):
    """What each design can do with at least `passes` per side that its stretches share equally."""
    return [reach(planned, -(-passes // planned.shares) * planned.shares, pass_sd) for planned in DESIGNS]


def reached(able, sets, seed, pass_sd=PASS_SD):
    """The power about the part of the same design in other sets, for the same changes."""
    design = able.planned.design(able.planned.per_stretch(able.passes))
    both = statements(invented(design, (pass_sd, ASSUMED_SD, ASSUMED_SD), sets, seed), design)
    return power_of(sets_of(both.part), 0.10, able.changes).told


@cache
def power(spread, passes):
    """Power to show 10 % on these drives, one change on one day, by statsmodels' t-test."""
    return TTestIndPower().power(np.log(1.1) / spread, passes, 0.05)


def rounded(spread, passes):
    """The power for a spread rounded to 0.1 %, so that few are computed."""
    return power(round(float(spread), 3), passes)


def asked(df, runs, true_sd=0.05, seed=1):
    """Passes asked for from `runs` estimates with df degrees of freedom, their assurance, and a safe limit's passes."""
    draw = np.random.default_rng(seed)
    rows = []
    for spread in true_sd * np.sqrt(draw.chisquare(df, runs) / df):
        needed = passes_needed(rounded, spread, df, CHOICES) or (MOST_PASSES, np.nan)
        limit = spread * np.sqrt(df / chdtri(df, 0.8))
        safe = next((passes for passes in CHOICES if rounded(limit, passes) >= 0.8), MOST_PASSES)
        rows.append((*needed, safe))
    return np.array(rows).T


def equivalent(order, passes, margin, change, statement, true_sd=ASSUMED_SD, sets=20_000):
    """How often a true change is called equivalent, on these drives or about the part."""
    planned = PlannedDesign(order)
    design = planned.design(planned.per_stretch(passes))
    given = getattr(statements(invented(design, (PASS_SD, true_sd, true_sd), sets, 5), design), statement)
    return np.mean(np.abs(given.difference + np.log1p(change)) < np.log1p(margin) - given.half_width(0.10))


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print("design; order; refits; days; passes per side; power about the part at 3, 5, 8, 10 %; equivalent; drives")
    apart = []
    for passes in (6, 12):
        for seed, able in enumerate(table(passes)):
            apart.append(max(abs(a - b) for a, b in zip(reached(able, sets, [7, seed]), able.part.told, strict=True)))
            planned = able.planned
            print(planned.name, planned.order, planned.refits, planned.days, able.passes, sep="; ", end="; ")
            print(
                *(f"{100 * p:.0f}" for p in able.part.told),
                f"equivalent {100 * able.part.equivalent:.0f}",
                sep="; ",
                end="; ",
            )
            print("drives", *(f"{100 * p:.0f}" for p in able.drives.told), flush=True)
    print(f"planned and reached differ by {100 * max(apart):.1f} points at most")
    for roads in (1, 2, 3):
        for stated in (None, 0.02, 0.01):
            known = (Beforehand(stated_sd=stated),) * 2
            able = partial(reach, pass_sd=PASS_SD / np.sqrt(roads), known=known, changes=(0.10,))
            chosen = cheapest(able, designs=DRIFT_CANCELS)
            print(f"{roads} rough road(s), stated {stated}:", chosen and (chosen.planned.order, chosen.passes))
    truly = next(passes for passes in CHOICES if power(0.05, passes) >= 0.8)
    for df in (3, 4, 6, 10, 20):
        passes, assurance, safe = asked(df, 1000)
        real = np.mean([power(0.05, int(number)) for number in passes])
        print(f"{df} df: {truly} needed, asked for {np.median(passes):.0f} ({np.quantile(passes, 0.1):.0f} to", end=" ")
        print(
            f"{np.quantile(passes, 0.9):.0f}), power {real:.2f}, assurance reported {np.nanmean(assurance):.2f},",
            end=" ",
        )
        print(f"enough in {np.mean(passes >= truly):.2f}; on the safe side {np.median(safe):.0f}", flush=True)
    print("called equivalent at a true change of 0, 3, 5, 6.7, 8, 10 %")
    for order, passes in (("A;B", 6), ("AB|B'A", 6), ("AB|B'A", 16)):
        for statement in ("drives", "part"):
            for margin in (0.10, 0.067):
                row = [equivalent(order, passes, margin, change, statement) for change in CHANGES]
                print(f"{order}, {passes} + {passes}, {statement}, margin {margin:.1%}", end=": ")
                print(*(f"{100 * share:.0f}" for share in row), flush=True)
