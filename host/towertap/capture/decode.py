"""Raw recording to capture, in blocks: the same capture from the same bytes, however often it is done."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import h5py
import numpy as np

import towertap
from towertap.capture import schema
from towertap.capture.conditions import Conditions, read_sidecar
from towertap.capture.continuity import Continuity
from towertap.capture.rate import Rate, rate_of, readings_of
from towertap.capture.writing import CaptureWriter
from towertap.errors import FileError
from towertap.wire.decoder import Decoder, Frames
from towertap.wire.frames import FrameType
from towertap.wire.layouts import FULL_SCALE_COUNTS, LAYOUTS, NO_READING, ODR_HZ, STANDARD_GRAVITY_MS2

BLOCK_BYTES = 2**18
"""What is read at a time; a larger block costs more, since the system then hands out its memory anew every time."""

Progress = Callable[[int, int], None]
"""Called with bytes done and bytes in all."""


def decode_raw(
    raw_path: Path, capture_path: Path, conditions: Conditions | None = None, on_progress: Progress | None = None
) -> Path:
    """Make the capture `capture_path` from the raw recording; give its path back.

    Conditions come from the call or else from the sidecar beside the raw file. The capture appears whole or not at all.
    FileError when the file holds no frames of a box, FileError when they make no capture.
    """
    if capture_path.is_dir():
        raise FileError(f"{capture_path}: a folder; give the name of the capture to write")
    if capture_path.exists() and not h5py.is_hdf5(capture_path):
        raise FileError(f"{capture_path}: there already, and no capture: not replaced; give another name")
    sidecar = read_sidecar(raw_path)
    conditions = conditions or sidecar.pop("conditions")
    with CaptureWriter(capture_path) as writer:
        assembly = _Assembly(writer, sidecar.get("hello"))
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
                **assembly.finish(raw_path),
                "conditions": json.dumps(conditions.to_dict()),
                "host": json.dumps({key: value for key, value in sidecar.items() if key != "conditions"}),
                "started_utc": _clean(sidecar.get("started_utc", "")),
                "raw_name": _clean(raw_path.name),
                "raw_bytes": size,
                "raw_sha256": digest.hexdigest(),
            }
        )
    return capture_path


def _blocks(raw_path: Path, on_progress: Progress | None) -> Iterator[bytes]:
    if raw_path.is_dir():
        raise FileError(f"{raw_path}: a folder; give the raw recording (.ttraw) in it")
    if not raw_path.exists():
        raise FileError(f"{raw_path}: no such file; give a raw recording (.ttraw)")
    total = raw_path.stat().st_size
    if total == 0:
        raise FileError(f"{raw_path}: empty; nothing came from the box while it was recorded")
    done = 0
    with raw_path.open("rb") as file:
        while block := file.read(BLOCK_BYTES):
            done += len(block)
            yield block
            if on_progress:
                on_progress(done, max(total, done))


class _Assembly:
    """Puts decoded frames into the capture's datasets, in order."""

    def __init__(self, writer: CaptureWriter, hello: Any) -> None:
        self.decoder = Decoder()
        self._writer = writer
        self._continuity = Continuity()
        self._hello: dict[str, Any] = hello if isinstance(hello, dict) else {}
        self._bye: dict[str, Any] = {}
        self._layout = 0
        self._heard = 0

    def take(self, frames: Frames) -> None:
        self._heard += len(frames.headers)
        if frames.kind == FrameType.SAMPLES:
            self._samples(frames)
            return
        for k in range(len(frames.headers)):
            self._message(Frames(frames.headers[k : k + 1], frames.payloads[k : k + 1], frames.offsets[k : k + 1]))

    def _samples(self, frames: Frames) -> None:
        headers, layout = frames.headers, int(frames.headers["layout"][0])
        if self._layout not in (0, layout):
            raise FileError("the raw recording changes from one chip's samples to another's: record each on its own")
        self._layout = layout
        table = np.empty(len(headers), schema.FRAME)
        for name in ("sequence", "first_sample", "count", "clock_us", "fifo_level", "flags"):
            table[name] = headers[name]
        table["temperature_raw"], table["raw_offset"] = headers["temperature"], frames.offsets
        table["row"] = self._continuity.rows + np.cumsum(headers["count"], dtype=np.int64) - headers["count"]
        self._writer.append("gaps", self._continuity.samples(frames))
        self._writer.append("frames", table)
        valid = frames.packets["header"] & LAYOUTS[layout].valid_mask == LAYOUTS[layout].valid_bits
        for name in ("acceleration", "rotation"):
            counts = frames.counts(name)
            if not valid.all():
                counts[~valid] = NO_READING
            self._writer.append(name, counts.reshape(-1, 3))

    def _message(self, frame: Frames) -> None:
        row, clock_us = self._continuity.rows, int(frame.headers["clock_us"][0])
        if frame.kind == FrameType.HELLO:
            self._take_hello(frame)
        elif frame.kind == FrameType.MARK:
            self._writer.append("marks", np.array([(row, clock_us, _cut(frame.text, 200))], schema.MARK))
        elif frame.kind == FrameType.FAULT:
            fault, detail = (_cut(str(frame.data.get(key, "")), size) for key, size in (("fault", 64), ("detail", 256)))
            self._writer.append("faults", np.array([(row, clock_us, fault, detail)], schema.FAULT))
        elif frame.kind == FrameType.BYE:
            self._bye = frame.data
            self._writer.append("gaps", self._continuity.bye(int(frame.headers["first_sample"][0]), clock_us))

    def _take_hello(self, frame: Frames) -> None:
        hello = frame.data
        settings = ("odr_hz", "accel_range_g", "gyro_range_dps")
        running = hello.get("running") is True  # a box that does not run has no settings to tell
        told_before = self._hello.get("running") is True
        if (
            running
            and told_before
            and self._continuity.rows
            and any(hello.get(key) != self._hello.get(key) for key in settings)
        ):
            raise FileError("the raw recording changes rate or range on its way: record each setting on its own")
        self._continuity.hello(hello, int(frame.headers["first_sample"][0]))
        if running or not told_before:
            self._hello = hello

    def finish(self, raw_path: Path) -> dict[str, Any]:
        """Attributes that the frames tell; the errors that only the whole recording can have."""
        damage = self.decoder.damage
        if not self._heard and h5py.is_hdf5(raw_path):
            raise FileError(f"{raw_path}: already a capture or another HDF5 file; give the raw recording (.ttraw)")
        if not self._heard:
            raise FileError(f"{raw_path}: not a raw recording; there is not one whole frame of a box in it")
        if not self._continuity.rows:
            raise FileError(f"{raw_path}: the box answered but sent no samples; record again")
        self._writer.append("damage", np.array(damage.places, schema.DAMAGE))
        self._writer.flush()
        return {
            **_described(self._layout, self._hello, raw_path),
            **_rated(rate_of(readings_of(self._writer.file)), float(self._hello["odr_hz"])),
            "bye": json.dumps(self._bye) if self._bye else "",
            "bad_frames": damage.bad_frames,
            "unknown_frames": damage.unknown_frames,
            "skipped_bytes": damage.skipped_bytes,
        }


def _described(layout: int, hello: dict[str, Any], raw_path: Path) -> dict[str, Any]:
    """Attributes from the box's hello."""
    if not hello:
        raise FileError(f"{raw_path}: the box's hello is missing (cut off?), so rate and range are not known")
    usable = {"odr_hz": ODR_HZ, "accel_range_g": (0.1, 10_000), "gyro_range_dps": (0.1, 100_000)}
    for name, (lowest, highest) in usable.items():
        value = hello.get(name)
        if isinstance(value, bool) or not isinstance(value, int | float) or not lowest <= value <= highest:
            raise FileError(f"{raw_path}: the box's hello gives no usable {name}; bring its firmware up to date")
    told = hello.get("anti_alias_hz")
    anti_alias_hz = float(told) if isinstance(told, int | float) and 0 < told <= ODR_HZ[1] else math.nan
    return {
        "schema": schema.NAME,
        "schema_version": f"{schema.MAJOR}.{schema.MINOR}",
        "written_by": f"towertap {towertap.__version__}",
        "chip": _clean(hello.get("chip") or LAYOUTS[layout].chip),
        "layout": layout,
        "odr_hz": float(hello["odr_hz"]),
        "acceleration_scale_ms2": hello["accel_range_g"] / FULL_SCALE_COUNTS * STANDARD_GRAVITY_MS2,
        "rotation_scale_rads": math.radians(hello["gyro_range_dps"] / FULL_SCALE_COUNTS),
        "anti_alias_hz": anti_alias_hz,
        "hello": json.dumps(hello),
    }


def _rated(rate: Rate | None, odr_hz: float) -> dict[str, Any]:
    """The true rate; the nominal one, with no interval, when the frames carry no fit or an absurd one."""
    if rate is None or not 0.5 < rate.rate_hz / odr_hz < 2:
        return {"rate_hz": odr_hz, "rate_interval_hz": [math.nan, math.nan]}
    return {"rate_hz": rate.rate_hz, "rate_interval_hz": [rate.low_hz, rate.high_hz]}


def _cut(text: str, size: int) -> bytes:
    """UTF-8 of at most `size` bytes, never cut inside a character."""
    return text.encode("utf-8", "replace")[:size].decode("utf-8", "ignore").encode()


def _clean(value: Any) -> str:
    """Text that HDF5 can hold: UTF-8, without NUL, and not long."""
    return _cut(str(value).replace("\0", ""), 200).decode()
