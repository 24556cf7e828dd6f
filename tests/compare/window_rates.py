"""False alarms of a t-test over windows, which is common practice; run it for the full count.

`python -m tests.compare.window_rates [RUNS]` invents RUNS sets of 4 + 4 passes of 60 s over one road, with windows
correlated 0.6 from one to the next and a level of each pass's own. It prints how often Student's test over all windows,
by scipy, and the tests over passes show a difference with nothing changed.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy import stats
from towertap.compare.stats.contrast import ALPHA, contrast, verdict

from tests.compare import invented

PASSES, SECONDS, SPREADS = 4, 60, (0.03, 0.06)


def false_alarms(make, seeds, pass_spread):
    """Shares of sets shown different by the windows and by the passes."""
    by_windows, by_passes = [], []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        profile = make.road_profile(rng, SECONDS)
        sides = [[make.windows(rng, profile, 60.0, pass_spread) for _ in range(PASSES)] for _ in ("before", "after")]
        by_windows.append(stats.ttest_ind(*(np.concatenate(side) for side in sides)).pvalue < ALPHA)
        passes = contrast(*([make.rms(windows) for windows in side] for side in sides), 0.10)
        by_passes.append(verdict(passes.ratio, passes.p_difference, passes.p_equivalence) in ("harsher", "gentler"))
    return np.mean(by_windows), np.mean(by_passes)


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for pass_spread in SPREADS:
        windows, passes = false_alarms(invented, range(runs), pass_spread)
        print(f"passes vary by {pass_spread:.0%}: shown different by windows {windows:.3f}, by passes {passes:.3f}")
