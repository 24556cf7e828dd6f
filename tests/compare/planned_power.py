"""How often the verdict reaches what the plan promised, over whole invented comparisons; run it for the full count.

`python tests/compare/planned_power.py [RUNS]` prints, for plans of 80 % power, the share of comparisons in which the
test planned for came out, beside the power that the plan told for its whole number of passes: means over roads, each
with a spread and a plan of its own.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from towertap.compare.comparison import compare
from towertap.compare.stats.ratio import energy_mean
from towertap.compare.stats.power import difference_power, equivalence_power, pilot_spread, strength

MARGIN, MOST_PASSES, ROADS = 0.10, 16, 10


def reached(invented, runs, pass_spread, seed=1):
    """Of both tests: passes a side, planned power, and the shares in which the test and its verdict came out.

    One road, which is the seed's; the spread that the plan takes is that of all its passes, so that what is judged is
    the power and not the luck of a pilot.
    """

    n = (runs * MOST_PASSES,) * 2
    drives = invented(seed, n=n, roads={"lane": 60.0}, pass_spread=pass_spread, seconds=60)
    figures = [energy_mean(one.windows["jerk_z"]) for one in drives.of("lane", "before")]
    spread = pilot_spread([figures]).value
    plan = strength(MARGIN, spread, 2)
    different, equal = plan.difference_needed, plan.equivalence_needed
    shown = [one.findings[0] for one in compared(drives, different, runs, 1 + MARGIN)]
    held = [one.findings[0] for one in compared(drives, equal, runs, 1.0)]
    return {
        "difference": (
            different,
            difference_power(1 + MARGIN, spread, different),
            np.mean([one.p_difference_holm < 0.05 for one in shown]),
            np.mean([one.verdict == "harsher" for one in shown]),
        ),
        "equivalence": (
            equal,
            equivalence_power(MARGIN, spread, equal),
            np.mean([one.p_equivalence_holm < 0.05 for one in held]),
            np.mean([one.verdict == "equivalent" for one in held]),
        ),
    }


def compared(drives, passes, runs, ratio):
    """One comparison after the other, each of so many passes a side of the rough road that no other one has.

    Those after the change are made `ratio` times as rough.
    """
    smooth = [one for side in ("before", "after") for one in drives.of("bypass", side)[:4]]
    rough = [drives.of("lane", side) for side in ("before", "after")]
    for run in range(runs):
        before, after = (side[run * passes : (run + 1) * passes] for side in rough)
        dealt = [
            *before,
            *(replace(one, windows=one.windows.assign(jerk_z=one.windows.jerk_z * ratio)) for one in after),
        ]
        yield compare(replace(drives, passes=(*smooth, *dealt)), MARGIN, metrics=["jerk_z"], gate="windows")


def main(runs):
    from conftest import invented  # beside this file

    print(f"{ROADS * (runs // ROADS)} comparisons each over {ROADS} roads\n")
    print("spread  test          passes  planned  reached  as the verdict")
    for spread in (0.02, 0.04):
        roads = [reached(invented, runs // ROADS, spread, seed) for seed in range(1, ROADS + 1)]
        for name in roads[0]:
            passes, planned, share, verdict = np.mean([road[name] for road in roads], axis=0)
            print(
                f"{spread:6.2f}  {name:12s}  {passes:6.1f}  {planned:7.3f}  {share:7.3f}  {verdict:14.3f}", flush=True
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
