"""The transfer of `towertap compare`: from a second box at the input side of the part to the one compared."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from rich.console import RenderableType
from rich.progress import Progress

from towertap.cli._outcome import table
from towertap.compare.answer import Comparison
from towertap.compare.model import Drives
from towertap.compare.transfer import RoadTransfer, TransferBand
from towertap.report.words import number


def read_transfer(
    drives: Drives, input_position: str | None, include_unsound: bool, bench: Path | None, progress: Progress
) -> tuple[RoadTransfer, ...]:
    """The transfer by road; nothing where no input was named."""
    if input_position is None:
        return ()
    from towertap.compare.two_boxes import transfers  # few comparisons have a second box

    task = progress.add_task("reading the input", total=None)
    return transfers(
        drives,
        input_position,
        include_unsound=include_unsound,
        bench=bench,
        on_progress=lambda done, total: progress.update(task, completed=done, total=total),
    )


def transfer_tables(comparison: Comparison) -> Iterable[RenderableType]:
    """One table a road with both sides: what of the input arrives, and how much of the output follows it."""
    for road in (road for road in comparison.transfer if len({one.side for one in road.passes}) == 2):
        columns = ("Hz", "before", "after", "ratio, 95 % interval of all bands", "coherence", "by chance")
        title = f"Transfer on {road.road}: {road.output} over {road.input}, vertical, r.m.s. that follows"
        made = table(title, *columns, right=columns)
        for band in road.bands:
            made.add_row(
                band.name,
                number(band.before),
                number(band.after),
                _ratio(band),
                f"{band.before_coherence:.2f}, {band.after_coherence:.2f}",
                f"{band.chance:.2f}",
            )
        yield from (made, "")


def _ratio(band: TransferBand) -> str:
    if not band.judged:
        return "not judged"
    return f"{band.ratio:.2f} " + ("({:.2f}–{:.2f})".format(*band.interval) if band.interval else "(no interval)")
