"""How well passes at 70 to 130 % of a speed, wandering by 5 % within a pass, are aligned; run it for all of them.

`python -m tests.compare.alignment_accuracy [PASSES]` drives the demo's car over the demo's roads, each
pass with its own part, line, speed and start, and prints how far its aligned place is from the true one, in seconds of
road.
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
from towertap.demo.vehicle import Corner, shake
from towertap.signals import bands
from towertap.wire.layouts import STANDARD_GRAVITY_MS2

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
        drag_n = -corner.sprung_kg * STANDARD_GRAVITY_MS2 * slope
        lift_n = corner.tyre_n_m * (height(place) - height(place[0])) + corner.tyre_damping_ns_m * speed * slope
        corners.append(corner)
        pushes.append(np.column_stack([drag_n, lift_n]))
        courses.append(place)
    felt, _ = shake(corners, np.stack(pushes, axis=1), RATE_HZ)
    ends = [int(np.searchsorted(place, aimed_m_s * seconds)) for place in courses]
    return [(felt[:end, i, 1], place[:end]) for i, (end, place) in enumerate(zip(ends, courses, strict=True))]


def as_pass(number, acceleration):
    """A pass as the alignment needs it: its cells in the fingerprint's band, after the filter has settled."""
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
    """The places found, and the error of each cell of each pass in seconds of the reference, (n,) each."""
    drives = driven(road, passes, seconds, seed)
    places = find_places([as_pass(i, felt) for i, (felt, _) in enumerate(drives)])
    reference = [drive.name for drive in places.passes].index(places.alignment.reference)
    reference_m = drives[reference][1]
    errors_s = []
    for i, drive in enumerate(places.passes):
        middle_s = drive.cells["start_s"] + CELL_S / 2
        place_m = drives[i][1][np.round(middle_s * RATE_HZ).astype(int)]
        inside = (place_m > reference_m[0]) & (place_m < reference_m[-1])
        true_s = np.interp(place_m, reference_m, np.arange(reference_m.size) / RATE_HZ)
        errors_s.append((places.place_s(i, middle_s) - true_s)[inside])
    return places, errors_s


if __name__ == "__main__":
    for road in ROADS:
        places, errors_s = errors(road, int(sys.argv[1]) if len(sys.argv) > 1 else 40, 40.0, seed=1)
        alignment, every = places.alignment, np.abs(np.concatenate(errors_s))
        worst = min(np.mean(np.abs(off_s) < 0.5) for off_s in errors_s)
        fits = [drive.quality for drive in alignment.passes]
        print(
            f"{road.name}: {len(errors_s)} passes, {every.size} cells; within 0.5 s {np.mean(every < 0.5):.4f}, "
            f"median {np.median(every):.3f} s, worst pass {worst:.3f}; fit {min(fits):.2f} to {max(fits):.2f}, "
            f"by chance {max(drive.chance for drive in alignment.passes):.2f}; {alignment.failure or 'all aligned'}",
            flush=True,
        )
