"""Decodes a raw recording into a capture, in blocks; the same bytes always give the same capture."""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

from towertap.capture import frame_table, schema
from towertap.capture.conditions import Conditions, read_sidecar
from towertap.capture.continuity import Continuity
from towertap.capture.rate import Rate, rate_of, readings_of
from towertap.capture.writing import CaptureWriter
from towertap.doors.files import opened, size_of
from towertap.errors import FileError
from towertap.lazily import h5py
from towertap.version import WRITTEN_BY
from towertap.wire.decoder import Decoder, Frames
from towertap.wire.frames import FrameType
from towertap.wire.layouts import LAYOUTS, Layout
from towertap.wire.messages import MESSAGES, Hello, cut, hello_of

BLOCK_BYTES = 2**18
"""Read size. Larger blocks are slower, because the system maps fresh memory for each one."""
RAW = "a raw recording (.ttraw)"

Progress = Callable[[int, int], None]
"""Called with bytes done and total bytes."""


def decode_raw(
    raw_path: Path, capture_path: Path, conditions: Conditions | None = None, on_progress: Progress | None = None
) -> Path:
    """Decode a raw recording into `capture_path`, which appears complete or not at all; returns its path.

    `conditions` default to those in the sidecar. FileError if the file has no frames of a box, or no usable ones.
    """
    if size_of(raw_path, RAW) == 0:
        raise FileError(f"{raw_path}: empty; the box sent nothing during the recording")
    if h5py.is_hdf5(raw_path):
        raise FileError(f"{raw_path}: already a capture or another HDF5 file; give {RAW}")
    if capture_path.exists() and os.path.samefile(capture_path, raw_path):
        raise FileError(f"{raw_path}: the capture would overwrite the raw recording; give it another name")
    if capture_path.exists() and not is_capture(capture_path):
        what = (
            "a folder; move it away"
            if capture_path.is_dir()
            else "already exists and is not a capture: not replaced; move it away"
        )
        raise FileError(f"{capture_path}: {what}, or give another name for the capture")
    sidecar = read_sidecar(raw_path)
    conditions = conditions or sidecar.pop("conditions")
    with CaptureWriter(capture_path) as writer:
        assembly = _Assembly(raw_path, writer, sidecar.get("hello") or {})
        digest, size = hashlib.sha256(), 0
        for block in _blocks(raw_path, on_progress):
            digest.update(block)
            size += len(block)
            for frames in assembly.decoder.feed(block):
                assembly.take(frames)
        for frames in assembly.decoder.finish():
            assembly.take(frames)
        writer.set_attributes(
            {
                **assembly.finish(),
                "conditions": json.dumps(conditions.to_dict()),
                "host": json.dumps({key: value for key, value in sidecar.items() if key != "conditions"}),
                "started_utc": _clean(sidecar.get("started_utc", "")),
                "raw_name": _clean(raw_path.name),
                "raw_bytes": size,
                "raw_sha256": digest.hexdigest(),
            }
        )
    return capture_path


def is_capture(path: Path) -> bool:
    """Whether a file is a capture, possibly damaged or empty, which may be overwritten by another."""
    if not path.is_file() or not h5py.is_hdf5(path):
        return path.is_file() and path.stat().st_size == 0
    try:
        with h5py.File(path) as file:
            return "schema" in file.attrs and schema.text_attribute(file, "schema") == schema.NAME
    except (OSError, RuntimeError, TypeError):
        return True


def _blocks(raw_path: Path, on_progress: Progress | None) -> Iterator[bytes]:
    total, done = size_of(raw_path, RAW), 0
    with opened(raw_path, RAW) as file:
        while block := file.read(BLOCK_BYTES):
            done += len(block)
            yield block
            if on_progress:
                on_progress(done, max(total, done))


class _Assembly:
    """Writes decoded frames to the capture's datasets, in order."""

    def __init__(self, raw_path: Path, writer: CaptureWriter, hello: dict[str, Any]) -> None:
        self.decoder = Decoder()
        self._raw_path = raw_path
        self._writer = writer
        self._continuity = Continuity()
        self._no_hello = "the box's hello is missing (cut off?), so rate and range are not known"
        self._hello = self._read_hello(hello) or Hello()
        self._hello_content = hello
        self._bye: dict[str, Any] | None = None
        self._layout_id = 0
        self._frames = 0
        self._unknown = 0

    def take(self, frames: Frames) -> None:
        """Store the samples or messages of a run."""
        self._frames += len(frames.headers)
        if frames.layout:
            self._samples(frames, frames.layout)
        else:
            for frame in frames.singly():
                self._continuity.message(frame)
                self._message(frame)
        for table, rows in (("gaps", self._continuity.gaps), ("lost_messages", self._continuity.lost_messages)):
            self._writer.add(table, rows)
            rows.clear()

    def _samples(self, frames: Frames, layout: Layout) -> None:
        headers, layout_id = frames.headers, int(frames.headers["layout"][0])
        datasets = schema.counts_of(layout)
        if not self._layout_id:
            self._writer.create(datasets.values())
        elif self._layout_id != layout_id:
            raise FileError(f"{self._raw_path}: has samples of two chips: record each separately")
        self._layout_id = layout_id
        table = np.empty(len(headers), frame_table.FRAME)
        for name in ("sequence", "first_sample", "count", "clock_us", "fifo_level", "flags"):
            table[name] = headers[name]
        table["temperature_raw"], table["raw_offset"] = headers["temperature"], frames.offsets
        table["row"] = self._continuity.rows + np.cumsum(headers["count"], dtype=np.int64) - headers["count"]
        self._continuity.samples(frames)
        self._writer.append(schema.FRAMES.name, table)
        for name, counts in frames.counts().items():
            self._writer.append(datasets[name].name, counts)

    def _message(self, frame: Frames) -> None:
        clock_us = int(frame.headers["clock_us"][0])
        if frame.kind == FrameType.HELLO:
            self._take_hello(frame)
        elif frame.kind == FrameType.BYE:
            self._bye = frame.data
            self._continuity.bye(int(frame.headers["first_sample"][0]), clock_us)
        message = MESSAGES.get(frame.kind)
        if message is None:
            self._unknown += 1
        elif table := message.table:
            self._writer.add(table.name, [(self._continuity.rows, clock_us, *table.row(frame))])

    def _read_hello(self, content: dict[str, Any]) -> Hello | None:
        """Parse a hello; None if it is invalid, which becomes the error message if no valid one follows."""
        try:
            return hello_of(content)
        except FileError as error:
            self._no_hello = str(error)
            return None

    def _take_hello(self, frame: Frames) -> None:
        content = frame.data
        if not content:
            self._no_hello = "the box's hello is not a JSON object, so rate and range are not known; record again"
        hello = self._read_hello(content)
        if hello is None:
            return
        have_settings = hello.running and self._hello.running  # a box that is not running sends none
        if have_settings and self._continuity.rows and hello.settings != self._hello.settings:
            raise FileError(f"{self._raw_path}: rate or range changes during the recording: record each separately")
        self._continuity.hello(hello, int(frame.headers["first_sample"][0]))
        if hello.running or not self._hello.running:
            self._hello, self._hello_content = hello, content

    def finish(self) -> dict[str, Any]:
        """Attributes from the frames; FileError if the recording as a whole is unusable."""
        raw_path, damage = self._raw_path, self.decoder.damage
        if not self._frames:
            raise FileError(f"{raw_path}: not a raw recording; it has not one complete frame of a box")
        if self._unknown and not self._continuity.rows:
            chip = f"{self._hello.chip or 'a chip'}, layout {self._hello.layout}"
            raise FileError(f"{raw_path}: samples of {chip}, which this towertap does not know: {schema.NEWER}")
        if not self._continuity.rows:
            raise FileError(f"{raw_path}: the box answered but sent no samples; record again")
        self._writer.add("damage", damage.places)
        self._writer.flush()
        if self._hello == Hello():
            raise FileError(f"{raw_path}: {self._no_hello}")
        return {
            **_described(self._layout_id, self._hello, raw_path),
            **_rated(rate_of(readings_of(self._writer.file)), self._hello.odr_hz),
            "hello": json.dumps(self._hello_content),
            "bye": "" if self._bye is None else json.dumps(self._bye),
            "bad_frames": damage.bad_frames,
            "unknown_frames": self._unknown,
            "skipped_bytes": damage.skipped_bytes,
        }


def _described(layout_id: int, hello: Hello, raw_path: Path) -> dict[str, Any]:
    """Attributes from the box's hello."""
    layout = LAYOUTS[layout_id]
    needed = ["odr_hz", *(quantity.range_key for quantity in layout.quantities.values())]
    for name in needed:
        if not getattr(hello, name) > 0:
            raise FileError(f"{raw_path}: the box's hello gives no usable {name}; update its firmware")
    return {
        "schema": schema.NAME,
        "schema_version": ".".join(map(str, schema.VERSION)),
        "written_by": WRITTEN_BY,
        "chip": _clean(hello.chip or layout.chip),
        "layout": layout_id,
        "odr_hz": hello.odr_hz,
        **{
            schema.SCALES[name]: quantity.scale(getattr(hello, quantity.range_key))
            for name, quantity in layout.quantities.items()
        },
        "anti_alias_hz": hello.anti_alias_hz or math.nan,
    }


def _rated(rate: Rate | None, odr_hz: float) -> dict[str, Any]:
    """The true rate; the nominal one, without an interval, if there is no fit or an absurd one."""
    if rate is None or not 0.5 < rate.rate_hz / odr_hz < 2:
        return {"rate_hz": odr_hz, "rate_interval_hz": [math.nan, math.nan]}
    return {"rate_hz": rate.rate_hz, "rate_interval_hz": [rate.low_hz, rate.high_hz]}


def _clean(text: str) -> str:
    """Text for an attribute, cut to 200 bytes."""
    return cut(text, 200).decode()
