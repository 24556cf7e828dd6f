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
from towertap.compare.model import Drives, Pass, Quantity

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
    frame = pd.DataFrame({"piece": 0, "start_s": np.arange(len(next(iter(table.values())))), **table})
    whole = {name: float(np.sqrt(np.mean(np.square(values)))) for name, values in table.items()}
    return Pass(Path(f"{road}-{part}-{number}.h5"), side, conditions, SimpleNamespace(sound=True), frame, whole)


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


def swapped(drives):
    """The same drives with before and after changed about."""
    passes = tuple(replace(one, side={"before": "after", "after": "before"}[one.side]) for one in drives.passes)
    return replace(drives, before=drives.after, after=drives.before, passes=passes)


@pytest.fixture
def make():
    """The builders above, as attributes."""
    return SimpleNamespace(one_pass=one_pass, drives_of=drives_of, invented=invented, swapped=swapped)
