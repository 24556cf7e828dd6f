"""Error rates of a part's trend and of its changes since the first fit.

`python -m tests.wear.wear_trend [RUNS]` invents RUNS sets of sessions in which days and passes within a day vary, on
logarithms. It prints the error rates of the trend with the session as the unit, of the line through all passes as if
they were independent, and of the changes of single days against the first.
"""

from __future__ import annotations

import math
import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from scipy import stats
from towertap.compare.stats.contrast import holm
from towertap.wear.trend import against_first, days_against_passes, fit_line, months_to

MARGIN = 0.10
CASES = {
    "five days of four passes, days and passes vary 3 %": {},
    "the same, at the margin on the last day": {"slope": math.log1p(MARGIN) / 6},
    "the same, level": {"slope": 0.0},
    "three days": {"months": (0, 2, 5)},
    "eight days, unevenly spaced, of 2 to 6 passes": {"months": (0, 1, 2, 3, 5, 8, 9, 12), "passes": (2, 7)},
    "days vary 6 %": {"day_spread": 0.06},
    "days do not vary, level": {"day_spread": 0.0, "slope": 0.0},
    "days do not vary, level, passes vary 1.5 to 6 %": {"day_spread": 0.0, "slope": 0.0, "uneven": 2.0},
}


def driven(rng, months=(0, 1.5, 3, 4.5, 6), passes=(4, 5), slope=0.015, day_spread=0.03, pass_spread=0.03, uneven=1.0):
    """Months of each session, logarithms of its passes' levels, and the true slope."""
    days = day_spread * rng.standard_normal(len(months))
    spreads = pass_spread * uneven ** rng.uniform(-1, 1, len(months))
    groups = [
        slope * month + day + spread * rng.standard_normal(rng.integers(*passes))
        for month, day, spread in zip(months, days, spreads, strict=True)
    ]
    return np.array(months, float), groups, slope


def one_set(rng, **case):
    """Outcomes of one set of sessions, as booleans by name."""
    months, groups, slope = driven(rng, **case)
    line = fit_line(months, [group.mean() for group in groups])
    low, high = line.slope_interval()
    through_passes = stats.linregress(np.repeat(months, [group.size for group in groups]), np.concatenate(groups))
    levels = [np.exp(group) for group in groups]
    changes = against_first(levels, MARGIN)
    together = against_first(levels, MARGIN, 0.05 / len(changes))
    truths = np.exp(slope * (months[1:] - months[0]))
    _, earliest, latest = months_to(line, math.log1p(MARGIN))
    seen = months[-1] - months[0]
    due = math.log1p(MARGIN) / slope if slope else math.inf
    return {
        "slope's interval covers": low <= slope <= high,
        "a trend is told": not low <= 0 <= high,
        "by passes as if independent": through_passes.pvalue < 0.05,
        "the day of crossing is covered": earliest <= due <= (math.inf if latest is None else latest),
        "the part is told to have left the margin": latest is not None and latest <= seen,
        "the last day's passes are told to be outside": together[-1].interval[0] > 1 + MARGIN
        or together[-1].interval[1] < 1 / (1 + MARGIN),
        "all intervals of changes cover": all(
            change.interval[0] <= truth <= change.interval[1] for change, truth in zip(together, truths, strict=True)
        ),
        "a change is told on some day": min(holm([change.p_difference for change in changes])) < 0.05,
        "days are told to differ": days_against_passes(months, groups)[1] < 0.05,
    }


def rates(seeds, **case):
    """Share of sets, one per seed, with each outcome, by name."""
    sets = [one_set(np.random.default_rng(seed), **case) for seed in seeds]
    return {name: float(np.mean([outcomes[name] for outcomes in sets])) for name in sets[0]}


def _case(name_and_runs):
    name, runs = name_and_runs
    return name, rates(range(runs), **CASES[name])


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    with ProcessPoolExecutor(2) as pool:
        for name, row in pool.map(_case, [(name, runs) for name in CASES]):
            print(name, *(f"  {what}: {100 * value:.1f} %" for what, value in row.items()), sep="\n", flush=True)
