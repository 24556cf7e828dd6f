"""CSV: named columns after any header lines; separated by comma, semicolon or tab, with decimal point or comma."""

from __future__ import annotations

import csv
import io
import itertools
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
from towertap.exchange.imports.form import MOST_BYTES, FileContent, export_metadata, repeated
from towertap.lazily import pd

WANTED = "a CSV file of samples"
HEAD_BYTES = 2**17
"""Names and first numbers must be within these bytes, also the longest cell that Python's csv reads."""
DATE = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d")
UNEVEN = re.compile(r"Expected (\d+) fields in line (\d+), saw (\d+)")
"""pandas' message about a line with too many cells."""


def read(path: Path) -> FileContent:
    """Read the complete table; FileError says what is wrong with it."""
    with opened(path, WANTED, MOST_BYTES) as file:
        head = file.read(HEAD_BYTES)
        # `bytes.splitlines` splits at LF, CR LF and CR, as pandas does; `str.splitlines` at many other characters
        head_lines = head.splitlines(keepends=True)[: -1 if len(head) == HEAD_BYTES else None]
        lines = [line.decode("utf-8-sig", "replace").rstrip("\r\n") for line in head_lines]
        first, names, units, dialect = _parse_head(lines, path)
        file.seek(sum(map(len, head_lines[:first])))
        try:
            table = pd.read_csv(file, names=names, index_col=False, comment="#", encoding_errors="replace", **dialect)
        except (ValueError, pd.errors.ParserError) as error:
            raise FileError(f"{path}: not a table of numbers: {_explain(error, first)}") from None
    metadata = export_metadata(_metadata(lines), path)
    start_utc = metadata.start_utc or ""
    for name in table.columns[table.dtypes.map(lambda dtype: dtype.kind not in "iuf")]:
        # an unclosed quotation mark turns many lines into one cell
        if table[name].astype("str").str.contains("[\r\n]", na=False).any():
            raise FileError(f"{path}: a cell of {name!r} spans several lines; remove its quotation marks")
        if DATE.match("".join(table[name].dropna().iloc[:1].astype("str"))):
            table[name], start_utc = _seconds(table[name], path)
    values = table.apply(pd.to_numeric, errors="coerce")
    useful = [name for name in names if values[name].notna().any()]
    for name in useful:
        unread = table[name][values[name].isna()].dropna().astype("str")
        wrong = unread[unread.str.contains(r"\w")]  # a dash stands for no value
        if len(wrong):
            line = _line_number(path, first, int(wrong.index[0]))
            raise FileError(f"{path}: line {line} is not a row of numbers: {wrong.iloc[0][:60]!r}")
    return FileContent(useful, values[useful].to_numpy(float), units, start_utc=start_utc, metadata=metadata)


def _line_number(path: Path, lines_above: int, row: int) -> int:
    """The number of the line that pandas read as this row; pandas skips empty lines and comments."""
    with io.TextIOWrapper(opened(path, WANTED), "utf-8", "replace") as lines:
        rows = (number for number, line in enumerate(lines, 1) if number > lines_above and line.split("#")[0].strip())
        return next(itertools.islice(rows, row, None))


def _explain(error: Exception, lines_above: int) -> str:
    """Pandas' error in a few words, its line number counted from the start of the file."""
    words = " ".join(str(error).split())
    if uneven := UNEVEN.search(words):
        expected, line, cells = map(int, uneven.groups())
        return f"line {lines_above + line} has {cells} cells, not {expected}"
    if "EOF inside string" in words:
        return "a quotation mark is never closed"
    return textwrap.shorten(words, 120, placeholder=" …")


def _metadata(lines: list[str]) -> dict[str, Any]:
    """The metadata lines of a towertap export."""
    metadata: dict[str, Any] = {}
    for line in lines:
        if entry := re.match(r"# (\w+): (.*)", line):
            with suppress(ValueError):
                metadata[entry[1]] = json.loads(entry[2])
    return metadata


def _parse_head(lines: list[str], path: Path) -> tuple[int, list[str], dict[str, str], dict[str, Any]]:
    """The number of lines above the data, the columns' names and units, and the dialect for pandas.

    The data begin at the first two consecutive rows with the same number of cells, all numbers.
    """
    for separator, decimal in ((";", ","), (";", "."), ("\t", ","), ("\t", "."), (",", ".")):
        rows = [_cells(line, separator) for line in lines]
        filled = [(number, row) for number, row in enumerate(rows) if any(row)]
        for (number, row), (_, next_row) in pairwise(filled):
            if len(row) == len(next_row) >= 3 and _is_data(row, decimal) and _is_data(next_row, decimal):
                dialect = {"sep": separator, "decimal": decimal, "skipinitialspace": True}
                return number, *_column_names(rows[:number], len(row), path), dialect
    raise FileError(
        f"{path}: near its beginning there are no two lines of three or more numbers without words; is it a table of "
        "samples? Remove columns of words"
    )


def _cells(line: str, separator: str) -> list[str]:
    """The cells of a line, unquoted; none for a comment."""
    if line.startswith("#"):
        return []
    return [cell.strip() for row in csv.reader([line], delimiter=separator, skipinitialspace=True) for cell in row]


def _column_names(rows: list[list[str]], width: int, path: Path) -> tuple[list[str], dict[str, str]]:
    """Names and units of the columns, from the last one or two rows above the data with this many cells and words."""
    above = [row for row in rows if len(row) == width and any(map(_is_word, row))][-2:]
    names = above[0] if above else [""] * width
    names = [name or f"column {k}" for k, name in enumerate(names, start=1)]
    names = [f"{name} {k}" if names.count(name) > 1 else name for k, name in enumerate(names, start=1)]
    if name := repeated(names):
        raise FileError(f"{path}: two columns are called {name!r}; rename one")
    units = dict(zip(names, above[1], strict=True)) if len(above) == 2 else {}
    return names, {name: unit.strip("[]() ") for name, unit in units.items()}


def _is_word(cell: str) -> bool:
    return not (cell == "" or DATE.match(cell) or _is_number(cell.replace(",", ".")))


def _is_data(row: list[str], decimal: str) -> bool:
    """Whether a row holds only numbers, dates and empty cells, and at least three that are not empty."""
    filled = [cell for cell in row if cell]
    return len(filled) >= 3 and all(DATE.match(cell) or _is_number(cell.replace(decimal, ".")) for cell in filled)


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _seconds(column: pd.Series, path: Path) -> tuple[np.ndarray, str]:
    """Seconds since the first of a column of dates, and that date in UTC."""
    first = column.first_valid_index()
    times = pd.to_datetime(column, utc=True, format="ISO8601", errors="coerce")
    if (is_wrong := times.isna() & column.notna()).any():
        raise FileError(f"{path}: a time is not an ISO 8601 date: {str(column[is_wrong].iloc[0])[:60]!r}")
    start = instant(column[first])
    return (times - times[first]).dt.total_seconds().to_numpy(), start.isoformat() if start else ""
