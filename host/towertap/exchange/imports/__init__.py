"""Import formats: one file and one line in IMPORTS for each. Another recorder's samples become a capture."""

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
from towertap.exchange.imports.form import MOST_BYTES, NO_METADATA, Decisions, FileContent, ImportOptions
from towertap.signals.filters import Array
from towertap.signals.recorder import doubts, range_ends
from towertap.version import WRITTEN_BY

IMPORTS: dict[str, Callable[[Path], FileContent]] = {
    ".csv": csv.read,
    ".wav": wav.read,
    ".mat": mat.read,
    ".mf4": mdf.read,
}
"""Suffix → what reads the file's columns."""
FULL_COUNT = 2**31
HEADROOM = 1.001
"""Full scale over the largest value, so that no count looks clipped."""
FINEST = 1e-9
"""The smallest scale a capture may have."""
UNIX_TIMES_S = (1e9, 4e9)
"""Times in this range are taken for seconds since 1970: the years 2001 to 2096."""
IN_VEHICLE_AXES = "x=+X,y=+Y,z=+Z"


def import_file(
    path: Path, capture_path: Path, options: ImportOptions | None = None, given: dict[str, Any] | None = None
) -> Origin:
    """Make the capture `capture_path` from another recorder's file; return what was decided on the way.

    `given` are fields of Conditions; an export of towertap brings the others. The capture is written completely or not
    at all, and says for ever that no box made it. It replaces only an import of the same file
    that was not corrected or struck out since. CallError if an option
    is needed, FileError for a file that cannot be read or would be overwritten, AnalysisError for time stamps that are
    too irregular.
    """
    read = IMPORTS.get(path.suffix.lower())
    if read is None:
        size_of(path, "a file of samples")
        raise CallError(f"{path}: samples cannot be read from '{path.suffix}'; give one of {', '.join(IMPORTS)}")
    options, decisions = options or ImportOptions(), Decisions()
    size = size_of(path, "a file of samples", MOST_BYTES)
    digest = sha256_of(path)
    if capture_path.exists():
        _refuse_replacing(capture_path, digest)
    content = _scaled(read(path), options, decisions)
    if content.metadata != NO_METADATA:
        decisions.add("found", f"an export of {content.metadata.capture}, without the box's own records")
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


def _refuse_replacing(capture_path: Path, digest: str) -> None:
    """Raise FileError unless the capture is an import of the same file that nobody corrected or struck out since."""
    with suppress(FileError), open_capture(capture_path) as capture:
        if capture.is_imported and capture.text("raw_sha256") == digest:
            if not {"history", "struck_out"} & capture.host.keys():
                return
            raise CallError(
                f"{capture_path}: corrected or struck out since its import, which another import would undo; change it "
                "with 'towertap correct', or give another --out"
            )
    raise FileError(f"{capture_path}: not an import of this file, so it is not replaced; give another --out")


def _scaled(content: FileContent, options: ImportOptions, decisions: Decisions) -> FileContent:
    """Scale the integers of a .wav, read as fractions of 1, with --full-scale."""
    if not content.unscaled:
        return content
    if options.full_scale is None:
        raise CallError("the file does not give its full scale: say what its largest integer means with --full-scale")
    decisions.add("told", f"the largest integer of the file means {options.full_scale:g}")
    return replace(content, values=content.values * options.full_scale)


def _clipped(raw: RecordedMotion, options: ImportOptions, decisions: Decisions) -> tuple[np.ndarray, bool]:
    """Which samples are at the end of the recorder's range, (rows, axes), and whether that end is known."""
    if options.largest is not None:
        decisions.add("told", f"the range of acceleration ends at ±{options.largest:g}")
        is_clipped = np.abs(raw.values) >= options.largest * raw.unit_si * (1 - 1e-6)
        is_clipped[:, 3:] = False
        return is_clipped, True
    is_clipped = np.zeros(raw.values.shape, bool)
    for axes in (slice(0, 3), slice(3, 6)):  # the axes of one sensor have the same range
        ends = {abs(end) for axis in raw.values[:, axes].T for end in range_ends(axis) if end is not None}
        is_clipped[:, axes] = np.isin(np.abs(raw.values[:, axes]), list(ends))
    return is_clipped, bool(is_clipped.any())


def _conditions(content: FileContent, given: dict[str, Any], decisions: Decisions) -> Conditions:
    """The conditions as given, or else from the metadata of an export."""
    known = {name: value for name, value in content.metadata.conditions.items() if value not in ("", None)}
    if known:
        decisions.add("found", "the conditions of the drive, in the file's metadata")
    if content.metadata.axes == "vehicle":
        known["mounting"] = IN_VEHICLE_AXES
        decisions.add("found", "the axes are vehicle axes, by the file's metadata")
    conditions = Conditions.from_dict(known | given)
    if not conditions.mounting:
        decisions.add("found", "no mounting of the recorder: give --mounting here, or to analyse")
    return conditions


def _started(content: FileContent, first_s: float, decisions: Decisions) -> str:
    """Date and time of the sample at `first_s`, ISO 8601, in UTC if the file has no zone; empty if not known."""
    start = instant(content.start_utc)
    if start:
        with suppress(OverflowError, ValueError):  # outside the range of dates: damaged
            return (start + timedelta(seconds=content.metadata.starts_at_s + first_s)).isoformat()
    if not UNIX_TIMES_S[0] < first_s < UNIX_TIMES_S[1]:
        return ""
    start = datetime.fromtimestamp(first_s, UTC)
    decisions.add("assumed", f"time counts from 1970 in UTC, so the first sample is of {start.isoformat()}")
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
