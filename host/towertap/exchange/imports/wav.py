"""WAV: one channel per axis; integers of a full scale that the user gives, or floats as they are."""

import warnings
from pathlib import Path

import numpy as np

from towertap.doors.files import size_of
from towertap.errors import FileError
from towertap.exchange.exports.wav import ending
from towertap.exchange.imports.form import MOST_BYTES, NO_METADATA, FileContent, export_metadata

WANTED = "a WAV file of samples"


def read(path: Path) -> FileContent:
    """Read all channels; the comment of a towertap export has names, full scale and true rate."""
    from scipy.io import wavfile

    size_of(path, WANTED, MOST_BYTES)
    metadata = export_metadata(ending(path).rpartition(b"INFOICMT")[2][4:].rstrip(b"\0"), path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", wavfile.WavFileWarning)  # about chunks without samples
            rate_hz, levels = wavfile.read(path)
    except Exception as error:  # scipy may raise anything for a damaged file
        raise FileError(f"{path}: cannot be read as WAV: {' '.join(str(error).split())[:100]}") from None
    values = np.atleast_2d(levels.T).T.astype(float)
    names = [f"channel {k + 1}" for k in range(values.shape[1])]
    is_integer = np.issubdtype(levels.dtype, np.integer)
    if levels.dtype == np.uint8:
        values -= 128.0
    if is_integer:
        values /= 2.0 ** (8 * levels.dtype.itemsize - 1)
    if metadata == NO_METADATA:
        return FileContent(names, values, rate_hz=float(rate_hz), unscaled=bool(is_integer))
    scales = [metadata.wav_full_scale.get(name.rsplit("_", 2)[0]) for name in metadata.channels]
    if None in scales or len(scales) != len(names):
        raise FileError(f"{path}: its metadata do not give the full scale of every channel")
    values[levels == metadata.wav_no_reading] = np.nan
    return FileContent(
        list(metadata.channels),
        values * np.array(scales, float),
        rate_hz=metadata.rate_hz or float(rate_hz),
        start_utc=metadata.start_utc or "",
        metadata=metadata,
    )
