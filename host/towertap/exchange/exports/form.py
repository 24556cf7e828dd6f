"""What a format of the ways out is."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from towertap.exchange.samples import FORMAT, Samples

MARK = json.dumps(FORMAT).encode()
"""What the metadata of every export holds, whatever the format around it."""


def whole(samples: Samples) -> Sequence[Samples]:
    """One part: the format has gaps, and room for all."""
    return [samples]


@dataclass(frozen=True)
class ExportFormat:
    """One format: how its file is written, and how one of ours is told from any other."""

    name: str
    write: Callable[[Samples, Path], None]
    recognise: Callable[[Path], bool]
    needs: str = ""
    """The library of the extra `export` that writes it."""
    passes: Callable[[Samples], int] = lambda samples: 1
    """How often the samples are read for it: once, or once a column."""
    parts: Callable[[Samples], Sequence[Samples]] = whole
    """The samples cut into what one file can hold."""


def column_by_column(samples: Samples) -> int:
    """A pass for the time and one for each column."""
    return 1 + len(samples.columns)
