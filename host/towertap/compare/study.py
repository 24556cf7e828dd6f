"""The drives laid out: each road with its passes on the same metres, paired as planned, and what of it is rough."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

from towertap.compare.drives.model import SIDES, Drives, Pass, Quantity, Side
from towertap.compare.drives.slots import Key, Slot, slots_of
from towertap.compare.road.places import Places, find_places
from towertap.compare.road.rough import RoughnessLimit, RoughPlaces, rough_places, roughness_limit
from towertap.compare.stats.effect import Blocks
from towertap.errors import AnalysisError, CallError


@dataclass(frozen=True, eq=False)
class Road:
    """One road that both sides drove.

    `places` are its passes on one coordinate (None for the smooth road, which is not cut into places); `slots` the
    block and installation of each pass by its capture's name where a plan pairs them (else None), `not_paired` why a
    plan's blocks do not hold. `rough` are the rough places by metric.
    """

    name: str
    passes: tuple[Pass, ...]
    places: Places | None
    slots: Mapping[str, Slot] | None
    not_paired: str | None
    rough: Mapping[str, RoughPlaces]

    def of(self, side: Side) -> list[Pass]:
        """The passes of one side, in driving order."""
        return [drive for drive in self.passes if drive.side == side]

    @property
    def aligned(self) -> Places | None:
        """The places, where the alignment holds."""
        return self.places if self.places is not None and self.places.alignment.warning is None else None

    @property
    def blocks(self) -> Blocks | None:
        """The block of each pass, before and after, where blocks pair the sides."""
        if self.slots is None:
            return None
        before, after = ([self.slots[drive.name].block for drive in self.of(side)] for side in SIDES)
        return before, after


@dataclass(frozen=True, eq=False)
class Study:
    """The drives laid out for comparison.

    `roads` are the rough roads that both sides drove, `smooth` the smooth one where both did. `limits` are the
    roughness limits by metric.
    """

    drives: Drives
    margin: float
    quantile: float
    quantities: tuple[Quantity, ...]
    limits: Mapping[str, RoughnessLimit]
    roads: tuple[Road, ...]
    smooth: Road | None

    @cached_property
    def labels(self) -> dict[str, str]:
        """The words for each metric compared."""
        return {quantity.name: quantity.label for quantity in self.quantities}


def lay_out(
    drives: Drives, margin: float, quantile: float, metrics: Sequence[str], blocks: Mapping[Key, Slot] | None
) -> Study:
    """Align every road once and find what is rough; CallError or AnalysisError for what cannot be compared."""
    quantities = chosen(drives.quantities, margin, quantile, metrics)
    names = [road for road in drives.rough_roads if all(drives.of(road, side) for side in SIDES)]
    if not names:
        missing = f"no rough road was driven with both '{drives.before}' and '{drives.after}': record both"
        raise AnalysisError(missing + _left_out(drives))
    smooth = drives.of(drives.smooth)
    limits = {quantity.name: roughness_limit(smooth, quantity.name, quantile) for quantity in quantities}
    on_both = {drive.side for drive in smooth} == set(SIDES)
    return Study(
        drives=drives,
        margin=margin,
        quantile=quantile,
        quantities=quantities,
        limits=limits,
        roads=tuple(_rough_road(drives, name, limits, blocks) for name in names),
        smooth=_road(drives, drives.smooth, blocks) if on_both else None,
    )


def _rough_road(
    drives: Drives, name: str, limits: Mapping[str, RoughnessLimit], blocks: Mapping[Key, Slot] | None
) -> Road:
    places = find_places(drives.of(name))
    rough = {metric: rough_places(places, metric, limit.value) for metric, limit in limits.items()}
    return _road(drives, name, blocks, places, rough)


def _road(
    drives: Drives,
    name: str,
    blocks: Mapping[Key, Slot] | None,
    places: Places | None = None,
    rough: Mapping[str, RoughPlaces] | None = None,
) -> Road:
    passes = drives.of(name)
    slots, reason = (None, None) if blocks is None else slots_of(passes, blocks)
    return Road(name, passes, places, None if reason else slots, reason, rough or {})


def chosen(
    quantities: Sequence[Quantity], margin: float, quantile: float, metrics: Sequence[str]
) -> tuple[Quantity, ...]:
    """The quantities named by `metrics`, each once; CallError for a metric, margin or quantile that cannot be."""
    if not 0 < margin < 1:
        raise CallError(f"a margin of {100 * margin:g} % cannot be: name more than 0 % and less than 100 %")
    if not 0 < quantile < 1:
        raise CallError(f"a quantile of {quantile:g} cannot be: name one between 0 and 1")
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
