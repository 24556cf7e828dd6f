"""WAV: an axis a channel, whole numbers of a full scale that must be told, or numbers as they are."""

from __future__ import annotations

import json
import struct
import warnings
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from towertap.doors.files import opened, size_of
from towertap.errors import FileError
from towertap.exchange.exports.wav import TAIL_BYTES
from towertap.exchange.imports.form import MOST_BYTES, FileContent

WANTED = "a WAV file of samples"


def read(path: Path) -> FileContent:
    """Read all channels; an export of ours tells names, full scale and true rate in its comment."""
    from scipy.io import wavfile

    size = size_of(path, WANTED, MOST_BYTES)
    with opened(path, WANTED) as file:
        file.seek(-min(size, TAIL_BYTES), 2)
        metadata = _comment(file.read())
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)  # chunks that say nothing of the samples
            rate_hz, levels = wavfile.read(path)
    except (ValueError, EOFError, IndexError, KeyError, struct.error) as error:
        raise FileError(f"{path}: no WAV file that can be read: {' '.join(str(error).split())[:100]}") from None
    values = np.atleast_2d(levels.T).T.astype(float)
    names = [f"channel {k + 1}" for k in range(values.shape[1])]
    whole = np.issubdtype(levels.dtype, np.integer)
    if levels.dtype == np.uint8:
        values -= 128.0
    if whole:
        values /= 128.0 if levels.dtype == np.uint8 else float(2 ** (8 * levels.dtype.itemsize - 1))
    if not metadata:
        return FileContent(names, values, rate_hz=float(rate_hz), unscaled=bool(whole))
    values[levels == metadata["wav_no_reading"]] = np.nan
    values *= [metadata["wav_full_scale"][name.rsplit("_", 2)[0]] for name in metadata["channels"]]
    return FileContent(
        list(metadata["channels"]),
        values,
        rate_hz=float(metadata["rate_hz"]),
        start_utc=str(metadata["start_utc"] or ""),
        metadata=metadata,
    )


def _comment(tail: bytes) -> dict[str, Any]:
    """The metadata of an export of ours; empty where there is none."""
    _, mark, text = tail.rpartition(b"INFOICMT")
    with suppress(ValueError):
        metadata = json.loads(text[4:].rstrip(b"\0")) if mark else {}
        if isinstance(metadata, dict) and "wav_full_scale" in metadata:
            return metadata
    return {}
