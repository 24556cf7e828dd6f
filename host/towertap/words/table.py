"""A table as plain texts, for the page, the terminal and a file alike."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

NUMERIC = re.compile(r"[-−±×<∞–+]?\s?[\d–]|[-−–∞]?$")
"""How a number begins, or what stands where there is none."""


@dataclass(frozen=True)
class Table:
    """Rows of cells under `columns`; those in `right` hold numbers and stand flush right."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: frozenset[str]


def tabulate(title: str, rows: Iterable[Mapping[str, str]]) -> Table:
    """A table of rows that all have the same keys, its columns; columns of numbers stand flush right."""
    kept = list(rows)
    columns = tuple(kept[0]) if kept else ()
    right = frozenset(name for name in columns[1:] if all(NUMERIC.match(row[name]) for row in kept))
    return Table(title, columns, tuple(tuple(row.values()) for row in kept), right)
