"""One lorry in one of eight passes, from drives to finding; run it for the full count.

`python -m tests.compare.burst_rates [RUNS]` invents RUNS sets of four and four passes, each set over a road of its
own as in `error_rates.py`, aligns each once, and makes the part 9 % gentler or leaves it unchanged. It prints how often
a change is shown on these drives without a burst, with one in one pass after (a second and a half, eight times as
loud), and with it if no place were left out; and how often the pass is named.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from towertap.compare.findings.find import find
from towertap.compare.stats.contrast import pass_contrast
from towertap.compare.study import lay_out

from tests.compare import invented

MARGIN, LOUDER, LASTS_S = 0.05, 8.0, 1.5
RATIOS = {"9 % gentler": 0.91, "no change": 1.0}


def rows(make, seeds, **options):
    """For each ratio, a row per set: shown without a burst, with it, with it over all places, named, named rightly."""
    by_ratio = {name: [] for name in RATIOS}
    for seed in seeds:
        study = lay_out(make.driven(seed, level=40.0, **options), MARGIN, ["jerk_z"], None)
        draw = np.random.default_rng([seed, 11])
        loud = [drive.name for drive in study.roads[0].of("after")][draw.integers(4)]
        place = draw.uniform(0.2, 0.8)
        for name, ratio in RATIOS.items():
            changed = make.rougher(study, ratio)
            burst = make.changed(
                changed, lambda drive, at=place, who=loud: lorry(make, drive, at) if drive.name == who else drive
            )
            calm, shaken = (find(study, None)[1][0] for study in (changed, burst))
            (road,) = burst.roads
            levels = road.places.over("jerk_z", np.ones(len(road.places.edges_s), bool))
            every = pass_contrast(np.log([levels[drive.name] for drive in road.passes]), road.design.after)
            named = shaken.loud_passes[:1]
            shown = [finding.p_difference is not None and finding.p_difference < 0.05 for finding in (calm, shaken)]
            by_ratio[name].append((*shown, every.p_difference() < 0.05, bool(named), named == (loud,)))
    return by_ratio


def lorry(make, drive, at):
    """The same pass with a lorry beside it, at the fraction `at` of its time."""
    start_s, levels = drive.cells["start_s"], make.levels_of(drive)
    middle_s = at * start_s[-1]
    beside = (start_s >= middle_s) & (start_s <= middle_s + LASTS_S)
    return make.of_cells(drive, levels | {"jerk_z": levels["jerk_z"] * np.where(beside, LOUDER, 1.0)})


def shares(by_ratio):
    """Shares of the sets, by true ratio."""
    names = ("without a burst", "with it", "with it, over all places", "a pass named", "the right one")
    return {name: dict(zip(names, np.mean(sets, axis=0), strict=True)) for name, sets in by_ratio.items()}


def _chunk(seeds):
    return rows(invented, seeds)


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    together = {name: [] for name in RATIOS}
    with ProcessPoolExecutor(2) as pool:
        for chunk in pool.map(_chunk, [range(start, min(start + 25, runs)) for start in range(0, runs, 25)]):
            for name, sets in chunk.items():
                together[name].extend(sets)
    for name, row in shares(together).items():
        print(name, *(f"{what} {100 * value:.1f}" for what, value in row.items()), sep="; ")
