"""Recording at the bench: the recorder without a drive round it, straight to a capture."""

import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from towertap.box.naming import bench_name
from towertap.box.port import SerialBox
from towertap.box.recorder import Recording, record
from towertap.capture.conditions import Conditions
from towertap.capture.decode import decode_raw
from towertap.errors import AnalysisError
from towertap.wire.decoder import Decoder


def record_at_bench(
    box: SerialBox,
    folder: Path,
    kind: str,
    odr_hz: int,
    seconds: float,
    *,
    on_progress: Callable[[Recording, Path], None] = lambda progress, raw_path: None,
    stop: threading.Event | None = None,
) -> Path:
    """Record from a greeted box into `folder` and decode; gives the capture's path.

    The files are named after the box, what is measured, and the time. `on_progress` gets the raw file's path as well,
    for whoever follows it. AnalysisError when nothing came.
    """
    folder.mkdir(parents=True, exist_ok=True)
    raw_path = folder / f"{bench_name(str(box.identity['serial']), kind, datetime.now(UTC))}.ttraw"
    recording: Recording = record(
        box,
        raw_path,
        Conditions(notes=f"bench: {kind}"),
        odr_hz,
        seconds=seconds,
        on_progress=lambda progress: on_progress(progress, raw_path),
        stop=stop,
    )
    if not recording.live.samples:
        raise AnalysisError(f"{recording.raw_path}: no samples came ({recording.ended}); check cable and box")
    return decode_raw(recording.raw_path, recording.raw_path.with_suffix(".h5"))


class Follower:
    """Reads what has come into a raw file since it last looked, as accelerations in m/s², chip axes."""

    def __init__(self, path: Path, accel_range_g: float) -> None:
        self._file = path.open("rb")
        self._decoder = Decoder()
        self._range_g = accel_range_g

    def new(self) -> NDArray[np.float64]:
        """The samples (n, 3) since the last call; n may be 0."""
        parts = [
            frames.counts()["acceleration"] * layout.quantities["acceleration"].scale(self._range_g)
            for frames in self._decoder.feed(self._file.read())
            if (layout := frames.layout)
        ]
        return np.concatenate(parts) if parts else np.empty((0, 3))

    def close(self) -> None:
        """Close the file."""
        self._file.close()
