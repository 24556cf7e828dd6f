"""Controls: drives on which nothing changed, or something known did; judged, kept, and used by later comparisons.

A refit control is one part taken out and fitted again on one day; a no-change day is one installation on another day.
Both are judged by equivalence, since a large p does not show that nothing changed. Each measures, with one degree of
freedom, how far installations (or days) differ: the squared difference, less the share of the passes' own variation,
over the coefficient of that variance in the design (2 with one installation, or day, per side). A positive control is a
change that must show (tyre pressures up by 50 kPa, say), named so that after is the harsher one: a day on which it does
not show could not have shown the part either.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import msgspec

from towertap.compare.plan.controls import ControlKind
from towertap.compare.stats.contrast import Verdict
from towertap.compare.stats.part import Beforehand, MeasuredVariance, pooled
from towertap.doors.structured import read_json
from towertap.doors.whole_file import write_json
from towertap.errors import FileError

if TYPE_CHECKING:
    from towertap.compare.drives.model import Drives

SCHEMA, VERSION = "towertap control", 1
LARGEST_BYTES = 1_000_000


class _Head(msgspec.Struct):
    schema: Literal["towertap control"]
    version: int


@dataclass(frozen=True)
class ControlValue:
    """One metric over all roads of a control: after over before on these drives, and the verdict of its intervals.

    `variance` is that between installations, or days, on logarithms, with one degree of freedom; it can be negative.
    It and the intervals of 95 and 90 % are None if the passes cannot tell a change from chance.
    """

    label: str
    ratio: float
    interval: tuple[float, float] | None
    interval_90: tuple[float, float] | None
    shows: Verdict
    variance: float | None


@dataclass(frozen=True)
class Control:
    """A control as stored: what was driven and when, and its metrics by name; `margin` is a fraction."""

    kind: ControlKind
    vehicle: str
    before: str
    after: str
    date: str
    margin: float
    captures: tuple[str, ...]
    metrics: dict[str, ControlValue]


def measured(controls: Iterable[Control], kind: ControlKind, metric: str) -> MeasuredVariance:
    """The variance of a metric that all controls of a kind give together."""
    values = [control.metrics[metric] for control in controls if control.kind == kind and metric in control.metrics]
    return pooled(MeasuredVariance(value.variance, 1.0) for value in values if value.variance is not None)


def known_before(
    controls: Sequence[Control], metric: str, refit_sd: float | None, day_sd: float | None
) -> tuple[Beforehand, Beforehand]:
    """What is known beforehand of how far installations and days differ: by controls, or as stated (fractions)."""
    refit, day = measured(controls, "refit", metric), measured(controls, "day", metric)
    return Beforehand(refit, refit_sd), Beforehand(day, day_sd)


def write_control(control: Control, folder: Path) -> Path:
    """Write a control to the bench folder under a name that depends only on its drives; returns the path."""
    folder.mkdir(parents=True, exist_ok=True)
    captures = hashlib.sha256("\n".join(control.captures).encode()).hexdigest()[:8]
    path = folder / f"control-{control.kind}-{control.date}-{captures}.json"
    write_json(path, {"schema": SCHEMA, "version": VERSION, **asdict(control)})
    return path


def controls_of(drives: Drives, folder: Path) -> tuple[Control, ...]:
    """The controls of the same vehicle in the bench folder, except those made of these very drives."""
    vehicles = {drive.conditions.vehicle for drive in drives.passes}
    own = {drive.name for drive in drives.passes}
    controls = controls_with(vehicles.pop(), folder) if len(vehicles) == 1 else ()
    return tuple(control for control in controls if not own <= set(control.captures))


def controls_with(vehicle: str, folder: Path) -> tuple[Control, ...]:
    """The controls of a vehicle in the bench folder, the oldest first; FileError for a file that is no control."""
    controls = [_read(path) for path in sorted(folder.glob("control-*.json"))]
    return tuple(sorted((each for each in controls if each.vehicle == vehicle), key=lambda control: control.date))


def _read(path: Path) -> Control:
    head = read_json(path, _Head, "a control that `towertap compare --control` wrote", LARGEST_BYTES)
    if head.version > VERSION:
        raise FileError(f"{path}: a control of version {head.version}: install a newer towertap")
    return read_json(path, Control, "a control that `towertap compare --control` wrote", LARGEST_BYTES)
