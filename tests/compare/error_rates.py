"""Error rates of the whole way from drives to verdict; run it for the full count.

`python tests/compare/error_rates.py [RUNS]` invents RUNS sets of drives whose passes share the road's places, with
correlated samples, heavy-tailed roads and a level of each pass's own, aligns each set once, compares it as it is and
with the part a given number of times as rough, and prints what came out.
"""

from __future__ import annotations

import runpy
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from towertap.compare.findings.find import find
from towertap.compare.study import lay_out

RATIOS = {"no change": 1.0, "at the margin": 1.1, "at the margin, below": 1 / 1.1, "8 % gentler": 0.92}


def findings(make, seeds, levels=(14.0, 20.0, 40.0), **options):
    """By true ratio, the findings of as many drives as seeds; the level of the road goes round by the seed."""
    by_ratio = {name: [] for name in RATIOS}
    for seed in seeds:
        drives = make.driven(seed, level=levels[seed % len(levels)], **options)
        study = lay_out(drives, 0.10, 0.95, ["jerk_z"], None)
        for name, ratio in RATIOS.items():
            by_ratio[name].extend(find(make.rougher(study, ratio), None))
    return by_ratio


def rates(by_ratio):
    """What came out of `findings`, by true ratio: shares, and the mean ratio in percent of the true one."""
    return {name: _row(RATIOS[name], of_ratio) for name, of_ratio in by_ratio.items()}


def _row(ratio, of_ratio):
    logs = np.log([finding.ratio for finding in of_ratio])
    return {
        "by places": np.mean([finding.basis == "rough places" for finding in of_ratio]),
        "different": np.mean([finding.verdict in ("harsher", "gentler") for finding in of_ratio]),
        "equivalent": np.mean([finding.verdict == "equivalent" for finding in of_ratio]),
        "covers": np.mean([finding.interval[0] <= ratio <= finding.interval[1] for finding in of_ratio]),
        "finding shows, %": 100 * np.expm1(logs.mean()),
        "its error, %": 100 * logs.std() / len(logs) ** 0.5,
    }


def _chunk(seeds):
    return findings(SimpleNamespace(**runpy.run_path(str(Path(__file__).with_name("invented.py")))), seeds)


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    together = {}
    with ProcessPoolExecutor(2) as pool:
        for chunk in pool.map(_chunk, [range(start, min(start + 100, runs)) for start in range(0, runs, 100)]):
            for name, of_ratio in chunk.items():
                together.setdefault(name, []).extend(of_ratio)
            print(f"{len(next(iter(together.values())))} of {runs}", file=sys.stderr, flush=True)
    for name, row in rates(together).items():
        print(name, *(f"{what} {value:.4g}" for what, value in row.items()), sep="; ")
