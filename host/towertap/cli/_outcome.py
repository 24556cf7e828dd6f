"""What a command answers, and the one place that prints it: people's text or one JSON object on standard output."""

from __future__ import annotations

import functools
import json
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import click
import numpy as np
from rich.console import Console, RenderableType

console = Console(stderr=True)
"""For progress and remarks: standard error, so that standard output stays clean for the answer."""


@dataclass(frozen=True)
class Outcome:
    """A command's answer: `data` for machines (--json), `text` for people, `status` for the shell (0 or 1)."""

    data: dict[str, Any]
    text: RenderableType
    status: int = 0


def answers(command: Callable[..., Outcome]) -> Callable[..., int]:
    """Give a command the option --json and print its Outcome; goes between `@click.command` and the function."""

    @click.option("--json", "as_json", is_flag=True, help="Print one JSON object on standard output, nothing else.")
    @functools.wraps(command)
    def wrapper(*args: Any, as_json: bool, **kwargs: Any) -> int:
        outcome = command(*args, **kwargs)
        if as_json:
            print(json.dumps(plain(outcome.data), allow_nan=False))
        else:
            Console(file=sys.stdout, soft_wrap=True, highlight=False).print(outcome.text)
        return outcome.status

    return wrapper


def plain(value: Any) -> Any:
    """Turn numpy values, tuples and paths into what JSON holds; a value that is not finite becomes null."""
    if isinstance(value, dict):
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
