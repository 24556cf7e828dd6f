"""Identical impacts on louder and quieter backgrounds, found by the project's own detector; run it for the full count.

`python -m tests.compare.stats.heard_alike [SETS]` puts impacts, Poisson in number and the same in kind on both sides,
into passes of 60 s at 1 kHz whose background wanders by 20 % and is louder after by 0, 15, 30, 60 and 100 %, and
resamples SETS sets (2,000 by default) of four and four and of eight and eight passes from 160 of each. It prints how
often rates are shown different with every knock found, and at one level (places of one second, and whole passes), and
the mean counts left; the same with twice as many impacts after; and how often a regular series is found in joints, some
of which are not heard, and in random knocks.
"""

from __future__ import annotations

import sys
from functools import cache
from typing import NamedTuple

import numpy as np
from scipy import signal
from towertap.compare.stats.hearing import heard_alike, regular_series, whole_pass
from towertap.compare.stats.rates import rate_ratio
from towertap.signals.knocks import CELL_S, Knock, KnockFinder, Thresholds

RATE_HZ, SECONDS, PLACE_S = 1000.0, 60.0, 1.0
LOUDER = (1.0, 1.15, 1.3, 1.6, 2.0)
MIDDLE_MS2 = 5.5
"""The median impact at its source: some 1.2 times the threshold over the quiet background."""


class Driven(NamedTuple):
    """One pass's knocks, and the threshold in each cell."""

    knocks: tuple[Knock, ...]
    thresholds: Thresholds

    @property
    def place(self):
        """The place of each knock; places last a second, starting at the first cell."""
        onset_s = np.array([knock.onset_s for knock in self.knocks])
        places = self.thresholds.peak_ms2.size // round(PLACE_S / CELL_S)
        return np.clip(((onset_s - self.thresholds.start_s) / PLACE_S).astype(int), 0, places - 1)

    @property
    def by_place_ms2(self):
        """Mean threshold at each place."""
        per_place = round(PLACE_S / CELL_S)
        cells = self.thresholds.peak_ms2
        return cells[: cells.size // per_place * per_place].reshape(-1, per_place).mean(axis=1)


def impacts(count, spread, draw):
    """Impacts (3, n): damped sinusoids of 120 to 220 Hz in any direction, log-normal in height."""
    axes, time_s = np.zeros((3, round(SECONDS * RATE_HZ))), np.arange(80) / RATE_HZ
    for at_s in draw.uniform(2, SECONDS - 2, count):
        direction = draw.standard_normal(3)
        height = MIDDLE_MS2 * np.exp(spread * draw.standard_normal())
        wave = height * np.exp(-time_s / 0.012) * np.sin(2 * np.pi * draw.uniform(120, 220) * time_s + 0.9)
        start = int(at_s * RATE_HZ)
        axes[:, start : start + wave.size] += np.outer(direction / np.linalg.norm(direction), wave)
    return axes


def background(draw, wander=0.2):
    """Band-passed noise (3, n) of r.m.s. magnitude 1 whose level wanders every quarter of a second."""
    band = signal.butter(4, [40, 450], "band", fs=RATE_HZ, output="sos")
    noise = signal.sosfilt(band, draw.standard_normal((3, round(SECONDS * RATE_HZ))))
    steps = np.exp(wander * draw.standard_normal(round(SECONDS * 4)))
    level = np.interp(np.arange(noise.shape[1]) / RATE_HZ, np.arange(steps.size) / 4, steps)
    return noise * level / np.sqrt(np.square(noise).sum(axis=0).mean())


@cache
def driven(louder, spread, number, count=20):
    """One pass."""
    draw = np.random.default_rng([number, round(100 * louder), round(100 * spread)])
    finder = KnockFinder(RATE_HZ)
    finder.take(impacts(draw.poisson(count), spread, draw) + louder * background(draw))
    return Driven(finder.knocks(), finder.thresholds())


def counts(passes):
    """Counts (passes,) of every knock found, of those at one level per place, and at one level for the road."""
    peaks = [[knock.peak_ms2 for knock in drive.knocks] for drive in passes]
    backgrounds = [[knock.background_ms2 for knock in drive.knocks] for drive in passes]
    by_place, _ = heard_alike(
        peaks, backgrounds, [drive.place for drive in passes], [drive.by_place_ms2 for drive in passes]
    )
    whole = [[whole_pass(drive.thresholds.peak_ms2)] for drive in passes]
    by_pass, _ = heard_alike(peaks, backgrounds, [np.zeros(len(drive.knocks), int) for drive in passes], whole)
    return {
        "found": np.array([len(drive.knocks) for drive in passes]),
        "by place": np.array([heard.sum() for heard in by_place]),
        "by pass": np.array([heard.sum() for heard in by_pass]),
    }


def different(louder, spread, passes, sets, pool, more=1, seed=1):
    """For each way of counting, the share of sets shown different, and mean counts per pass before and after.

    There are `more` times as many impacts after.
    """
    draw = np.random.default_rng([seed, round(100 * louder), passes])
    shares, means = {}, {}
    for _ in range(sets):
        chosen = draw.permutation(pool)[: 2 * passes]
        drives = [driven(1.0, spread, int(number)) for number in chosen[:passes]]
        drives += [driven(louder, spread, int(number), 20 * more) for number in chosen[passes:]]
        for way, values in counts(drives).items():
            before, after = values[:passes], values[passes:]
            p = rate_ratio(before, after, np.ones(passes), np.ones(passes)).p
            shares.setdefault(way, []).append(p is not None and p < 0.05)
            means.setdefault(way, []).append((before.mean(), after.mean()))
    return {way: (np.mean(shares[way]), *np.mean(means[way], axis=0)) for way in shares}


def joints(spacing_m, heard, others, runs, seed=1, length_m=800, passes=4):
    """How often joints with 3 % jitter give a series, and the right spacing; 0 m: only the others."""
    draw = np.random.default_rng(seed)
    series_count = right = 0
    for _ in range(runs):
        positions = []
        for _ in range(passes):
            at = np.arange(draw.uniform(0, spacing_m), length_m, spacing_m) if spacing_m else np.empty(0)
            at = at + 0.03 * spacing_m * draw.standard_normal(at.size)
            positions.append(
                np.append(at[draw.random(at.size) < heard], draw.uniform(0, length_m, draw.poisson(others)))
            )
        series = regular_series(positions)
        series_count += series is not None
        right += series is not None and abs(series.spacing / spacing_m - 1) < 0.05
    return series_count / runs, right / runs


def _show(name, row):
    ways = (f"{way} {100 * share:.1f} % ({before:.1f}, {after:.1f})" for way, (share, before, after) in row.items())
    print(name, *ways, sep="; ", flush=True)


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for spread in (0.15, 0.3, 0.6):
        for louder in LOUDER:
            for passes in (4, 8):
                row = different(louder, spread, passes, sets, 160)
                _show(f"heights vary by {spread:.0%}, background × {louder}, {passes} + {passes}", row)
    for louder in (1.0, 1.3):
        row = different(louder, 0.6, 4, sets, 160, more=2)
        _show(f"twice as many after, heights vary by 60%, background × {louder}, 4 + 4", row)
    for spacing_m, heard, others in (
        (25, 0.9, 3),
        (25, 0.7, 3),
        (10, 0.7, 10),
        (5, 0.5, 10),
        (25, 0.6, 10),
        (0, 0, 20),
    ):
        row = joints(spacing_m, heard, others, sets)
        print(f"joints every {spacing_m} m, {heard:.0%} heard, {others} others per pass", end=": ")
        print(f"found {row[0]:.3f}, right {row[1]:.3f}")
