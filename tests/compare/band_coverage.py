"""Coverage of joint intervals of bands, and whether a change in known bands is located; run it for the full count.

`python -m tests.compare.band_coverage [RUNS]` prints, for sets of passes whose bands vary together, how often all
intervals of a set hold their true ratios at once, next to scipy's Welch intervals with Bonferroni's share each and no
limit on the degrees of freedom. It also prints how often RUNS sets of drives with a change in some bands are shown to
have changed in these bands, in that direction, and nowhere else, from cells through alignment to the answer.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
from scipy import signal, stats
from towertap.compare.sections.thirds.bands import where_the_change_is
from towertap.compare.stats.joint import joint_intervals
from towertap.signals.metrics import THIRDS

from tests.compare import invented

BANDS = 25
SPREAD = 0.02
"""Standard deviation of the logarithm of a band's level from pass to pass."""
ALIKE = 0.7
"""Correlation of neighbouring bands in a pass's deviation."""

PASSES = {"2 + 2": (2, 2), "3 + 3": (3, 3), "4 + 4": (4, 4), "6 + 6": (6, 6), "2 + 6": (2, 6), "4 + 8": (4, 8)}
SPREADS = {
    "both alike": (1.0, 1.0),
    "after 3 times": (1.0, 3.0),
    "before 3 times": (3.0, 1.0),
    "alternating, band by band": (np.where(np.arange(BANDS) % 2, 3.0, 1.0), np.where(np.arange(BANDS) % 2, 1.0, 3.0)),
}
CHANGED = {"third_25_z": 1.6, "third_31.5_z": 2.0, "third_40_z": 1.6, "third_10_z": 1 / 1.6}
"""Third-octaves and the ratios put into them, in two parts of the spectrum; all others stay."""
CHANGES = {"in one": {"third_31.5_z": 1.6}, "in four, at two frequencies": CHANGED, "in none": {}}


def straying(rng, passes, bands=BANDS, common=0.5, alike=ALIKE):
    """Deviations of passes, (passes, bands) of variance 1: half in common, half correlated between neighbours."""
    steps = rng.standard_normal((passes, bands + 50))
    waves = signal.lfilter([np.sqrt(1 - alike**2)], [1, -alike], steps)[:, 50:]
    return np.sqrt(common) * rng.standard_normal((passes, 1)) + np.sqrt(1 - common) * waves


def joint_coverage(runs, passes=(4, 4), spreads=(1.0, 1.0), seed=1, **how):
    """Share of sets whose intervals all hold the ratio 1: ours, and scipy's Welch with Bonferroni's share."""
    rng, ours, plain = np.random.default_rng(seed), 0, 0
    for _ in range(runs):
        before, after = (
            SPREAD * spread * straying(rng, count, **how) for count, spread in zip(passes, spreads, strict=True)
        )
        _, low, high = joint_intervals(before, after)
        ours += np.all((low <= 1) & (high >= 1))
        plain += np.all(stats.ttest_ind(after, before, equal_var=False).pvalue >= 0.05 / BANDS)
    return ours / runs, plain / runs


def drives_with_bands(make, seed, changed, **options):
    """Drives with third-octaves in their cells, which follow the road, vary by pass and cell, and change as `changed`.

    With each pass's own level from `driven`, a band varies by 3.6 % from pass to pass.
    """
    drives, rng = make.driven(seed, **options), np.random.default_rng([seed, 2])

    def with_thirds(drive):
        cells = make.levels_of(drive)
        stray = SPREAD * straying(rng, 1, len(THIRDS))[0] + 0.2 * rng.standard_normal((drive.n_cells, len(THIRDS)))
        gain = np.array([changed.get(name, 1.0) if drive.side == "after" else 1.0 for name in THIRDS])
        values = cells["secondary_z"][:, None] * np.exp(stray) * gain
        return make.of_cells(drive, cells | dict(zip(THIRDS, values.T, strict=True)))

    passes = (with_thirds(drive) if drive.road == "lane" else drive for drive in drives.passes)
    return replace(drives, passes=tuple(passes))


def locate(make, seeds, changed, **options):
    """For each seed, the third-octaves shown to have changed, each with its sign, and the number of places."""
    located = []
    for seed in seeds:
        drives = drives_with_bands(make, seed, changed, **options)
        bands = where_the_change_is(make.one_road(drives, "lane"))
        located.append(({band.metric: band.shown for band in bands.thirds if band.shown}, bands.places))
    return located


def right(located, changed):
    """Share of comparisons that showed exactly these changes, each in its direction."""
    true = {name: int(np.sign(np.log(ratio))) for name, ratio in changed.items()}
    return np.mean([shown == true for shown, _ in located])


def _chunk(task):
    seeds, changed = task
    return locate(invented, seeds, changed)


def _coverage(task):
    (passes, spreads), runs = task
    return passes, spreads, joint_coverage(runs, PASSES[passes], SPREADS[spreads])


if __name__ == "__main__":
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    with ProcessPoolExecutor(2) as pool:
        cases = [((passes, spreads), runs) for passes in PASSES for spreads in SPREADS]
        for passes, spreads, (ours, plain) in pool.map(_coverage, cases):
            print(f"{passes}; spread {spreads}; all hold {ours:.4f}; plain Welch {plain:.4f}", flush=True)
        for name, changed in CHANGES.items():
            tasks = [(range(start, min(start + 50, runs)), changed) for start in range(0, runs, 50)]
            located = [bands for chunk in pool.map(_chunk, tasks) for bands in chunk]
            aligned = np.mean([places > 0 for _, places in located])
            share = right(located, changed)
            print(f"changed {name}; located and nothing else {share:.4f}; aligned {aligned:.4f}", flush=True)
