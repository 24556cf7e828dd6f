"""Bytes to frames: streaming, strict about the check value; after damage the search goes on one byte further."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import accumulate, repeat
from typing import Any

import numpy as np

from towertap.doors.deflate import crc32
from towertap.doors.structured import from_json
from towertap.errors import FileError
from towertap.wire.frames import HEADER, MAX_PAYLOAD, OVERHEAD, SYNC, VERSION, FrameType
from towertap.wire.layouts import LAYOUTS, Layout

_AFTER_SYNC = struct.Struct("<4xBBxBHH")
_LONGEST_FRAME = OVERHEAD + MAX_PAYLOAD
_LARGEST_RUN = 512
_LONG_RUN = 64
"""From this many frames on, one check of all of them is cheaper than one of each."""
_PLACES_KEPT = 10_000
_NOT_FLAGS = np.uint64(0xFF00FFFF_FFFFFFFF)


@dataclass(frozen=True)
class Frames:
    """A run of k consecutive frames of the same type, layout and length; views, nothing is copied.

    Frames of an unknown type or layout are sound frames too.
    """

    headers: np.ndarray
    """(k,) of HEADER."""
    payloads: np.ndarray
    """(k, length) bytes."""
    offsets: np.ndarray
    """(k,) position of each frame's first byte in the stream."""

    @property
    def kind(self) -> int:
        """Type of all frames of the run, usually a FrameType."""
        return int(self.headers["type"][0])

    @property
    def layout(self) -> Layout | None:
        """How to read the samples; None for other frames and for an unknown layout."""
        return LAYOUTS.get(int(self.headers["layout"][0])) if self.kind == FrameType.SAMPLES else None

    def counts(self) -> dict[str, np.ndarray]:
        """Counts (n, 3) of `acceleration` and, if the chip has it, `rotation`; only for frames with a layout."""
        layout = LAYOUTS[int(self.headers["layout"][0])]
        unpacked = layout.unpack(self.payloads.view(layout.packet))
        return {name: counts.reshape(-1, 3) for name, counts in unpacked.items()}

    def singly(self) -> Iterator[Frames]:
        """The frames of the run one by one."""
        for k in range(len(self.headers)):
            yield Frames(self.headers[k : k + 1], self.payloads[k : k + 1], self.offsets[k : k + 1])

    @property
    def text(self) -> str:
        """The first frame's payload as text; invalid UTF-8 becomes U+FFFD."""
        return self.payloads[0].tobytes().decode("utf-8", "replace")

    @property
    def data(self) -> dict[str, Any]:
        """The first frame's payload as a JSON object; empty if it is none."""
        try:
            return from_json(self.payloads[0].tobytes(), dict[str, Any], "")
        except FileError:
            return {}


@dataclass
class Damage:
    """What the decoder could not use, and its position."""

    bad_frames: int = 0
    """Damaged frames: headers with a failed check value, at least one for each stretch of skipped bytes."""
    skipped_bytes: int = 0
    places: list[tuple[int, int]] = field(default_factory=list)
    """(offset, bytes) of the first ten thousand skipped stretches."""
    _reach: int = -1
    _failures: int = 0

    def skip(self, offset: int, size: int) -> None:
        """Record `size` bytes at `offset` as skipped; adjacent stretches are merged."""
        if size == 0:
            return
        if offset != self._reach:
            self.bad_frames += 1
            self._failures = 0
            if len(self.places) < _PLACES_KEPT:
                self.places.append((offset, 0))
        if self.places and sum(self.places[-1]) == offset:
            first, so_far = self.places[-1]
            self.places[-1] = (first, so_far + size)
        self.skipped_bytes += size
        self._reach = offset + size

    def fail(self, offset: int) -> None:
        """Record a plausible header at `offset` whose check value failed; one byte is skipped."""
        self.skip(offset, 1)
        self._failures += 1
        self.bad_frames += self._failures > 1


class Decoder:
    """Takes a stream in portions of any size and returns the frames whose check value is right, in order.

    The frames do not depend on how the stream was cut into portions. Memory: one portion and at most one frame. Work:
    linear in the stream, since a header can claim at most 2048 bytes of payload.
    """

    def __init__(self) -> None:
        self.damage = Damage()
        self._rest = b""
        self._offset = 0  # of the first byte of _rest in the stream
        self._run = 1

    def feed(self, portion: bytes) -> list[Frames]:
        """Frames completed by this portion of the stream.

        Only the frame that the last portion cut off is copied: joining whole portions would take longer than decoding.
        """
        if not self._rest:
            return self._scan(portion)
        before, joint = len(self._rest), self._rest + portion[:_LONGEST_FRAME]
        runs = self._scan(joint)
        if len(portion) > _LONGEST_FRAME:
            runs += self._scan(portion, len(joint) - len(self._rest) - before)
        return runs

    def finish(self) -> list[Frames]:
        """Frames in the remaining bytes, once no more will come."""
        return self._scan(self._rest, ended=True)

    def _scan(self, stream: bytes, at: int = 0, *, ended: bool = False) -> list[Frames]:
        """Frames in `stream` from position `at`; keeps the bytes that wait for more, and their offset."""
        self._offset -= at
        runs, end = [], len(stream)
        while at < end:
            start = stream.find(SYNC, at)
            if start < 0:
                start = end if ended else max(at, end - len(SYNC) + 1)
            self.damage.skip(self._offset + at, start - at)
            at = start
            length = _plausible_length(stream, at) if end - at >= OVERHEAD else MAX_PAYLOAD
            if length is not None and at + OVERHEAD + length > end and not ended:
                break  # wait for the rest of it
            if length is None or at + OVERHEAD + length > end:
                if at < end:
                    self.damage.skip(self._offset + at, 1)
                at += 1
                continue
            frames = self._run_at(stream, at, length)
            if frames is None:
                self.damage.fail(self._offset + at)
                at += 1
                continue
            at += len(frames.headers) * (OVERHEAD + length)
            runs.append(frames)
        at = min(at, end)
        self._rest, self._offset = stream[at:], self._offset + at
        return runs

    def _run_at(self, stream: bytes, at: int, length: int) -> Frames | None:
        """The run of sound frames like the first one that starts at `at`; None if the first frame is not sound.

        The number of frames tried grows eightfold with each full success and falls back to one, so the work per frame
        is bounded even if every frame differs from the last.
        """
        size = OVERHEAD + length
        tried = min(self._run, (len(stream) - at) // size)
        table = np.frombuffer(stream, _frame_dtype(length), tried, at)
        alike = (table["kind"] & _NOT_FLAGS == table["kind"][0] & _NOT_FLAGS) & (table["sizes"] == table["sizes"][0])
        sound = alike_frames = _first_false(alike)
        if sound < _LONG_RUN or crc32(memoryview(stream)[at : at + size * sound]) != _checks_of_runs(size)[sound]:
            checks = np.fromiter(map(crc32, table["checked"][:alike_frames]), np.uint32, alike_frames)
            sound = _first_false(table["crc"][:alike_frames] == checks)
        self._run = min(8 * self._run, _LARGEST_RUN) if sound == tried else 1
        if not sound:
            return None
        offsets = self._offset + at + size * np.arange(sound)
        return Frames(table["header"][:sound], table["payload"][:sound], offsets)


def _first_false(flags: np.ndarray) -> int:
    """Index of the first False; the length if there is none."""
    return len(flags) if flags.all() else int(flags.argmin())


def _plausible_length(stream: bytes, at: int) -> int | None:
    """Payload length that the header at `at` claims; None if it cannot be a header."""
    version, kind, layout, length, count = _AFTER_SYNC.unpack_from(stream, at)
    if version != VERSION or kind == 0 or length > MAX_PAYLOAD:
        return None
    if kind == FrameType.SAMPLES and layout in LAYOUTS and length != count * LAYOUTS[layout].packet.itemsize:
        return None
    return int(length)


@lru_cache(maxsize=16)
def _checks_of_runs(size: int) -> list[int]:
    """CRC-32 over n consecutive sound frames of `size` bytes, check values included, for every n up to _LARGEST_RUN.

    It does not depend on their content: a CRC is linear, and data followed by its own CRC always has the same CRC. An
    error in one frame is found as reliably as by its own check value; errors in several are missed once in 2**32.
    """
    frame = bytes(size - 4) + crc32(bytes(size - 4)).to_bytes(4, "little")
    return list(accumulate(repeat(frame, _LARGEST_RUN), lambda check, sound: crc32(sound, check), initial=0))


@lru_cache(maxsize=MAX_PAYLOAD + 1)
def _frame_dtype(length: int) -> np.dtype:
    """A frame, with views of the bytes that its check value covers and of two numbers that tell frame shapes apart."""
    return np.dtype(
        {
            "names": ["header", "payload", "crc", "checked", "kind", "sizes"],
            "formats": [HEADER, ("u1", (length,)), "<u4", f"V{HEADER.itemsize + length}", "<u8", "<u4"],
            "offsets": [0, HEADER.itemsize, HEADER.itemsize + length, 0, 0, 8],
            "itemsize": OVERHEAD + length,
        }
    )
