"""How often counts of knocks are told different when nothing changed; run it for the full count.

`python tests/compare/knocks_error_rates.py [RUNS]` draws RUNS sets (2,000 by default) of four passes a side at one
rate, as Poisson counts and as counts whose rate strays from pass to pass (gamma; the variance is the dispersion times
the mean), and prints the shares told different with nothing changed and with the rate doubled.
"""

from __future__ import annotations

import sys

import numpy as np
from towertap.compare.knocks import rate_ratio

MEANS = (1.0, 4.0, 20.0)


def told_different(runs, mean, dispersion, ratio=1.0, seed=1):
    """Share of sets with p < 0.05; gamma-mixed Poisson counts (negative binomial) where the dispersion is above 1."""
    rng = np.random.default_rng(seed)
    means = np.repeat([mean, mean * ratio], 4)
    rates = np.tile(means, (runs, 1))
    if dispersion > 1:
        rates = rng.gamma(means / (dispersion - 1), dispersion - 1, rates.shape)
    minutes = np.full(4, 0.5)
    counts = rng.poisson(rates)
    return float(np.mean([rate_ratio(row[:4], row[4:], minutes, minutes).p < 0.05 for row in counts]))


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for mean in MEANS:
        for dispersion in (1.0, 2.0, 4.0):
            shares = [told_different(runs, mean, dispersion, ratio) for ratio in (1.0, 2.0)]
            print(
                f"mean {mean:g} a pass, dispersion {dispersion:g}: no change {shares[0]:.3f}, doubled {shares[1]:.3f}"
            )
