"""Whether a pass with a burst is named, and the change behind it shown; run it for the full count.

`python -m tests.compare.road.named_pass [SETS]` draws SETS sets (2,000 by default) of four and four passes over 40
places whose levels vary by 3 % from pass to pass and by 12 % from place to place within one, and puts a burst into one
pass of the part after, such as a lorry beside the car makes: an eightfold place, two fivefold, four threefold, eight
twofold. It prints how often a true change of −9 %, and none, is shown over all places, over those kept, and by the
median of places, and how often the right pass is named by its bursts, and as the one that the ratio hangs on most. Then
the same for places that vary twice as much, for fat tails (Student's t with 4 degrees of freedom), and for a part that
acts on every place differently.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np
from towertap.compare.road.rough import bursts, log_rms
from towertap.compare.stats.contrast import pass_contrast

AFTER = np.repeat([False, True], 4)
BURSTS = {"none": (0, 1.0), "one place × 8": (1, 8.0), "two × 5": (2, 5.0), "four × 3": (4, 3.0), "eight × 2": (8, 2.0)}


@dataclass(frozen=True)
class Road:
    """How levels vary: from place to place of the road, from pass to pass, within a pass, by part and place."""

    places: int = 40
    levels: float = 0.5
    pass_sd: float = 0.03
    line_sd: float = 0.12
    tails: int | None = None
    response_sd: float = 0.0


def driven(sets, road, burst, change, seed):
    """R.m.s. at places (sets, passes, places), and the pass (sets,) with the burst."""
    draw = np.random.default_rng(seed)
    shape = sets, AFTER.size, road.places
    line = draw.standard_normal(shape)
    if road.tails:
        line = draw.standard_t(road.tails, shape) / np.sqrt(road.tails / (road.tails - 2))
    logs = road.levels * draw.standard_normal((sets, 1, road.places)) + road.line_sd * line
    logs += road.pass_sd * draw.standard_normal((sets, AFTER.size, 1))
    logs += AFTER[:, None] * (np.log1p(change) + road.response_sd * draw.standard_normal((sets, 1, road.places)))
    width, times = burst
    where = draw.integers(4, 8, sets)
    start = draw.integers(0, road.places - width + 1, sets)
    for place in range(width):
        logs[np.arange(sets), where, start + place] += np.log(times)
    return np.exp(logs), where


def judged(rms, where):
    """Shares: shown over all places, over those kept, by the median; named, named rightly, most influential."""
    results = [bursts(levels) for levels in rms]
    shown = {}
    logs = {
        "all places": np.array([log_rms(levels) for levels in rms]),
        "kept": np.array([log_rms(levels[:, kept]) for levels, (kept, _) in zip(rms, results, strict=True)]),
        "median": np.median(np.log(rms) - np.median(np.log(rms), axis=1, keepdims=True), axis=2),
    }
    for what, values in logs.items():
        shown[what] = np.mean(pass_contrast(values, AFTER).p_difference() < 0.05)
    first = np.array([named[0] if named else -1 for _, named in results])
    every = logs["all places"]
    whole = pass_contrast(every, AFTER).difference
    without = [
        pass_contrast(np.delete(every, number, axis=1), np.delete(AFTER, number)).difference
        for number in range(AFTER.size)
    ]
    hangs = np.argmax(np.abs(np.array(without) - whole), axis=0)
    return shown | {
        "named": np.mean(first >= 0),
        "rightly": np.mean(first == where),
        "hangs on it most": np.mean(hangs == where),
        "places aside": np.mean([1 - kept.mean() for kept, _ in results]),
    }


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    roads = {
        "as described": Road(),
        "twice as much within a pass": Road(line_sd=0.25),
        "fat tails": Road(tails=4),
        "the part acts by place (10 %)": Road(response_sd=0.10),
        "20 places": Road(places=20),
    }
    for name, road in roads.items():
        for what, burst in BURSTS.items():
            for change in (-0.09, 0.0):
                row = judged(*driven(sets, road, burst, change, 1))
                print(f"{name}; burst: {what}; true {change:+.0%}", end="; ")
                print(*(f"{share} {100 * value:.1f}" for share, value in row.items()), sep="; ", flush=True)
