"""How often counts of knocks are shown different when nothing changed; run it for the full count.

`python -m tests.compare.knocks_error_rates [RUNS]` draws RUNS sets (2,000 by default) of four passes a side, equally
long or one nine times as long as the others, as Poisson counts and as counts that scatter more: with a variance of
several times the mean (a gamma-mixed Poisson count, the negative binomial), or with each pass's own rate (gamma of
shape 4). It prints the shares shown different with nothing changed, with the rate doubled and with none before, and how
often the interval covers the ratio of 1 and of 2, of the sets with any knock.
"""

from __future__ import annotations

import sys
from typing import NamedTuple

import numpy as np
from towertap.compare.stats.rates import rate_ratio

MEANS = (1.0, 4.0, 20.0)
DISPERSIONS = (1.0, 2.0, 4.0)
EQUAL, UNEQUAL = (0.6, 0.6, 0.6, 0.6), (0.2, 0.2, 0.2, 1.8)
"""Minutes of the passes of a side."""


class Shares(NamedTuple):
    """Shares of sets shown different, and of those with a knock whose interval covers the true ratio."""

    different: float
    covered: float


def shares(runs, mean, dispersion, minutes=EQUAL, ratio=1.0, shape=None, none_before=False, seed=1):
    """For sets with `mean` knocks per pass before and `ratio` times as many after, in passes of `minutes`.

    `shape` is that of the gamma of each pass's own rate; None: the variance is `dispersion` times the mean.
    """
    rng = np.random.default_rng(seed)
    exposures = np.array(minutes)
    one_side = mean * exposures / exposures.mean()
    rates = np.tile(np.concatenate([one_side * (0.0 if none_before else 1.0), one_side * ratio]), (runs, 1))
    if shape is not None:
        rates = rates * rng.gamma(shape, 1 / shape, rates.shape)
    elif dispersion > 1:
        rates = rng.gamma(rates / (dispersion - 1), dispersion - 1)
    results = [rate_ratio(row[:4], row[4:], exposures, exposures) for row in rng.poisson(rates)]
    different = [result.p is not None and result.p < 0.05 for result in results]
    covered = [result.interval[0] <= ratio <= result.interval[1] for result in results if result.interval]
    return Shares(float(np.mean(different)), float(np.mean(covered)))


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    scatters = [(f"dispersion {times:g}", {"dispersion": times}) for times in DISPERSIONS]
    scatters.append(("own rates, gamma of shape 4", {"dispersion": 1.0, "shape": 4.0}))
    for length, minutes in (("equal", EQUAL), ("unequal", UNEQUAL)):
        for mean in MEANS:
            for name, scatter in scatters:
                same, doubled = (shares(runs, mean, minutes=minutes, ratio=ratio, **scatter) for ratio in (1.0, 2.0))
                appeared = shares(runs, mean, minutes=minutes, none_before=True, **scatter)
                print(
                    f"{length}, mean {mean:g} a pass, {name}: no change {same.different:.3f}, "
                    f"doubled {doubled.different:.3f}, none before {appeared.different:.3f}; "
                    f"interval covers {same.covered:.3f}, doubled {doubled.covered:.3f}",
                    flush=True,
                )
