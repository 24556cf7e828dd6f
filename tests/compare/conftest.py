"""Invented drives for the tests of the comparison: window tables with correlated, heavy-tailed windows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy import signal
from towertap.capture.conditions import Conditions
from towertap.compare.drives.folder import joined
from towertap.compare.model import Drives, Pass, Quantity
from towertap.compare.road.places import CELL_S

JERK = Quantity("jerk_z", "vertical jerk", "m/s³")


def road_profile(rng, n, heavy=0.35):
    """How rough each window of a road is, about 1: log-normal, neighbours correlated 0.6."""
    return np.exp(heavy * signal.lfilter([0.8], [1, -0.6], rng.standard_normal(n + 20))[20:])


def windows(rng, profile, level, pass_spread=0.03, line=0.2):
    """Window figures of one pass (n,): the road's profile, the line driven (correlated 0.6), the pass's own level."""
    wander = line * signal.lfilter([0.8], [1, -0.6], rng.standard_normal(len(profile) + 20))[20:]
    return level * profile * np.exp(wander + pass_spread * rng.standard_normal())


def one_pass(table, side, road, number, part=None):
    """A pass made of a table (metric name → windows)."""
    part = part or {"before": "rubber", "after": "polyurethane"}[side]
    conditions = Conditions(vehicle="minibus", part=part, road=road, pass_number=number, speed_kmh=40.0)
    count = len(next(iter(table.values())))
    frame = pd.DataFrame({"piece": 0, "start_s": np.arange(count), **table})
    cells = frame.loc[frame.index.repeat(10)].assign(start_s=np.arange(10 * count) * CELL_S, secondary_z=1.0)
    whole = {name: float(np.sqrt(np.mean(np.square(values)))) for name, values in table.items()}
    return Pass(Path(f"{road}-{part}-{number}.h5"), side, conditions, SimpleNamespace(sound=True), frame, cells, whole)


def drives_of(passes, quantities=(JERK,)):
    return Drives(Path("drives"), "rubber", "polyurethane", "bypass", tuple(quantities), tuple(passes))


def invented(seed, *, ratio=1.0, n=(4, 4), roads=None, pass_spread=0.03, seconds=40, metrics=("jerk_z",)):
    """Drives over a smooth road and rough ones whose `after` windows are `ratio` times as rough."""
    rng = np.random.default_rng(seed)
    levels = {"bypass": 10.0, **(roads or {"quarry-lane": 40.0})}
    passes = []
    for road, level in levels.items():
        profile = road_profile(rng, seconds)
        for side, count in zip(("before", "after"), n, strict=True):
            height = level * (ratio if side == "after" and road != "bypass" else 1.0)
            for number in range(1, count + 1):
                table = {name: windows(rng, profile, height, pass_spread) for name in metrics}
                passes.append(one_pass(table, side, road, number))
    return drives_of(passes, [Quantity(name, name.replace("_", " "), "m/s³") for name in metrics])


def road_level(rng, seconds, heavy=0.35):
    """Logarithm of how rough a road is, at steps of 0.02 s of the reference speed: a slow part correlated 0.6 over a
    second, and a quick one, correlated 0.1 s, whose tails are those of Student's t with 4 degrees of freedom."""
    n = round(seconds / 0.02)
    slow, quick = 0.6**0.02, np.exp(-0.2)
    waves = signal.lfilter([np.sqrt(1 - slow**2)], [1, -slow], rng.standard_normal(n + 500))[500:]
    bumps = signal.lfilter([np.sqrt(1 - quick**2)], [1, -quick], rng.standard_t(4, n + 500))[500:]
    return heavy * waves + 0.3 * bumps


def place_driven(rng, seconds, speed, wander):
    """Place of a pass at every 0.02 s of its time, in seconds of the reference: a speed, and two waves of it."""
    time_s = np.arange(round(seconds / speed / 0.02)) * 0.02
    waves = np.sin(2 * np.pi * time_s[:, None] / rng.uniform(4, 20, 2) + rng.uniform(0, 2 * np.pi, 2)).sum(axis=1)
    return rng.uniform(0, 1) + np.cumsum(speed * (1 + wander * waves)) * 0.02


def driven(
    seed,
    *,
    ratio=1.0,
    n=(4, 4),
    level=20.0,
    pass_spread=0.03,
    seconds=40,
    speeds=0.02,
    wander=0.02,
    faster=1.0,
    road=None,
):
    """Drives whose passes over one rough road share its places: every pass at a speed of its own, wandering.

    After is driven `faster` times as fast over the same road. The line driven, correlated 0.1 s, adds to each pass and
    metric; the smooth road is as in `invented`. `road` is the seed of a rough road that several sets share, else each
    set has its own.
    """
    rng = np.random.default_rng(seed)
    smooth = [one for one in invented(seed, n=n).passes if one.road == "bypass"]
    level_at = road_level(rng if road is None else np.random.default_rng([road, 5]), 1.4 * seconds + 3)
    passes = []
    for side, count in zip(("before", "after"), n, strict=True):
        for number in range(1, count + 1):
            speed = np.exp(speeds * rng.standard_normal()) * (faster if side == "after" else 1.0)
            at = place_driven(rng, seconds, speed, wander)
            felt = level_at[(at / 0.02).astype(int)]
            felt = felt[: felt.size // 5 * 5].reshape(-1, 5).mean(axis=1)
            height = level * (ratio if side == "after" else 1.0) * np.exp(pass_spread * rng.standard_normal())
            table = {
                name: height * np.exp(felt + 0.2 * rng.standard_normal(felt.size)) for name in ("jerk_z", "secondary_z")
            }
            cells = pd.DataFrame({"piece": 0, "start_s": np.arange(felt.size) * CELL_S, **table})
            one = one_pass({"jerk_z": [1.0]}, side, "lane", number)
            passes.append(replace(one, cells=cells, windows=joined(cells, 10)))
    return drives_of([*smooth, *passes])


def times_as_rough(drives, ratio):
    """The same drives with every `after` pass over the rough road `ratio` times as rough."""

    def scaled(table):
        return table.assign(**{name: table[name] * ratio for name in table.columns.drop(["piece", "start_s"])})

    passes = tuple(
        replace(one, cells=scaled(one.cells), windows=scaled(one.windows))
        if one.side == "after" and one.road != drives.smooth
        else one
        for one in drives.passes
    )
    return replace(drives, passes=passes)


def swapped(drives):
    """The same drives with before and after changed about."""
    passes = tuple(replace(one, side={"before": "after", "after": "before"}[one.side]) for one in drives.passes)
    return replace(drives, before=drives.after, after=drives.before, passes=passes)


@pytest.fixture(scope="session")
def make():
    """The builders above, as attributes."""
    return SimpleNamespace(
        one_pass=one_pass,
        drives_of=drives_of,
        invented=invented,
        swapped=swapped,
        driven=driven,
        times_as_rough=times_as_rough,
    )
