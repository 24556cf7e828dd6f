"""What commands that read captures share: options, where output goes, and the progress bar."""

import functools
import sys
from collections.abc import Callable, Iterable, Iterator
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
    "--bench",
    type=FOLDER,
    default=default("bench"),
    help="Folder of bench records. Default: as set, or 'bench' next to the captures.",
)
port_option = click.option("--port", help="The box's serial port. Default: ask every port for a box.")
percent_option = functools.partial(click.option, type=float, metavar="PERCENT")
day_option = functools.partial(
    click.option,
    type=click.DateTime(["%Y-%m-%d"]),
    metavar="YYYY-MM-DD",
    callback=lambda context, option, moment: moment and moment.date(),
)
mounting_option = click.option(
    "--mounting", help="Chip axis along each vehicle axis, instead of the capture's: x=+X,y=+Y,z=+Z or x=+X,z=gravity."
)
fresh_option = click.option("--fresh", is_flag=True, help="Read every capture again; ignore results kept from earlier.")
whole_option = click.option(
    "--whole", is_flag=True, help="Also use standing, pulling away and what 'start' and 'stop' marks cut off."
)
full_option = click.option(
    "--full", is_flag=True, help="Print everything that the answer rests on; in the report, open every fold."
)


def metrics_option(verb: str, defaults: Iterable[str]) -> Callable[[Command], Command]:
    """The option --metric of a command that does `verb` to metrics."""
    words = f"A metric to {verb}; may be repeated, which costs power. Default: {', '.join(defaults)}."
    return click.option("--metric", "metrics", multiple=True, metavar="NAME", help=words)


def reads_captures(command: Command) -> Command:
    """Give a command --fresh and --scheduler; it gets `fresh` and `workers`."""

    @fresh_option
    @click.option(
        "--scheduler", metavar="ADDRESS", help="A Dask scheduler whose workers do the reading (needs towertap[fleet])."
    )
    @functools.wraps(command)
    def wrapper(*args: Any, scheduler: str | None, **kwargs: Any) -> Any:
        return command(*args, workers=functools.partial(fleet, scheduler) if scheduler else all_cores, **kwargs)

    return wrapper  # type: ignore[return-value]


def output_path(capture: Path, out: Path | None, suffix: str, start: bytes, what: str) -> Path:
    """Path of a file made from a capture: `out`, or next to the capture, or for an archived one the current folder.

    CallError if a file is there already that does not begin with `start`, the mark of files of this kind.
    """
    path = out or (Path(f"{capture.parent.name}{suffix}") if is_archived(capture) else sibling(capture, suffix))
    if path.exists():
        head = b""
        if path.is_file():
            with path.open("rb") as file:
                head = file.read(len(start))
        if head != start:
            raise CallError(f"{path}: exists and is not a {what}, so it is not replaced; give another --out")
    return path


@contextmanager
def counted_on_screen(what: str) -> Iterator[Callable[[int, int], None]]:
    """Give a function that shows on a terminal how many are done, of how many."""
    from rich.progress import Progress

    with Progress(console=console, transient=True, disable=not sys.stderr.isatty()) as progress:
        task = progress.add_task(what, total=None)
        yield lambda done, total: progress.update(task, completed=done, total=total)
