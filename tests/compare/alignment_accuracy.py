"""How well passes at 70 to 130 % of a speed, wandering by 5 % within a pass, are brought onto one road; run it for all.

`python tests/compare/alignment_accuracy.py [PASSES]` drives the demo's car over the demo's roads, each
pass with a part, a line, a speed and a start of its own, and prints how far its aligned place is from where it was, in
seconds of road.
"""

from __future__ import annotations

import sys
from types import SimpleNamespace

import numpy as np
from scipy import signal
from scipy.integrate import cumulative_trapezoid
from towertap.compare.road.places import CELL_S, find_places
from towertap.demo.drives import POLYURETHANE, RUBBER
from towertap.demo.road import ROADS, surface, under_tyre
from towertap.demo.vehicle import GRAVITY_MS2, Corner, shake
from towertap.signals import bands

RATE_HZ, SETTLING_S = 2000, 2.0
SLOWEST, FASTEST, WANDER = 0.7, 1.3, 0.05


def driven(road, passes, seconds, seed):
    """Each pass's vertical acceleration (n,) at the hard point, m/s², and its place along the road (n,), m."""
    rng = np.random.default_rng(seed)
    aimed_m_s = road.speed_kmh / 3.6
    length_m = 1.1 * aimed_m_s * seconds + 20
    time_s = np.arange(round(1.1 * seconds / SLOWEST * RATE_HZ)) / RATE_HZ
    corners, pushes, courses = [], [], []
    for i in range(passes):
        waves = np.sin(2 * np.pi * time_s[:, None] / rng.uniform(4, 20, 3) + rng.uniform(0, 2 * np.pi, 3)).sum(axis=1)
        speed = aimed_m_s * rng.uniform(SLOWEST, FASTEST) * (1 + WANDER * waves / np.sqrt(1.5))
        place = rng.uniform(1, 10) + cumulative_trapezoid(speed, time_s, initial=0)
        place = np.minimum(place, length_m - 5)
        height = under_tyre(surface(road, rng, length_m))
        slope = height.derivative()(place) - height.derivative()(place[0])
        corner = Corner((RUBBER, POLYURETHANE)[i % 2])
        drag_n = -corner.sprung_kg * GRAVITY_MS2 * slope
        lift_n = corner.tyre_n_m * (height(place) - height(place[0])) + corner.tyre_damping_ns_m * speed * slope
        corners.append(corner)
        pushes.append(np.column_stack([drag_n, lift_n]))
        courses.append(place)
    felt, _ = shake(corners, np.stack(pushes, axis=1), RATE_HZ)
    ends = [int(np.searchsorted(place, aimed_m_s * seconds)) for place in courses]
    return [(felt[:end, i, 1], place[:end]) for i, (end, place) in enumerate(zip(ends, courses, strict=True))]


def as_pass(number, acceleration):
    """What the alignment asks of a pass: its cells in the fingerprint's band, after the filter has settled."""
    filtered = signal.sosfilt(bands.design(bands.BANDS["secondary"], RATE_HZ).sos, acceleration)
    rows = round(CELL_S * RATE_HZ)
    settled = filtered[round(SETTLING_S * RATE_HZ) :]
    squares = (settled[: settled.size // rows * rows].reshape(-1, rows) ** 2).mean(axis=1)
    start_s = SETTLING_S + np.arange(squares.size) * CELL_S
    return SimpleNamespace(
        name=f"pass {number}",
        side=("before", "after")[number % 2],
        road="road",
        cells={"start_s": start_s},
        kept={"secondary_z": squares[None]},
        driving_s=np.asarray,
    )


def errors(road, passes, seconds, seed):
    """The places found, and how far each cell of each pass is off, in seconds of the reference, (n,) each."""
    drives = driven(road, passes, seconds, seed)
    found = find_places([as_pass(i, felt) for i, (felt, _) in enumerate(drives)])
    reference = [one.name for one in found.passes].index(found.alignment.reference)
    reference_m = drives[reference][1]
    off = []
    for i, one in enumerate(found.passes):
        middle_s = one.cells["start_s"] + CELL_S / 2
        place_m = drives[i][1][np.round(middle_s * RATE_HZ).astype(int)]
        inside = (place_m > reference_m[0]) & (place_m < reference_m[-1])
        true_s = np.interp(place_m, reference_m, np.arange(reference_m.size) / RATE_HZ)
        off.append((found.place_s(i, middle_s) - true_s)[inside])
    return found, off


if __name__ == "__main__":
    for road in ROADS:
        found, off = errors(road, int(sys.argv[1]) if len(sys.argv) > 1 else 40, 40.0, seed=1)
        told, every = found.alignment, np.abs(np.concatenate(off))
        fits = [one.quality for one in told.passes]
        print(
            f"{road.name}: {len(off)} passes, {every.size} cells; within 0.5 s {np.mean(every < 0.5):.4f}, "
            f"median {np.median(every):.3f} s, worst pass {min(np.mean(np.abs(one) < 0.5) for one in off):.3f}; "
            f"fit {min(fits):.2f} to {max(fits):.2f}, by chance {max(one.chance for one in told.passes):.2f}; "
            f"{told.failure or 'all aligned'}",
            flush=True,
        )
