"""Error rates of verdicts on these drives, from drives to verdict; run it for the full count.

`python -m tests.compare.error_rates [RUNS]` invents RUNS sets of drives whose passes share the road's places, with
correlated samples, heavy-tailed roads and a level of each pass's own. It aligns each set once, compares it unchanged
and with the part changed by several ratios, and prints the rates.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from towertap.compare.stats.contrast import pass_contrast
from towertap.compare.study import lay_out

from tests.compare import invented

MARGIN = 0.10
RATIOS = {"no change": 1.0, "at the margin": 1.1, "at the margin, below": 1 / 1.1, "8 % gentler": 0.92}


def contrasts(make, seeds, levels=(14.0, 20.0, 40.0), **options):
    """For each true ratio, the basis and the contrast over passes for every seed.

    The road's level rotates with the seed.
    """
    by_ratio = {name: [] for name in RATIOS}
    for seed in seeds:
        drives = make.driven(seed, level=levels[seed % len(levels)], **options)
        study = lay_out(drives, MARGIN, ["jerk_z"], None)
        for name, ratio in RATIOS.items():
            (road,) = make.rougher(study, ratio).roads
            rough = road.rough["jerk_z"]
            logs = np.log([rough.value(drive).value for drive in road.passes])
            by_ratio[name].append((rough.basis, pass_contrast(logs, road.design.after)))
    return by_ratio


def rates(by_ratio):
    """Rates from `contrasts` by true ratio: shares, and the mean change in percent."""
    return {name: _row(RATIOS[name], *zip(*sets, strict=True)) for name, sets in by_ratio.items()}


def _row(ratio, bases, students):
    verdicts = [student.verdict(MARGIN) for student in students]
    differences = np.array([student.difference for student in students])
    intervals = [student.interval() for student in students]
    return {
        "by places": np.mean([basis == "rough places" for basis in bases]),
        "different": np.mean([verdict in ("harsher", "gentler") for verdict in verdicts]),
        "equivalent": np.mean([verdict == "equivalent" for verdict in verdicts]),
        "covers": np.mean([low <= ratio <= high for low, high in intervals]),
        "finding shows, %": 100 * np.expm1(differences.mean()),
        "its error, %": 100 * differences.std() / differences.size**0.5,
    }


def _chunk(seeds):
    return contrasts(invented, seeds)


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    together = {}
    with ProcessPoolExecutor(2) as pool:
        for chunk in pool.map(_chunk, [range(start, min(start + 100, runs)) for start in range(0, runs, 100)]):
            for name, sets in chunk.items():
                together.setdefault(name, []).extend(sets)
            print(f"{len(next(iter(together.values())))} of {runs}", file=sys.stderr, flush=True)
    for name, row in rates(together).items():
        print(name, *(f"{what} {value:.4g}" for what, value in row.items()), sep="; ")
