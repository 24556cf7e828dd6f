"""A table as plain texts, for the page, the terminal and a file alike."""

from __future__ import annotations

import csv
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

NUMERIC = re.compile(r"[-−±×<∞–+]?\s?[\d–]|[-−–∞]?$")
"""How a number begins, or what stands where there is none."""
MISSING = "–"
FORMULA = ("=", "@", "\t", "\r")
"""A cell of a file that begins so would be computed by a spreadsheet, not shown."""


@dataclass(frozen=True)
class Table:
    """Rows of cells under `columns`; those in `right` hold numbers and stand flush right.

    Where `grouped`, rows that follow each other with the same first cell stand under it as their heading.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[str, ...]
    grouped: bool = False

    def groups(self) -> list[tuple[str, list[tuple[str, ...]]]]:
        """Headings with their rows, less the first cell, which is the heading; one without it where not grouped."""
        if not self.grouped:
            return [("", list(self.rows))]
        groups: dict[str, list[tuple[str, ...]]] = {}
        for heading, *cells in self.rows:
            groups.setdefault(heading, []).append(tuple(cells))
        return list(groups.items())


def tabulate(title: str, rows: Iterable[Mapping[str, str]], *, grouped: bool = False) -> Table:
    """A table of rows that all have the same keys, its columns; columns of numbers stand flush right."""
    kept = list(rows)
    columns = tuple(kept[0]) if kept else ()
    right = tuple(name for name in columns[1:] if all(NUMERIC.match(row[name]) for row in kept))
    return Table(title, columns, tuple(tuple(row.values()) for row in kept), right, grouped)


def of_columns(title: str, columns: Mapping[str, Sequence[Any] | NDArray[Any]]) -> Table:
    """A table of columns of one length, for a file: names as they are, numbers to six digits, – where there is none."""
    cells = [[_cell(value) for value in values] for values in columns.values()]
    return Table(title, tuple(columns), tuple(zip(*cells, strict=True)), ())


def joined(title: str, tables: Iterable[Table]) -> Table:
    """Tables of the same columns one after the other."""
    parts = list(tables)
    return Table(title, parts[0].columns, tuple(row for part in parts for row in part.rows), ())


def _cell(value: Any) -> str:
    return value if isinstance(value, str) else f"{value:.6g}" if math.isfinite(value) else MISSING


def write_csv(table: Table, path: Path) -> None:
    """Write a table as comma-separated values (RFC 4180, UTF-8 with the mark that spreadsheets look for).

    Numbers have a plain minus, and what is missing is empty.
    """
    with path.open("w", encoding="utf-8-sig", errors="replace", newline="") as file:
        csv.writer(file).writerows([table.columns, *(map(_plain, row) for row in table.rows)])


def _plain(cell: str) -> str:
    if cell == MISSING:
        return ""
    return f"'{cell}" if cell.startswith(FORMULA) else cell.replace("−", "-")
