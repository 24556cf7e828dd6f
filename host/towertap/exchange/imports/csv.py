"""CSV: columns under names, after whatever lines a recorder puts first; comma, semicolon or tab, point or comma."""

from __future__ import annotations

import json
import re
from contextlib import suppress
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from towertap.doors.files import opened
from towertap.doors.times import instant
from towertap.errors import FileError
from towertap.exchange.imports.form import MOST_BYTES, FileContent, our_metadata
from towertap.lazily import pd

WANTED = "a CSV file of samples"
HEAD_BYTES = 2**18
"""In which names and the first numbers stand."""
DATE = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d")


def read(path: Path) -> FileContent:
    """Read the whole table; FileError says what is no table about it."""
    with opened(path, WANTED, MOST_BYTES) as file:
        text = file.read(HEAD_BYTES).decode("utf-8-sig", "replace")
    lines = text.splitlines()[: -1 if len(text) >= HEAD_BYTES else None]
    names, units, written = _head(lines, path)
    try:
        table = pd.read_csv(path, names=names, index_col=False, comment="#", encoding_errors="replace", **written)
    except (ValueError, pd.errors.ParserError) as error:
        raise FileError(f"{path}: no table of numbers: {' '.join(str(error).split())[:120]}") from None
    metadata = our_metadata(_metadata(lines), path)
    start_utc = metadata.start_utc or ""
    for name in names:
        if DATE.match(str(table[name].iloc[0])):
            table[name], start_utc = _seconds(table[name], path)
    values = table.apply(pd.to_numeric, errors="coerce")
    useful = [name for name in names if values[name].notna().any()]
    return FileContent(useful, values[useful].to_numpy(float), units, start_utc=start_utc, metadata=metadata)


def _metadata(lines: list[str]) -> dict[str, Any]:
    """What an export of ours says above its table."""
    metadata: dict[str, Any] = {}
    for line in lines:
        if entry := re.match(r"# (\w+): (.*)", line):
            with suppress(ValueError):
                metadata[entry[1]] = json.loads(entry[2])
    return metadata


def _head(lines: list[str], path: Path) -> tuple[list[str], dict[str, str], dict[str, Any]]:
    """The columns' names and units, from above the first two lines of as many numbers, and how the table is written."""
    for separator, decimal in ((";", ","), (";", "."), ("\t", ","), ("\t", "."), (",", ".")):
        rows = [_cells(line, separator) for line in lines]
        for number, (row, following) in enumerate(pairwise(rows)):
            if len(row) == len(following) >= 3 and _is_data(row, decimal) and _is_data(following, decimal):
                written = {"sep": separator, "decimal": decimal, "skiprows": number}
                return *_named(rows[:number], len(row)), written
    raise FileError(f"{path}: no two lines of three or more numbers in its beginning; is it a table of samples?")


def _cells(line: str, separator: str) -> list[str]:
    """The cells of a line; none of a comment."""
    return [] if line.startswith("#") else [cell.strip().strip('"') for cell in line.split(separator)]


def _named(rows: list[list[str]], width: int) -> tuple[list[str], dict[str, str]]:
    """Names and units of so many columns, by the last rows above them that are as long."""
    above = [row for row in rows if len(row) == width and any(row)][-2:]
    names = above[0] if above else [f"column {k + 1}" for k in range(width)]
    units = dict(zip(names, above[1], strict=True)) if len(above) == 2 else {}
    names = [name or f"column {k + 1}" for k, name in enumerate(names)]
    if len(set(names)) < width:
        names = [f"{name} {k + 1}" if names.count(name) > 1 else name for k, name in enumerate(names)]
    return names, {name: unit.strip("[]() ") for name, unit in units.items()}


def _is_data(row: list[str], decimal: str) -> bool:
    """Numbers, dates and empty cells, and three numbers or more."""
    numbers = 0
    for cell in row:
        if not cell or DATE.match(cell):
            continue
        try:
            float(cell.replace(decimal, "."))
        except ValueError:
            return False
        numbers += 1
    return numbers >= 3


def _seconds(column: pd.Series, path: Path) -> tuple[np.ndarray, str]:
    """Seconds from the first of some dates, and that one in UTC."""
    first = instant(str(column.iloc[0]))
    try:
        times = pd.to_datetime(column, utc=True, format="ISO8601")
    except (ValueError, TypeError) as error:
        raise FileError(f"{path}: its times are no dates after ISO 8601: {' '.join(str(error).split())[:80]}") from None
    seconds = (times - times.iloc[0]).dt.total_seconds().to_numpy()
    return seconds, first.isoformat() if first else ""
