"""How often the verdict reaches what the plan promised, from windows to verdict; run it for the full count.

`python tests/compare/planned_power.py [RUNS]` prints, for plans of 80 % power, the share of comparisons in which the
test planned for came out, beside the power that the plan told for its whole number of passes: means over roads, each
with a spread and a plan of its own.
"""

from __future__ import annotations

import runpy
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from towertap.compare.findings.find import verdict
from towertap.compare.stats.contrast import ALPHA
from towertap.compare.stats.power import difference_power, equivalence_power, pilot_spread, strength
from towertap.compare.stats.ratio import contrast

MARGIN, MOST_PASSES, ROADS, SECONDS = 0.10, 16, 10, 60


def reached(make, runs, pass_spread, seed=1):
    """Of both tests: passes a side, planned power, and the shares in which the test and its verdict came out.

    One road, which is the seed's; the spread that the plan takes is that of all its passes, so that what is judged is
    the power and not the luck of a pilot.
    """
    rng = np.random.default_rng(seed)
    profile = make.road_profile(rng, SECONDS)
    values = np.array(
        [
            [make.rms(make.windows(rng, profile, 60.0, pass_spread)) for _ in range(runs * MOST_PASSES)]
            for _ in ("before", "after")
        ]
    )
    spread = pilot_spread([values[0]]).value
    plan = strength(MARGIN, spread, 2)
    different, equal = plan.difference_needed, plan.equivalence_needed
    changed, alike = compared(values, different, runs, 1 + MARGIN), compared(values, equal, runs, 1.0)
    return {
        "difference": (
            different,
            difference_power(1 + MARGIN, spread, different),
            np.mean([of.p_difference < ALPHA for of in changed]),
            np.mean([decided(of) == "harsher" for of in changed]),
        ),
        "equivalence": (
            equal,
            equivalence_power(MARGIN, spread, equal),
            np.mean([of.p_equivalence < ALPHA for of in alike]),
            np.mean([decided(of) == "equivalent" for of in alike]),
        ),
    }


def compared(values, passes, runs, ratio):
    """Contrasts, each of so many passes a side of its own, those after made `ratio` times as rough."""
    before, after = values[:, : runs * passes].reshape(2, runs, passes)
    return [contrast(*sides, MARGIN) for sides in zip(before, ratio * after, strict=True)]


def decided(of):
    """The verdict of a contrast that is the only one of its family."""
    return verdict(of.ratio, of.p_difference, of.p_equivalence, ALPHA)


def main(runs):
    make = SimpleNamespace(**runpy.run_path(str(Path(__file__).with_name("invented.py"))))
    print(f"{ROADS * (runs // ROADS)} comparisons each over {ROADS} roads\n")
    print("spread  test          passes  planned  reached  as the verdict")
    for spread in (0.02, 0.04):
        roads = [reached(make, runs // ROADS, spread, seed) for seed in range(1, ROADS + 1)]
        for name in roads[0]:
            passes, planned, shown, verdicts = np.mean([road[name] for road in roads], axis=0)
            print(
                f"{spread:6.2f}  {name:12s}  {passes:6.1f}  {planned:7.3f}  {shown:7.3f}  {verdicts:14.3f}", flush=True
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
