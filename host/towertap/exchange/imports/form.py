"""What a file of another recorder holds, what a person tells of it, and what was settled on the way to a capture."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal

import msgspec
import numpy as np

from towertap.capture.imported import Decision
from towertap.signals.filters import Array

MOST_BYTES = 2**31
"""Of a file: it is read into memory as a whole."""


class ImportOptions(msgspec.Struct, frozen=True, omit_defaults=True):
    """What a person tells of a file. Empty or None: to be found in the file."""

    rate_hz: float | None = None
    """Samples a second, evenly spaced; a column of time is then not looked at."""
    time: str = ""
    """Name of the column of time."""
    time_unit: str = ""
    acceleration: tuple[str, ...] = ()
    """Names of the columns, x y z."""
    rotation: tuple[str, ...] = ()
    unit: str = ""
    """Of acceleration: a unit's name, or m/s² a number."""
    rotation_unit: str = ""
    full_scale: float | None = None
    """Of whole numbers in a .wav: what the largest stands for, in `unit`."""
    largest: float | None = None
    """The end of the recorder's range of acceleration, in `unit`."""


@dataclass(frozen=True, eq=False)
class FileContent:
    """The columns of a file as they stand there, (rows, columns) float64, NaN where there is nothing."""

    names: list[str]
    values: Array
    units: dict[str, str] = field(default_factory=dict)
    """By name, where the file tells them beside the names."""
    rate_hz: float | None = None
    """As the file's format tells it; a column of time goes before it."""
    start_utc: str = ""
    metadata: dict[str, Any] = field(default_factory=dict)
    """Of an export of ours."""
    unscaled: bool = False
    """Values of 1 stand for a full scale that the file does not tell."""

    def column(self, name: str) -> Array:
        """The values (rows,) of one column."""
        values: Array = np.ascontiguousarray(self.values[:, self.names.index(name)])
        return values


class Decisions:
    """What was settled, in order; nothing is assumed that does not stand here."""

    def __init__(self) -> None:
        self.all: list[Decision] = []

    def add(self, how: Literal["told", "found", "assumed"], what: str) -> None:
        """Note one."""
        self.all.append(Decision(how, what))
