"""The smooth road: whether it is told from the rough ones, and whether it changed as well."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from towertap.compare.drives.model import SIDES, Drives
from towertap.compare.road.places import whole_value
from towertap.compare.stats.contrast import Contrast, contrast
from towertap.compare.study import Study
from towertap.errors import CallError
from towertap.words.phrases import listed


@dataclass(frozen=True, kw_only=True)
class SmoothChange(Contrast):
    """The smooth road after against before: whole passes in one metric. A check, and no finding.

    `moved` is True where the 95 % interval does not hold 1, unadjusted, so that the check is strict.
    """

    metric: str
    label: str
    moved: bool


@dataclass(frozen=True, kw_only=True)
class RoughAgainstSmooth(Contrast):
    """Is a rough road told from the smooth one? `before` is the smooth road, `after` the rough one.

    Whole passes of one part, in one metric. `distinct` is True when the 95 % interval lies above 1, None when there
    are too few passes to say.
    """

    road: str
    metric: str
    part: str
    distinct: bool | None


def smooth_changes(study: Study) -> tuple[SmoothChange, ...]:
    """The smooth road's whole passes after against before, in every metric; none where a side did not drive it."""
    if study.smooth is None:
        return ()
    changes = []
    for quantity in study.quantities:
        before, after = ([whole_value(drive, quantity.name) for drive in study.smooth.of(side)] for side in SIDES)
        ratio = contrast(before, after, study.margin, study.smooth.design.block)
        moved = ratio.interval is not None and not ratio.interval[0] <= 1 <= ratio.interval[1]
        changes.append(SmoothChange(**vars(ratio), metric=quantity.name, label=quantity.label, moved=moved))
    return tuple(changes)


def rough_against_smooth(study: Study) -> tuple[RoughAgainstSmooth, ...]:
    """Every rough road against the smooth one, in every metric, once for each part that drove both."""
    return tuple(
        entry
        for road in study.roads
        for quantity in study.quantities
        for entry in _of_parts(study, road.name, quantity.name)
    )


def _of_parts(study: Study, road: str, metric: str) -> Iterator[RoughAgainstSmooth]:
    drives = study.drives
    for side, part in zip(SIDES, (drives.before, drives.after), strict=True):
        passes = [drives.of(name, side) for name in (drives.smooth, road)]
        if not all(passes):
            continue
        smooth, rough = ([whole_value(drive, metric) for drive in group] for group in passes)
        ratio = contrast(smooth, rough, study.margin)
        distinct = None if ratio.interval is None else ratio.interval[0] > 1
        yield RoughAgainstSmooth(**vars(ratio), road=road, metric=metric, part=part, distinct=distinct)


def refuse_rough_as_smooth(drives: Drives, entries: Sequence[RoughAgainstSmooth]) -> None:
    """CallError where a road is certainly smoother than the one given as smooth, in every metric with every part."""
    levels: dict[str, list[RoughAgainstSmooth]] = {}
    for entry in entries:
        levels.setdefault(entry.road, []).append(entry)
    smoother = {
        road: math.prod(entry.ratio for entry in of_road) ** (1 / len(of_road))
        for road, of_road in levels.items()
        if all(entry.interval is not None and entry.interval[1] < 1 for entry in of_road)
    }
    if smoother:
        raise CallError(
            f"{drives.smooth}, given as the smooth road, is rougher than {listed(sorted(smoother))}: did you mean "
            f"--smooth {min(smoother, key=smoother.__getitem__)}?"
        )
