"""The ways in: one file a format, and one line in IMPORTS; another recorder's samples become a capture."""

import json
import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from towertap.capture import schema
from towertap.capture.conditions import Conditions
from towertap.capture.continuity import NOT_IN_FILE
from towertap.capture.imported import CHIP, LAYOUTS_OF_OTHERS, Origin
from towertap.capture.reading import open_capture
from towertap.capture.writing import CaptureWriter
from towertap.doors.files import sha256_of, size_of
from towertap.doors.times import instant
from towertap.errors import CallError, FileError
from towertap.exchange.imports import csv, mat, mdf, wav
from towertap.exchange.imports.columns import RecordedMotion, motion
from towertap.exchange.imports.even import EvenSamples, even_samples
from towertap.exchange.imports.form import MOST_BYTES, NOT_OURS, Decisions, FileContent, ImportOptions
from towertap.signals.filters import Array
from towertap.signals.recorder import doubts, range_ends
from towertap.version import WRITTEN_BY

IMPORTS: dict[str, Callable[[Path], FileContent]] = {
    ".csv": csv.read,
    ".wav": wav.read,
    ".mat": mat.read,
    ".mf4": mdf.read,
}
"""Suffix → what reads its columns."""
FULL_COUNT = 2**31
HEADROOM = 1.001
"""Over the largest value, so that no count sits at the end of a range that nobody knows."""
FINEST = 1e-9
"""The smallest scale that a capture may have."""
UNIX_TIMES_S = (1e9, 4e9)
"""Seconds since 1970 in the years 2001 to 2096."""
IN_VEHICLE_AXES = "x=+X,y=+Y,z=+Z"


def import_file(
    path: Path, capture_path: Path, options: ImportOptions | None = None, given: dict[str, Any] | None = None
) -> Origin:
    """Make the capture `capture_path` of another recorder's file; what was settled on the way.

    `given` are fields of Conditions that a person told; an export of ours tells the others. The capture appears whole
    or not at all, and says for ever that no box made it; only an import of the same file is replaced. CallError for
    what must be told, FileError for a file that cannot be read or would be lost, AnalysisError for one whose times
    cannot carry the samples.
    """
    read = IMPORTS.get(path.suffix.lower())
    if read is None:
        raise CallError(f"{path}: samples are not read from '{path.suffix}': give one of {', '.join(IMPORTS)}")
    options, decisions = options or ImportOptions(), Decisions()
    size = size_of(path, "a file of samples", MOST_BYTES)
    digest = sha256_of(path)
    if capture_path.exists() and not _is_import_of(digest, capture_path):
        raise FileError(f"{capture_path}: there already, and no import of this file: not replaced; give another --out")
    content = _scaled(read(path), options, decisions)
    if content.metadata != NOT_OURS:
        decisions.add("found", f"an export of {content.metadata.capture}; what a box proves of that is not in it")
    raw = motion(content, options, decisions)
    samples = even_samples(raw, content, options, decisions)
    conditions = _conditions(content, given or {}, decisions)
    clipped, range_known = _clipped(raw, options, decisions)
    started_utc = _started(content, samples.first_s, decisions)
    acceleration = {f"acceleration {axis}": values for axis, values in zip("xyz", samples.values.T, strict=False)}
    for doubt in doubts(acceleration, samples.rate_hz):
        decisions.add("found", doubt)
    origin = Origin(
        file=path.name,
        options=msgspec.to_builtins(options),
        decisions=tuple(decisions),
        range_known=range_known,
        clipped=tuple(map(int, clipped.sum(axis=0))),
        clipped_samples=int(clipped.any(axis=1).sum()),
    )
    _write(
        capture_path,
        samples,
        {
            "odr_hz": content.metadata.nominal_rate_hz or float(f"{samples.rate_hz:.2g}"),
            "conditions": json.dumps(conditions.to_dict()),
            "host": json.dumps({"imported": msgspec.to_builtins(origin)}),
            "started_utc": started_utc,
            "raw_name": path.name,
            "raw_bytes": size,
            "raw_sha256": digest,
        },
    )
    return origin


def _is_import_of(digest: str, capture_path: Path) -> bool:
    with suppress(FileError), open_capture(capture_path) as capture:
        return capture.is_imported and capture.text("raw_sha256") == digest
    return False


def _scaled(content: FileContent, options: ImportOptions, decisions: Decisions) -> FileContent:
    """Whole numbers of a .wav, as parts of 1, by the full scale that a person tells."""
    if not content.unscaled:
        return content
    if options.full_scale is None:
        raise CallError("the file does not tell what its largest number stands for: say --full-scale, in --unit")
    decisions.add("told", f"the largest number of the file stands for {options.full_scale:g}")
    return replace(content, values=content.values * options.full_scale)


def _clipped(raw: RecordedMotion, options: ImportOptions, decisions: Decisions) -> tuple[np.ndarray, bool]:
    """Where axes sit at the end of the recorder's range, (rows, axes), and whether that end is known."""
    if options.largest is not None:
        decisions.add("told", f"the range of acceleration ends at ±{options.largest:g}")
        at_end = np.abs(raw.values) >= options.largest * raw.unit_si * (1 - 1e-6)
        at_end[:, 3:] = False
        return at_end, True
    at_end = np.zeros(raw.values.shape, bool)
    for axes in (slice(0, 3), slice(3, 6)):  # where one axis of a sensor is clipped, the others end there too
        values = np.abs(raw.values[:, axes])
        ends = {abs(end) for axis in raw.values[:, axes].T for end in range_ends(axis) if end is not None}
        at_end[:, axes] = np.isin(values, list(ends))
    return at_end, bool(at_end.any())


def _conditions(content: FileContent, given: dict[str, Any], decisions: Decisions) -> Conditions:
    """As told, else as an export of ours has them."""
    known = {name: value for name, value in content.metadata.conditions.items() if value not in ("", None)}
    if known:
        decisions.add("found", "the conditions of the drive, in the file's metadata")
    if content.metadata.axes == "vehicle":
        known["mounting"] = IN_VEHICLE_AXES
        decisions.add("found", "the axes are the vehicle's, by the file's metadata")
    conditions = Conditions.from_dict(known | given)
    if not conditions.mounting:
        decisions.add("found", "nothing tells how the recorder lay: say --mounting here, or to analyse")
    return conditions


def _started(content: FileContent, first_s: float, decisions: Decisions) -> str:
    """When the sample at `first_s` was made, ISO 8601, in UTC where the file says no zone; empty where none tells."""
    start = instant(content.start_utc)
    if start:
        with suppress(OverflowError, ValueError):  # beyond all dates: spoiled
            return (start + timedelta(seconds=content.metadata.starts_at_s + first_s)).isoformat()
    if not UNIX_TIMES_S[0] < first_s < UNIX_TIMES_S[1]:
        return ""
    start = datetime.fromtimestamp(first_s, UTC)
    decisions.add("assumed", f"time counts from 1970 in UTC, so that the first sample was made at {start.isoformat()}")
    return start.isoformat()


def _write(path: Path, samples: EvenSamples, attributes: dict[str, Any]) -> None:
    layout_id = -(samples.values.shape[1] // 3)
    layout = LAYOUTS_OF_OTHERS[layout_id]
    gap_rows = np.flatnonzero(samples.missing)
    with CaptureWriter(path) as writer:
        datasets, scales = schema.counts_of(layout), {}
        writer.create(datasets.values())
        for number, (name, dataset) in enumerate(datasets.items()):
            values: Array = samples.values[:, 3 * number : 3 * number + 3]
            scales[schema.SCALES[name]] = scale = max(HEADROOM * float(np.abs(values).max()) / FULL_COUNT, FINEST)
            writer.append(dataset.name, np.rint(values / scale).astype(np.int32))
        gaps = [(row, samples.missing[row], NOT_IN_FILE, 0) for row in gap_rows]
        writer.append("gaps", np.array(gaps, schema.GAP))
        writer.set_attributes(
            {
                "schema": schema.NAME,
                "schema_version": ".".join(map(str, schema.VERSION)),
                "written_by": WRITTEN_BY,
                "chip": CHIP,
                "layout": layout_id,
                "rate_hz": samples.rate_hz,
                "rate_interval_hz": list(samples.interval_hz),
                **scales,
                "anti_alias_hz": math.nan,
                "hello": "{}",
                "bye": "",
                "bad_frames": 0,
                "unknown_frames": 0,
                "skipped_bytes": 0,
                **attributes,
            }
        )
