"""A table of plain text, for the page, the terminal and files."""

import csv
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from numpy.typing import NDArray

NUMERIC = re.compile(r"[-−±×<∞–+]?\s?[\d–]|[-−–∞]?$")
"""The start of a number, or the sign for a missing one."""
MISSING = "–"
FORMULA = ("=", "@", "\t", "\r")
"""A spreadsheet would evaluate a cell that starts with one of these."""


@dataclass(frozen=True)
class Table:
    """Rows of cells under `columns`; those in `right` hold numbers and are right-aligned.

    If `grouped`, rows with the same first cell are shown under it as their heading.
    """

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[str, ...]
    grouped: bool = False

    def groups(self) -> list[tuple[str, list[tuple[str, ...]]]]:
        """Each heading with its rows, without their first cell; if not grouped, "" with all rows."""
        if not self.grouped:
            return [("", list(self.rows))]
        groups: dict[str, list[tuple[str, ...]]] = {}
        for heading, *cells in self.rows:
            groups.setdefault(heading, []).append(tuple(cells))
        return list(groups.items())


def tabulate(title: str, rows: Iterable[Mapping[str, str]], *, grouped: bool = False) -> Table:
    """A table of rows that share their keys, which become its columns; columns of numbers are right-aligned."""
    rows = list(rows)
    columns = tuple(rows[0]) if rows else ()
    right = tuple(name for name in columns[1:] if all(NUMERIC.match(row[name]) for row in rows))
    return Table(title, columns, tuple(tuple(row.values()) for row in rows), right, grouped)


def of_columns(title: str, columns: Mapping[str, Sequence[Any] | NDArray[Any]]) -> Table:
    """A table of equally long columns for a file: text unchanged, numbers to six digits, "–" if missing."""
    cells = [[_cell(value) for value in values] for values in columns.values()]
    return Table(title, tuple(columns), tuple(zip(*cells, strict=True)), ())


def joined(title: str, tables: Iterable[Table]) -> Table:
    """One table of the rows of all `tables`, which share their columns."""
    tables = list(tables)
    return Table(title, tables[0].columns, tuple(row for table in tables for row in table.rows), ())


def _cell(value: Any) -> str:
    return value if isinstance(value, str) else f"{value:.6g}" if math.isfinite(value) else MISSING


def write_csv(table: Table, path: Path) -> None:
    """Write a table as CSV (RFC 4180, UTF-8 with the byte order mark that spreadsheets look for).

    Numbers have an ASCII minus; missing cells are empty.
    """
    with path.open("w", encoding="utf-8-sig", errors="replace", newline="") as file:
        csv.writer(file).writerows([table.columns, *(map(_plain, row) for row in table.rows)])


def _plain(cell: str) -> str:
    if cell == MISSING:
        return ""
    return f"'{cell}" if cell.startswith(FORMULA) else cell.replace("−", "-")
