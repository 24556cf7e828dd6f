"""The drives laid out: each road with its passes on the same metres, in the plan's blocks, and its rough places."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from towertap.compare.controls import Control
from towertap.compare.drives.calendar import days, installations
from towertap.compare.drives.folder import spelt_twice
from towertap.compare.drives.model import SIDES, Drives, Pass, Side
from towertap.compare.drives.slots import Key, Slot, slots_of
from towertap.compare.road.places import Places, RoughnessLimit, RoughPlaces, find_places, roughness_limit
from towertap.compare.stats.design import Design
from towertap.errors import AnalysisError, CallError
from towertap.signals.metrics import Metric
from towertap.words.phrases import counted


@dataclass(frozen=True, eq=False)
class Road:
    """One road that both sides drove: its passes before, then those after, each in driving order.

    `design` says which passes share a block, an installation and a day, `not_paired` why the plan's blocks do not hold.
    If they do, `unplanned` are the passes outside the plan, which are left out. `places` puts the passes on one
    coordinate (None for the smooth road, which is not cut into places); `rough` are its rough places by metric.
    `not_one_road` says why nothing is judged: the passes may be of several roads.
    """

    name: str
    passes: tuple[Pass, ...]
    design: Design
    not_paired: str | None
    unplanned: tuple[str, ...]
    places: Places | None
    rough: Mapping[str, RoughPlaces]
    not_one_road: str | None = None

    def of(self, side: Side) -> list[Pass]:
        return [drive for drive in self.passes if drive.side == side]

    @property
    def aligned(self) -> Places | None:
        """The places, if the alignment holds."""
        return self.places if self.places is not None and self.places.alignment.failure is None else None


@dataclass(frozen=True, eq=False)
class Study:
    """The drives laid out for comparison.

    `roads` are the rough roads that both sides drove, `smooth` the smooth one if both did. `metrics` are compared by
    their ratio, those `beside` by another rule. `limits` are the roughness limits by metric. `refit_sd` and `day_sd`
    state how far installations of one part and days differ, as fractions (None: not stated); `controls` were driven
    before.
    """

    drives: Drives
    margin: float
    metrics: tuple[Metric, ...]
    limits: Mapping[str, RoughnessLimit]
    roads: tuple[Road, ...]
    smooth: Road | None
    groups: Grouping
    refit_sd: float | None = None
    day_sd: float | None = None
    controls: tuple[Control, ...] = ()
    beside: tuple[Metric, ...] = ()

    @property
    def every_road(self) -> tuple[Road, ...]:
        """The rough roads, then the smooth one if both sides drove it."""
        return (*self.roads, *([self.smooth] if self.smooth else []))

    @cached_property
    def labels(self) -> dict[str, str]:
        return {metric.name: metric.label for metric in (*self.metrics, *self.beside)}


@dataclass(frozen=True, eq=False)
class Grouping:
    """Block, installation and day of every pass by capture name; a pass without a block is not in `blocks`."""

    blocks: Mapping[str, int]
    installations: Mapping[str, Hashable | None]
    days: Mapping[str, Hashable | None]

    def design(self, passes: Sequence[Pass], paired: bool) -> Design:
        """The design of some passes; by block if they are `paired`."""
        return Design.of(
            [drive.side == "after" for drive in passes],
            [self.installations[drive.name] for drive in passes],
            [self.days[drive.name] for drive in passes],
            [self.blocks[drive.name] for drive in passes] if paired else None,
        )


def lay_out(
    drives: Drives,
    margin: float,
    metrics: Sequence[str],
    planned: Mapping[Key, Slot] | None,
    refit_sd: float | None = None,
    day_sd: float | None = None,
    controls: Sequence[Control] = (),
    judge_unaligned: bool = False,
) -> Study:
    """Align every road once and find its rough places; CallError or AnalysisError for what cannot be compared.

    `judge_unaligned` judges roads by whole passes even if most passes do not fit the others.
    """
    for name, spread in (("refit", refit_sd), ("day", day_sd)):
        if spread is not None and not 0 <= spread < 1:
            raise CallError(f"a {name} spread of {100 * spread:g} % is impossible: name from 0 % to less than 100 %")
    named = chosen(drives.metrics, margin, metrics)
    compared = tuple(metric for metric in named if metric.rule == "ratio")
    if not compared:
        raise CallError(f"{named[0].name} is compared by {named[0].rule} and cannot decide: also name one that can")
    on_both = [road for road in (*drives.rough_roads, drives.smooth) if all(drives.of(road, side) for side in SIDES)]
    if not {*on_both} - {drives.smooth}:
        missing = f"no rough road was driven with both '{drives.before}' and '{drives.after}': record both"
        rough = [drive.conditions for drive in drives.passes if drive.road != drives.smooth]
        alike = next(spelt_twice(rough, (drives.before, drives.after)), "")
        raise AnalysisError(missing + (f"; {alike}" if alike else _left_out(drives)))
    slots = {road: slots_of(drives.of(road), planned or {}) for road in on_both}
    groups = Grouping(
        {name: slot.block for road_slots, _ in slots.values() for name, slot in road_slots.items()},
        installations(drives.passes, planned),
        days(drives.passes),
    )
    limits = {metric.name: roughness_limit(drives.of(drives.smooth), metric.name) for metric in compared}
    in_blocks = len({slot.block for slot in (planned or {}).values()}) > 1
    roads = {}
    for name, road_slots in slots.items():
        places_by = {} if name == drives.smooth else limits
        roads[name] = _road(name, drives.of(name), groups, road_slots if in_blocks else None, places_by)
        if judge_unaligned:
            roads[name] = replace(roads[name], not_one_road=None)
    smooth = roads.pop(drives.smooth, None)
    return Study(
        drives=drives,
        margin=margin,
        metrics=compared,
        limits=limits,
        roads=tuple(roads.values()),
        smooth=smooth,
        groups=groups,
        refit_sd=refit_sd,
        day_sd=day_sd,
        controls=tuple(controls),
        beside=tuple(metric for metric in named if metric.rule != "ratio"),
    )


def _road(
    name: str,
    passes: tuple[Pass, ...],
    groups: Grouping,
    slots: tuple[dict[str, Slot], str | None] | None,
    limits: Mapping[str, RoughnessLimit],
) -> Road:
    """One road laid out, by block if its slots hold; cut into places if there are roughness limits."""
    planned, reason = slots or ({}, None)
    paired = slots is not None and reason is None
    unplanned = tuple(drive.name for drive in passes if paired and drive.name not in planned)
    passes = tuple(drive for drive in passes if drive.name not in unplanned)
    design = groups.design(passes, paired)
    places = find_places(passes) if limits else None
    rough = {metric: places.rough(metric, limit.value) for metric, limit in limits.items() if places}
    not_one_road = places.alignment.not_one_road if places else None
    return Road(name, passes, design, reason, unplanned, places, rough, not_one_road)


def chosen(carried: Sequence[Metric], margin: float, names: Sequence[str]) -> tuple[Metric, ...]:
    """The metrics with these `names`, each once; CallError for an unknown metric or an impossible margin."""
    if not 0 < margin < 1:
        raise CallError(f"a margin of {100 * margin:g} % is impossible: name more than 0 % and less than 100 %")
    by_name = {metric.name: metric for metric in carried}
    if not names:
        raise CallError("no metric to compare: name one or more")
    for name in names:
        if name not in by_name:
            raise CallError(f"no metric '{name}': use {', '.join(by_name)}")
    return tuple(by_name[name] for name in dict.fromkeys(names))


def _left_out(drives: Drives) -> str:
    """The number of captures left out and the first two reasons, as the end of a line."""
    if not drives.excluded:
        return ""
    reasons = list(dict.fromkeys(capture.reason for capture in drives.excluded))
    first = ", ".join(reasons[:2]) + (", …" if len(reasons) > 2 else "")
    return f"; {counted(len(drives.excluded), 'capture')} left out: {first}"
