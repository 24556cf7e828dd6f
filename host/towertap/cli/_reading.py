"""How commands read many captures: the options that all of these share, and the bar that shows how far they are."""

import functools
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click

from towertap.archive.record import is_archived
from towertap.cli._outcome import FOLDER, console
from towertap.doors.files import sibling
from towertap.errors import CallError
from towertap.settings import default
from towertap.workers import all_cores, fleet

Command = TypeVar("Command", bound=Callable[..., Any])


bench_option = click.option(
    "--bench", type=FOLDER, default=default("bench"), help="Folder of bench records; as set, or bench beside captures."
)
port_option = click.option("--port", help="The box's serial port; found by greeting every port when not given.")
fresh_option = click.option(
    "--fresh", is_flag=True, help="Read every capture anew, whatever was kept of an earlier run."
)
full_option = click.option(
    "--full", is_flag=True, help="Tell all that the answer rests on; in the report, open every fold."
)


def reads_captures(command: Command) -> Command:
    """Give a command --fresh and --scheduler; it gets `fresh` and `workers`."""

    @fresh_option
    @click.option("--scheduler", metavar="ADDRESS", help="A scheduler of Dask whose workers read (towertap[fleet]).")
    @functools.wraps(command)
    def wrapper(*args: Any, scheduler: str | None, **kwargs: Any) -> Any:
        return command(*args, workers=functools.partial(fleet, scheduler) if scheduler else all_cores, **kwargs)

    return wrapper  # type: ignore[return-value]


def beside(capture: Path, out: Path | None, suffix: str, start: bytes, what: str) -> Path:
    """Where a file made of a capture goes: to `out`, or beside it; of an archived one, which stays as it is, here.

    CallError where something is there already that does not begin with `start`, as such a file does.
    """
    path = out or (Path(f"{capture.parent.name}{suffix}") if is_archived(capture) else sibling(capture, suffix))
    if path.exists():
        head = b""
        if path.is_file():
            with path.open("rb") as file:
                head = file.read(len(start))
        if head != start:
            raise CallError(f"{path}: there already, and no {what}: not replaced; give another --out")
    return path


@contextmanager
def counted_on_screen(what: str) -> Iterator[Callable[[int, int], None]]:
    """A function that shows how many of how many are done, where somebody looks."""
    from rich.progress import Progress

    with Progress(console=console, transient=True, disable=not sys.stderr.isatty()) as progress:
        task = progress.add_task(what, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)
