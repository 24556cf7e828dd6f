"""Error rates of the whole way from drives to verdict, gated by place and by windows; run it for the full count.

`python tests/compare/error_rates.py [RUNS]` invents RUNS sets of drives whose passes share the road's places, with
correlated samples, heavy-tailed roads and a level of each pass's own, aligns each set once, compares it as it is and
with the part a given number of times as rough, and prints what came out.
"""

from __future__ import annotations

import runpy
import sys
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from towertap.compare import comparison
from towertap.compare.road.places import find_places

RATIOS = {"no change": 1.0, "at the margin": 1.1, "at the margin, below": 1 / 1.1, "8 % gentler": 0.92}


def findings(make, seeds, levels=(14.0, 20.0, 40.0), **options):
    """By gate and true ratio, the findings of as many drives as seeds; the level of the road goes round by the seed."""
    found = {(gate, name): [] for gate in ("places", "windows") for name in RATIOS}
    for seed in seeds:
        drives = make.driven(seed, level=levels[seed % len(levels)], **options)
        places = find_places(drives.of("lane"))
        for name, ratio in RATIOS.items():
            changed = make.times_as_rough(drives, ratio)
            with _aligned(replace(places, passes=changed.of("lane"))):
                for gate in ("places", "windows"):
                    found[gate, name].extend(comparison.compare(changed, metrics=["jerk_z"], gate=gate))
    return found


def rates(found):
    """What came out of `findings`, by true ratio and gate: shares, and the mean ratio in percent of the true one."""
    table = {}
    for (gate, name), ones in found.items():
        ratio = RATIOS[name]
        gated = [
            np.mean([np.log(v.gated) for v in one.after_values]) - np.mean([np.log(v.gated) for v in one.before_values])
            for one in ones
        ]
        table[name, gate] = {
            "by places": np.mean([one.basis == "rough places" for one in ones]),
            "different": np.mean([one.verdict in ("harsher", "gentler") for one in ones]),
            "equivalent": np.mean([one.verdict == "equivalent" for one in ones]),
            "covers": np.mean([one.interval[0] <= ratio <= one.interval[1] for one in ones]),
            "bootstrap covers": np.mean(
                [one.bootstrap_interval[0] <= ratio <= one.bootstrap_interval[1] for one in ones]
            ),
            "permutation p < 0.05": np.mean([one.permutation_p < 0.05 for one in ones]),
            "window t-test p < 0.05": np.mean([(one.window_t_test.p or 1.0) < 0.05 for one in ones]),
            "gate shows, %": 100 * np.expm1(np.nanmean(gated)),
            "its error, %": 100 * np.nanstd(gated) / len(gated) ** 0.5,
            "finding shows, %": 100 * np.expm1(np.mean([np.log(one.ratio) for one in ones])),
        }
    return table


@contextmanager
def _aligned(places):
    """A scaled pass has the same fingerprint: align it once."""
    comparison.find_places = lambda passes: places
    try:
        yield
    finally:
        comparison.find_places = find_places


def _chunk(seeds):
    return findings(SimpleNamespace(**runpy.run_path(str(Path(__file__).with_name("conftest.py")))), seeds)


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    together = {}
    with ProcessPoolExecutor(2) as pool:
        for chunk in pool.map(_chunk, [range(start, min(start + 100, runs)) for start in range(0, runs, 100)]):
            for key, ones in chunk.items():
                together.setdefault(key, []).extend(ones)
            print(f"{len(next(iter(together.values())))} of {runs}", file=sys.stderr, flush=True)
    for key, row in rates(together).items():
        print(*key, *(f"{name} {value:.4g}" for name, value in row.items()), sep="; ")
