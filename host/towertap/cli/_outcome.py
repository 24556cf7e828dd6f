"""A command's answer, and the one place that prints it on standard output: as text or as one JSON object."""

import functools
import json
import math
import os
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, fields, is_dataclass
from pathlib import Path
from typing import Any

import click
import numpy as np
from rich.box import SIMPLE
from rich.console import RenderableType
from rich.constrain import Constrain
from rich.table import Table
from rich.text import Text

from towertap.doors.terminal import UNBROKEN, Terminal
from towertap.errors import CallError
from towertap.words import table as words
from towertap.words.phrases import unbroken

PATH = click.Path(path_type=Path)
FOLDER = click.Path(file_okay=False, path_type=Path)
FILE = click.Path(exists=True, dir_okay=False, path_type=Path)

console = Terminal(stderr=True)
"""For progress and remarks, on standard error: standard output is for the answer alone."""

NO_TERMINAL_COLUMNS = 200
"""Width of tables written to a file or another program, unless COLUMNS is set."""
READABLE_COLUMNS = 80
"""Longer lines are hard to read."""


@dataclass(frozen=True)
class Outcome:
    """A command's answer: `data` for machines (--json), `text` for people, exit `status` (0 or 1)."""

    data: dict[str, Any]
    text: RenderableType
    status: int = 0


def answers(command: Callable[..., Outcome]) -> Callable[..., int]:
    """Give a command the option --json and print its Outcome."""

    @click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output, nothing else.")
    @functools.wraps(command)
    def wrapper(*args: Any, as_json: bool, **kwargs: Any) -> int:
        refuse_infinite(kwargs)
        outcome = command(*args, **kwargs)
        try:
            if as_json:
                print(json.dumps(plain(outcome.data), allow_nan=False))
            else:
                width = None if sys.stdout.isatty() or "COLUMNS" in os.environ else NO_TERMINAL_COLUMNS
                Terminal(file=sys.stdout, soft_wrap=True, width=width).print(outcome.text)
            sys.stdout.flush()
        except BrokenPipeError:  # click would exit with status 1, which here means "not sound"
            raise CallError("standard output was closed before the answer was written") from None
        return outcome.status

    return wrapper


def refuse_infinite(given: dict[str, Any]) -> None:
    """Raise CallError for an option that is NaN or infinite: click's ranges accept `nan`."""
    for option in click.get_current_context().command.params:
        value = given.get(option.name or "")
        for number in value if isinstance(value, tuple) else (value,):
            if isinstance(number, float) and not math.isfinite(number):
                raise CallError(f"{option.opts[0]}: {number} is not a finite number")


MARKS = {True: ("ok", "green"), False: ("bad", "red"), None: ("--", "dim")}
"""Word and colour of a check that passes, fails, or cannot be judged."""


def judged(ok: bool | None, text: str) -> Text:
    """A line of text after the mark of its check."""
    return Text.assemble(MARKS[ok], " " * (4 - len(MARKS[ok][0])), text)


def lines(*parts: str | Text) -> Text:
    """Join lines, some of them coloured, into one text."""
    return Text("\n").join(part if isinstance(part, Text) else Text(part) for part in parts)


def as_rich(table: words.Table) -> Table:
    """A table for the terminal; cells that do not fit are folded, never cut."""
    drawn = Table(title=Text(table.title), title_justify="left", box=SIMPLE, pad_edge=False, padding=(0, 1, 0, 0))
    for name in table.columns[1:] if table.grouped else table.columns:
        drawn.add_column(Text(name), justify="right" if name in table.right else "left", overflow="fold")
    for heading, rows in table.groups():
        if table.grouped:
            drawn.add_row(Text(heading, style="bold"))
        for row in rows:
            drawn.add_row(*map(Text, row))
    return drawn


def paragraph(words: str, style: str = "") -> RenderableType:
    """Prose, folded at the terminal's width or at READABLE_COLUMNS."""
    return Constrain(Text(unbroken(words, UNBROKEN), style=style, no_wrap=False, overflow="fold"), READABLE_COLUMNS)


def folded(lines: Iterable[tuple[str, str]]) -> RenderableType:
    """Prose in two columns: names, and a folded line next to each."""
    grid = Table.grid(padding=(0, 1))
    grid.add_column(no_wrap=True, style="bold")
    grid.add_column(overflow="fold")
    for name, line in lines:
        grid.add_row(Text(name), Text(unbroken(line, UNBROKEN)))
    return Constrain(grid, READABLE_COLUMNS)


def plain(value: Any) -> Any:
    """Convert dataclasses, numpy values, tuples and paths to JSON types; NaN and infinity become None."""
    if is_dataclass(value) and not isinstance(value, type):
        value = {field.name: getattr(value, field.name) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if value is None or isinstance(value, str | int | float | bool):
        return value
    return str(value)
