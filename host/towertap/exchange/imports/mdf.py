"""ASAM MDF 3 and 4: the channels of the first group that holds three axes of acceleration."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

import numpy as np

from towertap.doors.files import size_of
from towertap.errors import CallError, FileError
from towertap.exchange.exports.form import MARK
from towertap.exchange.imports.form import MOST_BYTES, FileContent


def read(path: Path) -> FileContent:
    """Read the group with most numeric channels of which it has three or more, on its own time."""
    try:
        from asammdf import MDF
        from asammdf.blocks.utils import MdfException
    except ImportError:
        raise CallError(f"{path}: this needs the library asammdf: pip install 'towertap[export]'") from None

    size_of(path, "an MDF file of samples", MOST_BYTES)
    try:
        with MDF(path) as file:
            group = max(range(len(file.groups)), key=lambda k: len(file.groups[k].channels), default=0)
            channels = file.groups[group].channels if file.groups else []
            signals = [file.get(group=group, index=k) for k in range(len(channels))]
            description = str(getattr(file.header, "description", "") or "")
            start_utc = file.start_time.isoformat() if file.start_time.year > 1970 else ""
    except (MdfException, ValueError, KeyError, IndexError, TypeError, OSError) as error:
        raise FileError(f"{path}: no MDF file that can be read: {' '.join(str(error).split())[:100]}") from None
    numeric = [one for one in signals if np.issubdtype(one.samples.dtype, np.number) and one.samples.ndim == 1]
    metadata = {}
    if MARK in description.encode():
        with suppress(ValueError):
            metadata = json.loads(description)
    axes = [one for one in numeric if not np.array_equal(one.samples, one.timestamps)]
    if len(axes) < 3:
        raise FileError(f"{path}: no group of three channels or more of numbers")
    names = ["time", *(one.name for one in axes)]
    values = np.column_stack([axes[0].timestamps, *(one.samples.astype(float) for one in axes)])
    units = {"time": "s"} | {one.name: str(one.unit) for one in axes}
    return FileContent(names, values, units, start_utc=start_utc, metadata=metadata)
