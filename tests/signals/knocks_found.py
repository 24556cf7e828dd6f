"""Detection rate and false alarms of knocks; run it for the full count.

`python -m tests.signals.knocks_found [MINUTES]` adds 200 knocks to each kind of background and prints the share found,
and the false alarms per minute in MINUTES of each kind (60 by default) without knocks. A knock is a damped sinusoid of
60 to 400 Hz, a damping ratio of 2 to 10 %, any phase and any direction. Its peak in band is twice the local crest: the
largest in-band magnitude of the second around it without the knock.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from scipy import signal, stats
from towertap.demo.drives import RATE_HZ, Drive, motions
from towertap.demo.road import LENGTH_M, ROADS
from towertap.signals.bands import design
from towertap.signals.knocks import KnockFinder, band_hz

SENSOR_MS2 = 70e-6 * 9.80665 * np.sqrt(RATE_HZ / 2)
"""R.m.s. of the chip's own noise up to half the rate, by its data sheet (70 µg/√Hz, as in wire/layouts.py)."""
LEAD_S = 9.0
"""Time for pulling away."""
SHARED_DRIVES = 8
NEAR_S = 0.03
"""A knock counts as found if one is reported this close to its start."""


def driven(name, seconds, rng):
    """Pieces (3, n) of a demo road, `seconds` long in all, from as many drives as needed, with the chip's noise."""
    road = next(road for road in ROADS if road.name == name)
    longest = min(40.0, (LENGTH_M - 15) / (road.speed_kmh / 3.6))
    while seconds > 0:
        drives = [
            Drive(road, part, 1, 12.0, int(rng.integers(2**31)))
            for part in ("rubber-bush", "polyurethane-bush") * (SHARED_DRIVES // 2)
        ]
        for motion in motions(drives, longest)[:, round(LEAD_S * RATE_HZ) :, :3]:
            yield motion.T + SENSOR_MS2 * rng.standard_normal(motion.T.shape)
            seconds -= longest - LEAD_S
            if seconds <= 0:
                return


def noise(kind, seconds, rng):
    """Pieces (3, n) of noise of 0.3 m/s², 60 s each: white, with a wandering level, or with heavy-tailed samples."""
    n = 60 * RATE_HZ
    for _ in range(max(1, round(seconds / 60))):
        if kind.startswith("Student"):
            degrees = int(kind.split()[-1])
            yield 0.3 * rng.standard_t(degrees, (3, n)) / np.sqrt(degrees / (degrees - 2))
        else:
            yield 0.3 * rng.standard_normal((3, n)) * np.exp(WANDERING[kind] * wander(n, rng))


WANDERING = {"Gaussian": 0.0, "level wanders 35 %": 0.35, "level wanders 50 %": 0.5}
KINDS = ("bypass", "bypass, level wanders 35 %", *WANDERING, "Student 8", "Student 5", "moor-road", "quarry-lane")


def wander(n, rng, seconds=0.2):
    """A Gaussian level (n,) of r.m.s. 1, correlated over `seconds`."""
    steps = n // 40 + 2
    decay = np.exp(-40 / RATE_HZ / seconds)
    level = signal.lfilter([np.sqrt(1 - decay**2)], [1, -decay], rng.standard_normal(steps + 200))[200:]
    return np.interp(np.arange(n) / 40, np.arange(steps), level)


def background(kind, seconds, rng):
    """Pieces of one kind: a demo road, noise, or tyre noise of wandering level on the demo's smooth road."""
    if kind.startswith("bypass,"):
        for piece in driven("bypass", seconds, rng):
            n = piece.shape[1]
            yield piece + 0.3 * rng.standard_normal((3, n)) * np.exp(0.35 * wander(n, rng))
    else:
        yield from (driven if kind in {road.name for road in ROADS} else noise)(kind, seconds, rng)


def put_in(piece, rng, every_s=3.0):
    """The piece with a knock every few seconds at twice the local crest, and the knocks' start times in s."""
    magnitude, settled = in_band(piece)
    half, with_knocks = RATE_HZ // 2, piece.copy()
    starts = np.arange(2.0, piece.shape[1] / RATE_HZ - 2.0, every_s)
    starts = np.round((starts + rng.uniform(-0.4, 0.4, starts.size)) * RATE_HZ).astype(int)
    for start in starts:
        crest = magnitude[start - settled - half : start - settled + half].max()
        wave = ring(rng.uniform(60, 400), rng.uniform(0.02, 0.1), rng.uniform(0, 2 * np.pi))
        direction = rng.standard_normal(3)
        wave *= 2 * crest / np.linalg.norm(direction)
        with_knocks[:, start : start + wave.size] += np.outer(direction, wave)
    return with_knocks, starts / RATE_HZ


def in_band(piece, rate_hz=RATE_HZ):
    """Magnitude in band (n,) of a piece, and the row of the piece that it starts at."""
    filtering = design(band_hz(rate_hz), rate_hz)
    axes = np.array([filtering.start()(axis) for axis in piece])[:, filtering.settled_row :]
    return np.linalg.norm(axes, axis=0), filtering.settled_row


def find_knocks(blocks, rate_hz=RATE_HZ):
    """The knocks of a piece in blocks."""
    finder = KnockFinder(rate_hz)
    for block in blocks:
        finder.take(block)
    return finder.knocks()


def ring(hz, damping, phase, rate_hz=RATE_HZ):
    """A damped sinusoid (n,) whose peak in band is 1."""
    time_s = np.arange(round(0.25 * rate_hz)) / rate_hz
    wave = np.exp(-2 * np.pi * hz * damping * time_s) * np.cos(2 * np.pi * hz * time_s + phase)
    return wave / np.abs(signal.sosfilt(design(band_hz(rate_hz), rate_hz).sos, wave)).max()


def share_found(kind, knocks, seed):
    """Numbers of knocks found and of knocks added, in a background of one kind."""
    rng = np.random.default_rng(seed)
    n_found = n_added = 0
    for piece in background(kind, 10 * knocks, rng):
        with_knocks, starts = put_in(piece, rng)
        onsets = np.array([knock.onset_s for knock in find_knocks([with_knocks])])
        is_found = [bool((abs(onsets - start) < NEAR_S).any()) for start in starts][: knocks - n_added]
        n_found, n_added = n_found + sum(is_found), n_added + len(is_found)
        if n_added == knocks:
            break
    return n_found, n_added


def false_alarms(kind, minutes, seed):
    """Number of knocks reported in a background without any, and its minutes."""
    count = searched = 0
    for piece in background(kind, 60 * minutes, np.random.default_rng(seed)):
        count, searched = count + len(find_knocks([piece])), searched + piece.shape[1] / RATE_HZ / 60
    return count, searched


def _row(task):
    kind, minutes = task
    (n_found, n_added), (count, searched) = share_found(kind, 200, 1), false_alarms(kind, minutes, 2)
    low, high = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0, stats.chi2.ppf(0.975, 2 * count + 2) / 2
    return (
        f"{kind}: {n_found} of {n_added} knocks found; without knocks {count} in {searched:.0f} minutes, "
        f"{count / searched:.2f} per minute (95 % interval {low / searched:.2f} to {high / searched:.2f})"
    )


if __name__ == "__main__":
    minutes = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    with ProcessPoolExecutor(2) as pool:
        for row in pool.map(_row, [(kind, minutes) for kind in KINDS]):
            print(row, flush=True)
