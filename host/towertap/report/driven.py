"""What was driven before and after: what differs as a table, what does not as a sentence."""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from statistics import fmean

from towertap.compare.comparison import Comparison
from towertap.compare.drives.differences import HELD_CONSTANT
from towertap.compare.drives.model import SIDES
from towertap.compare.sections.captures import FIELDS
from towertap.words.numbers import number
from towertap.words.table import MISSING, Table, tabulate


def driven(comparison: Comparison) -> tuple[Table, str]:
    """The table of what differs, and the sentence on what does not."""
    rows, drives = list(_rows(comparison)), comparison.drives
    columns = ("", f"before: {drives.before}", f"after: {drives.after}")
    differ = [dict(zip(columns, (name, *cells), strict=True)) for name, cells in rows if cells[0] != cells[1]]
    alike = [f"{name} {cells[0]}" for name, cells in rows if cells[0] == cells[1] != MISSING]
    return tabulate("What was driven", differ), f"The same on both sides: {'; '.join(alike)}." if alike else ""


def _rows(comparison: Comparison) -> Iterator[tuple[str, list[str]]]:
    """Names, each with its text before and after."""
    drives = comparison.drives
    sides = [[drive for drive in drives.passes if drive.side == side] for side in SIDES]
    yield "passes", [_counts(drive.road for drive in side) for side in sides]
    yield "installed", [f"{count} ×" for count in comparison.lead.overlap.installations]
    yield (
        "driven on",
        [_names(f"{drive.started:%Y-%m-%d}" if drive.started else "" for drive in side) for side in sides],
    )
    yield "air, °C", [_mean(drive.conditions.air_temperature_c for drive in side) for side in sides]
    if speed := comparison.evidence.get("speed"):
        for road in speed.data:
            ends = (road.contrast.before, road.contrast.after)
            yield f"speed on {road.road}, {road.unit}", [number(end) for end in ends]
    for field in [field for field in HELD_CONSTANT if field != "vehicle"]:
        yield FIELDS[field], [_names(getattr(drive.conditions, field) for drive in side) for side in sides]


def _counts(roads: Iterable[str]) -> str:
    return ", ".join(f"{road} {count}" for road, count in sorted(Counter(roads).items()))


def _names(texts: Iterable[str]) -> str:
    return "; ".join(sorted({text for text in texts if text})) or MISSING


def _mean(values: Iterable[float | None]) -> str:
    known: Sequence[float] = [value for value in values if value is not None]
    return f"{fmean(known):.1f}" if known else MISSING
