"""A table as plain texts, for the page, the terminal and a file alike."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Table:
    """Rows of cells under `columns`; those named in `right` hold numbers and stand flush right."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: tuple[str, ...] = ()
