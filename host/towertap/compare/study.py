"""The drives laid out: each road with its passes on the same metres, paired as planned, and what of it is rough."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from towertap.compare.controls import Control
from towertap.compare.drives.calendar import days, installations
from towertap.compare.drives.model import SIDES, Drives, Pass, Quantity, Side
from towertap.compare.drives.slots import Key, Slot, slots_of
from towertap.compare.road.places import Places, find_places
from towertap.compare.road.rough import RoughnessLimit, RoughPlaces, rough_places, roughness_limit
from towertap.compare.stats.design import Design
from towertap.errors import AnalysisError, CallError


@dataclass(frozen=True, eq=False)
class Road:
    """One road that both sides drove, its passes before and then those after, each in driving order.

    `design` says which of them share a block, an installation and a day, `not_paired` why a plan's blocks do not hold;
    where they do, `unplanned` are passes that the plan does not have, left out here. `places` are its passes on one
    coordinate (None for the smooth road, which is not cut into places), `rough` the rough ones by metric.
    """

    name: str
    passes: tuple[Pass, ...]
    design: Design
    not_paired: str | None
    unplanned: tuple[str, ...]
    places: Places | None
    rough: Mapping[str, RoughPlaces]

    def of(self, side: Side) -> list[Pass]:
        """The passes of one side, in driving order."""
        return [drive for drive in self.passes if drive.side == side]

    @property
    def aligned(self) -> Places | None:
        """The places, where the alignment holds."""
        return self.places if self.places is not None and self.places.alignment.warning is None else None

    @property
    def block(self) -> NDArray[np.int64] | None:
        """The block of each pass (n,), where blocks pair the sides."""
        return self.design.block


@dataclass(frozen=True, eq=False)
class Study:
    """The drives laid out for comparison.

    `roads` are the rough roads that both sides drove, `smooth` the smooth one where both did. `limits` are the
    roughness limits by metric. `refit_sd` and `day_sd` state how far installations of one part and days differ, as
    fractions (None: nobody said); `controls` were driven before.
    """

    drives: Drives
    margin: float
    quantities: tuple[Quantity, ...]
    limits: Mapping[str, RoughnessLimit]
    roads: tuple[Road, ...]
    smooth: Road | None
    groups: Grouping
    refit_sd: float | None = None
    day_sd: float | None = None
    controls: tuple[Control, ...] = ()
    judge_unaligned: bool = False
    """Judge roads by whole passes even where most passes do not fit the others: somebody asked for it."""

    def not_one_road(self, road: Road) -> str | None:
        """Why nothing is judged on a road: its passes may be of several."""
        return None if road.places is None or self.judge_unaligned else road.places.not_one_road

    @cached_property
    def labels(self) -> dict[str, str]:
        """The words for each metric compared."""
        return {quantity.name: quantity.label for quantity in self.quantities}


@dataclass(frozen=True, eq=False)
class Grouping:
    """Block, installation and day of every pass, by its capture's name; a pass without a block is not in `blocks`."""

    blocks: Mapping[str, int]
    installations: Mapping[str, Hashable | None]
    days: Mapping[str, Hashable | None]

    def design(self, passes: Sequence[Pass], paired: bool) -> Design:
        """The design of some passes; by block where they are `paired`."""
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
    """Align every road once and find what is rough; CallError or AnalysisError for what cannot be compared."""
    for name, spread in (("refit", refit_sd), ("day", day_sd)):
        if spread is not None and not 0 <= spread < 1:
            raise CallError(f"a {name} spread of {100 * spread:g} % cannot be: name 0 % or more and less than 100 %")
    quantities = chosen(drives.quantities, margin, metrics)
    names = [road for road in drives.rough_roads if all(drives.of(road, side) for side in SIDES)]
    if not names:
        missing = f"no rough road was driven with both '{drives.before}' and '{drives.after}': record both"
        raise AnalysisError(missing + _left_out(drives))
    smooth = drives.of(drives.smooth)
    limits = {quantity.name: roughness_limit(smooth, quantity.name) for quantity in quantities}
    on_both = {drive.side for drive in smooth} == set(SIDES)
    both_sides = (*names, *([drives.smooth] if on_both else ()))
    pairing = {road: slots_of(drives.of(road), planned or {}) for road in both_sides}
    groups = Grouping(
        {name: slot.block for slots, _ in pairing.values() for name, slot in slots.items()},
        installations(drives.passes, planned),
        days(drives.passes),
    )
    in_blocks = len({slot.block for slot in (planned or {}).values()}) > 1
    planned_roads = pairing if in_blocks else {}
    return Study(
        drives=drives,
        margin=margin,
        quantities=quantities,
        limits=limits,
        roads=tuple(_road(drives, groups, name, planned_roads.get(name), limits) for name in names),
        smooth=_road(drives, groups, drives.smooth, planned_roads.get(drives.smooth)) if on_both else None,
        groups=groups,
        refit_sd=refit_sd,
        day_sd=day_sd,
        controls=tuple(controls),
        judge_unaligned=judge_unaligned,
    )


def _road(
    drives: Drives,
    groups: Grouping,
    name: str,
    pairing: tuple[dict[str, Slot], str | None] | None,
    limits: Mapping[str, RoughnessLimit] | None = None,
) -> Road:
    """One road laid out, by block where `pairing` holds; cut into places where there are roughness limits."""
    passes = drives.of(name)
    slots, reason = pairing or ({}, None)
    paired = pairing is not None and reason is None
    unplanned = tuple(drive.name for drive in passes if paired and drive.name not in slots)
    passes = tuple(drive for drive in passes if drive.name not in unplanned)
    design = groups.design(passes, paired)
    places = find_places(passes) if limits is not None else None
    rough = {metric: rough_places(places, metric, limit.value) for metric, limit in (limits or {}).items() if places}
    return Road(name, passes, design, reason, unplanned, places, rough)


def chosen(quantities: Sequence[Quantity], margin: float, metrics: Sequence[str]) -> tuple[Quantity, ...]:
    """The quantities named by `metrics`, each once; CallError for a metric or margin that cannot be."""
    if not 0 < margin < 1:
        raise CallError(f"a margin of {100 * margin:g} % cannot be: name more than 0 % and less than 100 %")
    by_name = {quantity.name: quantity for quantity in quantities}
    if not metrics:
        raise CallError("no metric to compare: name one or more")
    for name in metrics:
        if name not in by_name:
            raise CallError(f"no metric '{name}': use {', '.join(by_name)}")
    return tuple(by_name[name] for name in dict.fromkeys(metrics))


def _left_out(drives: Drives) -> str:
    """The number of captures left out and the first two reasons, as the end of a line."""
    if not drives.excluded:
        return ""
    count, reasons = len(drives.excluded), dict.fromkeys(capture.reason for capture in drives.excluded)
    first = ", ".join([*reasons][:2]) + (", …" if len(reasons) > 2 else "")
    return f"; {count} capture{'s' if count > 1 else ''} left out: {first}"
