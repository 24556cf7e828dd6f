"""How often the interval of the exponent of speed holds the truth; run it for the full count.

`python tests/compare/exponent_coverage.py [RUNS]` invents RUNS sets of 4 + 4 passes over 20 places whose figures go as
speed to a known power. Every pass has a level of its own (3 %) and a line correlated from place to place (8 %), every
place an effect of the part. Each pass has a speed of its own (3 %) that wanders (2 %). It prints, with the speed known
exactly and with errors of 1 % at each place, the mean exponent and the share of 95 % intervals that hold the truth.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from scipy import signal
from towertap.compare.stats.exponent import exponent

TRUE, PASSES, PLACES = 1.4, 4, 20
ERRORS = (0.0, 0.01)


def along(rng, rows):
    """Values (rows, PLACES) of variance 1, neighbours correlated 0.6."""
    return signal.lfilter([0.8], [1, -0.6], rng.standard_normal((rows, PLACES + 20)))[:, 20:]


def one_set(seed, error=0.0):
    """Logarithms of speed as seen and of figures (passes, places), and which passes are after."""
    rng = np.random.default_rng(seed)
    after = np.arange(2 * PASSES) >= PASSES
    speed = 0.03 * rng.standard_normal((after.size, 1)) + 0.02 * along(rng, after.size)
    place, part = 0.4 * rng.standard_normal(PLACES), 0.1 * rng.standard_normal(PLACES)
    level, line = 0.03 * rng.standard_normal((after.size, 1)), 0.08 * along(rng, after.size)
    return (
        speed + error * rng.standard_normal(speed.shape),
        TRUE * speed + place + after[:, None] * part + level + line,
        after,
    )


def fits(seeds, error):
    """Rows of (exponent, whether its interval holds the truth)."""
    rows = []
    for seed in seeds:
        fit = exponent(*one_set(seed, error))
        rows.append((fit.value, fit.interval[0] <= TRUE <= fit.interval[1]))
    return np.array(rows)


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 4000
    with ProcessPoolExecutor(2) as pool:
        for error, rows in zip(ERRORS, pool.map(fits, [range(runs)] * 2, ERRORS), strict=True):
            print(f"error {error:.0%}: exponent {rows[:, 0].mean():.3f} of {TRUE}; covered {rows[:, 1].mean():.4f}")
