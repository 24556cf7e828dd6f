"""WAV: one channel per axis, 32-bit integers of a stated full scale; each piece between gaps is a file of its own.

The header's rate is rounded to 1 Hz. The true rate and the other metadata are in the comment (ICMT) of the INFO list at
the end (Microsoft and IBM: Multimedia Programming Interface and Data Specifications 1.0, 1991).
"""

import json
import math
import struct
import wave
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from towertap.exchange.exports.form import NEAR_BYTES
from towertap.exchange.samples import Samples

FULL = 2**31
"""The integer for full scale."""
NO_READING = -FULL
"""No valid sample has this value."""
ROOM = math.sqrt(3)
"""Full scale over the chip's range: no vehicle axis can exceed it, whatever the mounting. Counts need no such room."""
MOST_BYTES = 2**32 - 2**24
"""Bytes of samples for which the 32-bit lengths in the headers suffice, with room for the comment."""


def parts(samples: Samples) -> Sequence[Samples]:
    """The pieces between gaps."""
    return samples.cut(MOST_BYTES // (4 * len(samples.columns)))


def write(samples: Samples, path: Path) -> None:
    """Write one piece; a sample without a reading is NO_READING."""
    (piece,) = samples.pieces
    room = 1.0 if samples.axes == "counts" else ROOM
    scale = {name: room * samples.full_scale(name) for name in samples.metadata["units"]}
    full_scale = np.array([scale[column.quantity] for column in samples.columns])
    with wave.open(str(path), "wb") as file:
        file.setnchannels(len(samples.columns))
        file.setsampwidth(4)
        file.setframerate(round(samples.rate_hz))
        file.setnframes(piece.n_rows)
        for _, values in samples.piece_blocks(piece):
            levels = np.rint(values / full_scale * FULL)
            file.writeframesraw(np.where(np.isnan(levels), NO_READING, levels).astype("<i4").tobytes())
    names = [column.name for column in samples.columns]
    wav_metadata = {"channels": names, "wav_full_scale": scale, "wav_no_reading": NO_READING}
    add_comment(path, json.dumps(samples.metadata | wav_metadata))


def add_comment(path: Path, comment: str) -> None:
    """Append an INFO list with a comment to a WAV file, and update the file's length in its header."""
    text = comment.encode("ascii", "replace") + b"\0"
    text += b"\0" * (len(text) % 2)
    chunk = b"LIST" + struct.pack("<I", 12 + len(text)) + b"INFOICMT" + struct.pack("<I", len(text)) + text
    with path.open("r+b") as file:
        file.seek(0, 2)
        file.write(chunk)
        length = file.tell()
        file.seek(4)
        file.write(struct.pack("<I", length - 8))


def ending(path: Path) -> bytes:
    """The end of a WAV file, where its comment is; empty for any other file."""
    with path.open("rb") as file:
        if file.read(4) != b"RIFF":
            return b""
        file.seek(-min(path.stat().st_size, NEAR_BYTES), 2)
        return file.read()
