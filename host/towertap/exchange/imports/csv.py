"""CSV: columns under names, after whatever lines a recorder puts first; comma, semicolon or tab, point or comma."""

from __future__ import annotations

import csv
import json
import re
import textwrap
from contextlib import suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from towertap.doors.files import opened
from towertap.doors.times import instant
from towertap.errors import FileError
from towertap.exchange.imports.form import MOST_BYTES, FileContent, our_metadata, repeated
from towertap.lazily import pd

WANTED = "a CSV file of samples"
HEAD_BYTES = 2**17
"""In which names and the first numbers stand; Python's csv takes no longer cell."""
DATE = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d")
UNEVEN = re.compile(r"Expected (\d+) fields in line (\d+), saw (\d+)")
"""In what pandas says of a line with too many cells."""


def read(path: Path) -> FileContent:
    """Read the whole table; FileError says what is no table about it."""
    with opened(path, WANTED, MOST_BYTES) as file:
        head = file.read(HEAD_BYTES)
        # bytes end lines as pandas does, at LF, CR LF and CR; a text's `splitlines` knows many more
        as_bytes = head.splitlines(keepends=True)[: -1 if len(head) == HEAD_BYTES else None]
        lines = [line.decode("utf-8-sig", "replace").rstrip("\r\n") for line in as_bytes]
        first, names, units, written = _head(lines, path)
        file.seek(sum(map(len, as_bytes[:first])))
        try:
            table = pd.read_csv(file, names=names, index_col=False, comment="#", encoding_errors="replace", **written)
        except (ValueError, pd.errors.ParserError) as error:
            raise FileError(f"{path}: no table of numbers: {_wrong(error, first)}") from None
    metadata = our_metadata(_metadata(lines), path)
    start_utc = metadata.start_utc or ""
    for name in table.columns[table.dtypes.map(lambda dtype: dtype.kind not in "iuf")]:
        # a quotation mark that stays open makes one row of many lines
        if table[name].astype("str").str.contains("[\r\n]", na=False).any():
            raise FileError(f"{path}: a cell of {name!r} goes over several lines: remove its quotation marks")
        if DATE.match("".join(table[name].dropna().iloc[:1].astype("str"))):
            table[name], start_utc = _seconds(table[name], path)
    values = table.apply(pd.to_numeric, errors="coerce")
    useful = [name for name in names if values[name].notna().any()]
    return FileContent(useful, values[useful].to_numpy(float), units, start_utc=start_utc, metadata=metadata)


def _wrong(error: Exception, above: int) -> str:
    """What pandas found, of the table below so many lines, in a few words."""
    words = " ".join(str(error).split())
    if uneven := UNEVEN.search(words):
        expected, line, cells = map(int, uneven.groups())
        return f"line {above + line} has {cells} cells, not {expected}"
    if "EOF inside string" in words:
        return "a quotation mark is opened and never closed"
    return textwrap.shorten(words, 120, placeholder=" …")


def _metadata(lines: list[str]) -> dict[str, Any]:
    """What an export of ours says above its table."""
    metadata: dict[str, Any] = {}
    for line in lines:
        if entry := re.match(r"# (\w+): (.*)", line):
            with suppress(ValueError):
                metadata[entry[1]] = json.loads(entry[2])
    return metadata


def _head(lines: list[str], path: Path) -> tuple[int, list[str], dict[str, str], dict[str, Any]]:
    """How many lines stand above the first two of as many numbers, the columns' names and units, how it is written."""
    for separator, decimal in ((";", ","), (";", "."), ("\t", ","), ("\t", "."), (",", ".")):
        rows = [_cells(line, separator) for line in lines]
        filled = [(number, row) for number, row in enumerate(rows) if any(row)]
        for (number, row), (_, following) in pairwise(filled):
            if len(row) == len(following) >= 3 and _is_data(row, decimal) and _is_data(following, decimal):
                written = {"sep": separator, "decimal": decimal, "skipinitialspace": True}
                return number, *_named(rows[:number], len(row), path), written
    raise FileError(
        f"{path}: no two lines of three numbers or more, and no words, in its beginning: take out columns of words; "
        "is it a table of samples?"
    )


def _cells(line: str, separator: str) -> list[str]:
    """The cells of a line, out of their quotation marks; none of a comment."""
    if line.startswith("#"):
        return []
    return [cell.strip() for row in csv.reader([line], delimiter=separator, skipinitialspace=True) for cell in row]


def _named(rows: list[list[str]], width: int, path: Path) -> tuple[list[str], dict[str, str]]:
    """Names and units of so many columns, by the last rows above them that are as long and hold words."""
    above = [row for row in rows if len(row) == width and any(map(_is_word, row))][-2:]
    names = above[0] if above else [""] * width
    names = [name or f"column {k}" for k, name in enumerate(names, start=1)]
    names = [f"{name} {k}" if names.count(name) > 1 else name for k, name in enumerate(names, start=1)]
    if name := repeated(names):
        raise FileError(f"{path}: two columns are called {name!r}: rename one of them")
    units = dict(zip(names, above[1], strict=True)) if len(above) == 2 else {}
    return names, {name: unit.strip("[]() ") for name, unit in units.items()}


def _is_word(cell: str) -> bool:
    return not (cell == "" or DATE.match(cell) or _is_number(cell.replace(",", ".")))


def _is_data(row: list[str], decimal: str) -> bool:
    """Numbers, dates and empty cells, and three of the first two or more."""
    there = [cell for cell in row if cell]
    return len(there) >= 3 and all(DATE.match(cell) or _is_number(cell.replace(decimal, ".")) for cell in there)


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _seconds(column: pd.Series, path: Path) -> tuple[np.ndarray, str]:
    """Seconds from the first of some dates, and that one."""
    first = column.first_valid_index()
    times = pd.to_datetime(column, utc=True, format="ISO8601", errors="coerce")
    if (wrong := times.isna() & column.notna()).any():
        raise FileError(f"{path}: its times are no dates after ISO 8601: {str(column[wrong].iloc[0])[:60]!r}")
    start = instant(column[first])
    return (times - times[first]).dt.total_seconds().to_numpy(), start.isoformat() if start else ""
