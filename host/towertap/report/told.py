"""Sentences that the page and the terminal share: what is not in the transfer, and what the speed logs' clocks say."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence

from towertap.compare.speed import RoadSpeed
from towertap.compare.speed_join import OFFSET_OF
from towertap.compare.transfer import RoadTransfer

_VARIES = re.compile(r"[\w+-]*\d(?:[\w.+-]*\w)?")
"""What may differ between two sentences that say the same: numbers, and names that have one."""


def left_out(road: RoadTransfer) -> list[str]:
    """Which passes of a road are not in the transfer and why, alike ones in one line."""
    return [
        f"{', '.join(names)} {'is' if len(names) == 1 else 'are'} not in the transfer: {reason}"
        for names, reason in together([(one.capture, one.reason) for one in road.excluded])
    ]


def clocks(roads: Iterable[RoadSpeed]) -> list[str]:
    """How far the clock of each speed log is ahead of the captures', and how that is known; a sentence a log."""
    logs = dict.fromkeys((one.log, one.offset) for road in roads for one in road.passes if one.log)
    told = []
    for name, offset in logs:
        if offset is None:
            told.append(f"The clock of {name}: not known against the captures'.")
            continue
        about = f" ± {offset.uncertainty_s:.2f}" if offset.uncertainty_s is not None else ""
        way = "behind" if offset.seconds < 0 else "ahead of"
        known = OFFSET_OF[offset.source]
        told.append(f"The clock of {name} is {abs(offset.seconds):.2f}{about} s {way} the captures' ({known}).")
    return told


def together(lines: Sequence[tuple[str, str]]) -> list[tuple[list[str], str]]:
    """Names and what is said of each → the names of which the same is said but for numbers and names in it, and that.

    A number that differs becomes the range of it, a name that differs an ellipsis.
    """
    groups: dict[str, list[tuple[str, list[str]]]] = {}
    for name, said in lines:
        groups.setdefault(_VARIES.sub("\0", said), []).append((name, _VARIES.findall(said)))
    told = []
    for frame, ones in groups.items():
        fixed, varying = frame.split("\0"), [_spread(values) for values in zip(*(of for _, of in ones), strict=True)]
        said = "".join(part for pair in zip(fixed, [*varying, ""], strict=True) for part in pair)
        told.append(([name for name, _ in ones], said))
    return told


def _spread(values: Sequence[str]) -> str:
    if len(set(values)) == 1:
        return values[0]
    try:
        ordered = sorted(values, key=float)
    except ValueError:
        return "…"
    return f"{ordered[0]} to {ordered[-1]}"
