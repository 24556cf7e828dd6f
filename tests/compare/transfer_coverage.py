"""How often all intervals of a road's transfer hold their true ratios at once; run it for the full count.

`python -m tests.compare.transfer_coverage [RUNS]` invents RUNS sets of passes whose gains vary in all 17 bands, puts
them through `road_transfer`, and prints the share of sets that hold in every band, next to that of scipy's Welch
intervals with Bonferroni's share each and no limit on the degrees of freedom.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy import stats
from towertap.bench.carried import KINDS, BenchSummary
from towertap.compare.sections.transfer.bands import NAMES, PassTransfer, road_transfer

from tests.compare import band_coverage

BENCH = BenchSummary("box", {}, dict.fromkeys(KINDS), (0.0, 0.0, 0.0), None, None)
BANDS = len(NAMES)
SPREAD = 0.02
"""Standard deviation of the logarithm of a band's gain from pass to pass."""

PASSES = {"2 + 2": (2, 2), "3 + 3": (3, 3), "4 + 4": (4, 4), "2 + 6": (2, 6), "3 + 6": (3, 6)}
SPREADS = {
    "1:1": (1.0, 1.0),
    "1:3": (1.0, 3.0),
    "3:1": (3.0, 1.0),
    "alternating, band by band": (np.where(np.arange(BANDS) % 2, 3.0, 1.0), np.where(np.arange(BANDS) % 2, 1.0, 3.0)),
}
BANDS_VARY = {"together": {}, "each alone": {"common": 0.0, "alike": 0.0}}


def coherent_pass(side, number, gain):
    """A pass that is coherent in every band, with `gain` (bands,)."""
    every = (0.9,) * BANDS, (0.1,) * BANDS
    names = f"{side}-{number}-sill", f"{side}-{number}-arm"
    return PassTransfer(*names, number, 0.0, 0.0, 0.0, 9, 9, 50.0, tuple(gain.tolist()), *every, BENCH, None, side)


def all_hold(runs, passes, spreads, seed=1, **how):
    """Share of sets whose intervals all hold the true ratio, 1, through `road_transfer`, and by scipy's Welch."""
    rng, ours, plain = np.random.default_rng(seed), 0, 0
    for _ in range(runs):
        sides = [
            SPREAD * spread * band_coverage.straying(rng, n, BANDS, **how)
            for n, spread in zip(passes, spreads, strict=True)
        ]
        driven = [
            coherent_pass(side, number, gain)
            for side, logs in zip(("before", "after"), sides, strict=True)
            for number, gain in enumerate(np.exp(logs), 1)
        ]
        road = road_transfer("lane", ("arm", "sill"), ("rubber", "polyurethane"), driven, ())
        ours += all(band.interval[0] <= 1 <= band.interval[1] for band in road.bands)
        plain += np.all(stats.ttest_ind(sides[1], sides[0], equal_var=False).pvalue >= 0.05 / BANDS)
    return ours / runs, plain / runs


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for stray, how in BANDS_VARY.items():
        for passes, counts in PASSES.items():
            for spreads, ratio in SPREADS.items():
                ours, plain = all_hold(runs, counts, ratio, **how)
                print(f"bands vary {stray}; {passes}; spread {spreads}: all hold {ours:.4f}; plain {plain:.4f}")
