"""Recording at the bench: the recorder without a drive round it, straight to a capture."""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from towertap.box.naming import slug
from towertap.box.port import Box, Settings
from towertap.box.recorder import Progress, RecordingSummary, record
from towertap.capture.conditions import Conditions
from towertap.capture.decode import decode_raw
from towertap.errors import AnalysisError


def record_at_bench(
    box: Box,
    folder: Path,
    kind: str,
    settings: Settings,
    seconds: float,
    *,
    on_progress: Callable[[Progress], None] | None = None,
    stop: threading.Event | None = None,
) -> Path:
    """Record from a greeted box into `folder` and decode; gives the capture's path.

    The file is named after the box, what is measured, and the time. AnalysisError when nothing came.
    """
    folder.mkdir(parents=True, exist_ok=True)
    name = f"{slug(str(box.identity['serial']))}-{kind}-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    summary: RecordingSummary = record(
        box,
        folder / f"{name}.ttraw",
        Conditions(notes=f"bench: {kind}"),
        settings,
        seconds=seconds,
        on_progress=on_progress,
        marks=queue.SimpleQueue(),
        stop=stop,
    )
    if not summary.samples:
        raise AnalysisError(f"{summary.raw_path}: no samples came ({summary.ended}); check cable and box")
    return decode_raw(summary.raw_path, summary.raw_path.with_suffix(".h5"))
