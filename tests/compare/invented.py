"""Invented drives for the tests of the comparison: window tables with correlated, heavy-tailed windows."""

from __future__ import annotations

from dataclasses import fields, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from scipy import signal
from towertap.capture.conditions import Conditions
from towertap.capture.integrity import Integrity
from towertap.capture.speed_log import SpeedLog
from towertap.compare.drives.calendar import days, installations
from towertap.compare.drives.model import CELL_S, Drives, Pass, metric_of
from towertap.compare.drives.speed_join import lasted_s
from towertap.compare.road.places import RoughPlaces, find_places
from towertap.compare.study import Grouping, Road, Study

JERK = metric_of("jerk_z")
LOG_BEGAN = datetime(2026, 5, 4, 9, 30, tzinfo=UTC)
SOUND = Integrity(
    **dict.fromkeys(field.name for field in fields(Integrity))
    | {"sound": True, "reasons": [], "rate_hz": 1000.0, "gaps": [], "rules": [], "from_box": True}
)
"""Everything else is unknown."""


def road_profile(rng, n, heavy=0.35):
    """Roughness of each window of a road, about 1: log-normal, neighbours correlated 0.6."""
    return np.exp(heavy * signal.lfilter([0.8], [1, -0.6], rng.standard_normal(n + 20))[20:])


def windows(rng, profile, level, pass_spread=0.03, line=0.2):
    """Window levels of one pass (n,): the road's profile, the line driven (correlated 0.6), the pass's own level."""
    wander = line * signal.lfilter([0.8], [1, -0.6], rng.standard_normal(len(profile) + 20))[20:]
    return level * profile * np.exp(wander + pass_spread * rng.standard_normal())


def rms(values):
    """Root mean square of values (n,)."""
    return float(np.sqrt(np.mean(np.square(values))))


def of_cells(drive, cells):
    """The same pass with other cells, r.m.s. in each metric; ten make a window of 1 s."""
    places = {name: cells[name] for name in ("piece", "start_s")}
    return replace(
        drive, cells=places, kept={name: np.square(cells[name])[None] for name in cells if name not in places}
    )


def levels_of(drive):
    """The cells of a pass with the level of each metric in them."""
    levels = {name: metric_of(name).of_windows(kept) for name, kept in drive.kept.items()}
    return drive.cells | levels


def cells_of(table):
    """A pass's consecutive cells from a table (metric name → cells)."""
    count = len(next(iter(table.values())))
    return {"piece": np.zeros(count, int), "start_s": np.arange(count) * CELL_S, **table}


def one_pass(table, side, road, number, part=None, profile=None):
    """A pass made of a table (metric name → windows of 1 s), with the road's `profile` as its fingerprint."""
    part = part or {"before": "rubber", "after": "polyurethane"}[side]
    conditions = Conditions(vehicle="minibus", part=part, road=road, pass_number=number, speed_kmh=40.0)
    count = len(next(iter(table.values())))
    columns = {name: np.repeat(np.asarray(values, float), 10) for name, values in table.items()}
    columns["secondary_z"] = np.ones(10 * count) if profile is None else np.repeat(profile, 10)
    cells = cells_of(columns)
    path = Path(f"{road}-{part}-{number}.h5")
    return of_cells(Pass(path, side, conditions, SOUND, {}, {}), cells)


def drives_of(passes, metrics=(JERK,)):
    """Drives of these passes."""
    return Drives(Path("drives"), "rubber", "polyurethane", "bypass", tuple(metrics), tuple(passes))


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
                passes.append(one_pass(table, side, road, number, profile=profile))
    return drives_of(passes, [replace(metric_of(name), label=name.replace("_", " "), unit="m/s³") for name in metrics])


def on_whole_passes(drives, metrics=("jerk_z",), margin=0.10, planned=None):
    """The drives laid out without alignment, the slowest part of a comparison: findings rest on whole passes.

    If `planned` slots are given, by part, road and pass number, blocks pair the sides.
    """
    slots = {
        drive.name: (planned or {}).get((drive.conditions.part, drive.road, drive.conditions.pass_number))
        for drive in drives.passes
    }
    blocks = {name: slot.block for name, slot in slots.items() if slot}
    groups = Grouping(blocks, installations(drives.passes, planned), days(drives.passes))
    compared = tuple(metric for metric in drives.metrics if metric.name in metrics)
    roads = tuple(_road(drives.of(name), groups, planned is not None, metrics) for name in drives.rough_roads)
    smooth = _road(drives.of(drives.smooth), groups, planned is not None, ()) if drives.of(drives.smooth) else None
    return Study(drives, margin, compared, {}, roads, smooth, groups)


def _road(passes, groups, paired, metrics):
    whole = {
        metric: RoughPlaces(metric, np.zeros(0, bool), {}, {}, 1.0, 0, (), "nobody aligned it") for metric in metrics
    }
    return Road(passes[0].road, passes, groups.design(passes, paired), None, (), None, whole)


def one_road(drives, name, aligned=True):
    """One road of some drives, its passes aligned or not."""
    passes = drives.of(name)
    groups = Grouping({}, installations(passes, None), days(passes))
    return replace(_road(passes, groups, False, ()), places=find_places(passes) if aligned else None)


def road_level(rng, seconds, heavy=0.35):
    """Logarithm of a road's roughness, in steps of 0.02 s at the reference speed: a slow part correlated 0.6 over a
    second, and a quick one, correlated over 0.1 s, with the tails of Student's t with 4 degrees of freedom."""
    n = round(seconds / 0.02)
    slow, quick = 0.6**0.02, np.exp(-0.2)
    waves = signal.lfilter([np.sqrt(1 - slow**2)], [1, -slow], rng.standard_normal(n + 500))[500:]
    bumps = signal.lfilter([np.sqrt(1 - quick**2)], [1, -quick], rng.standard_t(4, n + 500))[500:]
    return heavy * waves + 0.3 * bumps


def place_driven(rng, seconds, speed, wander):
    """Position of a pass every 0.02 s of its time, in seconds of the reference: a speed with two waves."""
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
    """Drives whose passes over one rough road share its places, each at its own wandering speed.

    After is driven `faster` times as fast over the same road. The line driven, correlated over 0.1 s, adds to each pass
    and metric. The smooth road is as in `invented`. `road` is the seed of a rough road that several sets share;
    otherwise each set has its own.
    """
    rng = np.random.default_rng(seed)
    smooth = [drive for drive in invented(seed, n=n).passes if drive.road == "bypass"]
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
            passes.append(of_cells(one_pass({"jerk_z": [1.0]}, side, "lane", number), cells_of(table)))
    return drives_of([*smooth, *passes])


def logged(drives, offset_s=0.0, faster=1.0):
    """The drives dated, and a log of 36 km/h before and `faster` times as much after."""
    passes, times, speeds = [], [], []
    for number, drive in enumerate(drives.passes):
        began = LOG_BEGAN.timestamp() + 600 * number
        passes.append(replace(drive, started=datetime.fromtimestamp(began, UTC)))
        at_s = np.arange(-5.0, lasted_s(drive) + 6)
        times.append(began + at_s + offset_s)
        speeds.append(np.full(at_s.size, 10.0 * (faster if drive.side == "after" else 1.0)))
    return replace(drives, passes=tuple(passes)), SpeedLog("log.csv", np.concatenate(times), np.concatenate(speeds))


def scaled(drive, ratio):
    """The same pass with every level `ratio` times as high."""
    cells = levels_of(drive)
    return of_cells(drive, cells | {name: cells[name] * ratio for name in drive.kept})


def changed(study, change):
    """A laid-out study after a `change` of every rough pass that affects its fingerprint only in level.

    The alignment, which is most of the work, can then stay.
    """
    roads = []
    for road in study.roads:
        places = replace(road.places, passes=tuple(change(drive) for drive in road.passes))
        rough = {metric: places.rough(metric, limit.value) for metric, limit in study.limits.items()}
        roads.append(replace(road, passes=places.passes, places=places, rough=rough))
    return replace(study, roads=tuple(roads))


def rougher(study, ratio):
    """A laid-out study with every `after` pass over a rough road `ratio` times as rough."""
    return changed(study, lambda drive: scaled(drive, ratio) if drive.side == "after" else drive)


def swapped(drives):
    """The same drives with before and after swapped."""
    passes = tuple(replace(drive, side={"before": "after", "after": "before"}[drive.side]) for drive in drives.passes)
    return replace(drives, before=drives.after, after=drives.before, passes=passes)
