"""What the smooth road says: whether it is told from the rough ones, and whether it changed as well."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from towertap.compare.blocks import Slot
from towertap.compare.gate import pass_figure
from towertap.compare.model import Drives, Quantity, Sanity, SmoothChange
from towertap.compare.phrases import change, listed
from towertap.compare.statistics import contrast
from towertap.errors import CallError


def smooth_changes(
    drives: Drives, quantities: Sequence[Quantity], margin: float, slots: Mapping[str, Slot] | None
) -> tuple[SmoothChange, ...]:
    """The smooth road's whole passes after against before, in every metric; none where a side did not drive it.

    `slots` are those of its passes by name, where blocks hold.
    """
    sides = drives.of(drives.smooth, "before"), drives.of(drives.smooth, "after")
    if not all(sides):
        return ()
    paired = None
    if slots is not None:
        before, after = ([slots[one.name].block for one in side] for side in sides)
        paired = before, after
    told = []
    for one in quantities:
        figures = [[pass_figure(of, one.name, -math.inf).whole for of in side] for side in sides]
        held = contrast(figures[0], figures[1], margin, paired)
        moved = held.interval is not None and not held.interval[0] <= 1 <= held.interval[1]
        entry = SmoothChange(**vars(held), metric=one.name, label=one.label, moved=moved, words="")
        told.append(replace(entry, words=_change_words(entry)))
    return tuple(told)


def _change_words(entry: SmoothChange) -> str:
    seen = f"{entry.label} {change(entry.ratio)}"
    if entry.interval is None:
        return f"{seen}; too few passes for an interval"
    low, high = entry.interval
    return f"{seen} (95 % interval from {change(low)} to {change(high)})"


def moved_as_well(smooth: str, entries: Sequence[SmoothChange]) -> Iterator[str]:
    """A warning where the smooth road shows a change in any metric."""
    if moved := [one.words for one in entries if one.moved]:
        yield (
            f"{smooth}, the smooth road, moved as well: {listed(moved)} after than before. So the change is not of the "
            "rough places alone, or the box, the tyres or the weather have a part in it"
        )


def refuse_rough_as_smooth(drives: Drives, sanity: Sequence[Sanity]) -> None:
    """CallError where a road is certainly smoother than the one given as smooth, in every metric with every part."""
    levels: dict[str, list[Sanity]] = {}
    for entry in sanity:
        levels.setdefault(entry.road, []).append(entry)
    smoother = {
        road: math.prod(entry.ratio for entry in entries) ** (1 / len(entries))
        for road, entries in levels.items()
        if all(entry.interval is not None and entry.interval[1] < 1 for entry in entries)
    }
    if smoother:
        raise CallError(
            f"{drives.smooth}, given as the smooth road, is rougher than {listed(sorted(smoother))}: did you mean "
            f"--smooth {min(smoother, key=smoother.__getitem__)}?"
        )


def told_apart(drives: Drives, road: str, metric: str, margin: float) -> list[Sanity]:
    """The rough road against the smooth one, whole passes, once for each part that drove both."""
    entries = []
    for side, part in (("before", drives.before), ("after", drives.after)):
        passes = [[one for one in drives.of(name) if one.side == side] for name in (drives.smooth, road)]
        if not all(passes):
            continue
        smooth, rough = ([pass_figure(one, metric, -math.inf).whole for one in group] for group in passes)
        held = contrast(smooth, rough, margin)
        distinct = None if held.interval is None else held.interval[0] > 1
        entry = Sanity(**vars(held), road=road, metric=metric, part=part, distinct=distinct, words="")
        entries.append(replace(entry, words=sanity_words(entry, drives.smooth)))
    return entries


def sanity_words(entry: Sanity, smooth: str) -> str:
    """One sentence on whether the rough road is told from the smooth one with one part."""
    seen = f"{entry.metric} with {entry.part}: {entry.road} gives {entry.ratio:.2f} times the figure of {smooth}"
    if entry.interval is None:
        return f"{seen}; too few passes for an interval."
    seen = f"{seen} (95 % interval {entry.interval[0]:.2f} to {entry.interval[1]:.2f})"
    if entry.distinct:
        return f"{seen}: told apart, as it must be."
    how = "smoother" if entry.interval[1] < 1 else "no rougher as far as can be told" if entry.ratio < 1 else ""
    return f"{seen}: {f'the road given as rough is {how}' if how else 'not told apart'}; the gate means little."
