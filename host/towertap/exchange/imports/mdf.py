"""ASAM MDF 3 and 4: the channels of the first group that holds three axes of acceleration."""

from __future__ import annotations

import gc
import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from towertap.doors.files import opened
from towertap.errors import CallError, FileError
from towertap.exchange.exports.mdf import IDENTITY
from towertap.exchange.imports.form import MOST_BYTES, FileContent, our_metadata_in


def read(path: Path) -> FileContent:
    """Read the group with most channels, on its own time."""
    try:
        import asammdf  # noqa: F401 (which takes a second to load)
    except ImportError:
        raise CallError(f"{path}: this needs the library asammdf: pip install 'towertap[export]'") from None

    with opened(path, "an MDF file of samples", MOST_BYTES) as file:
        if file.read(len(IDENTITY)) != IDENTITY:
            raise FileError(f"{path}: no MDF file: it does not begin as one")
    with _quiet_end():
        signals, description, start_utc, refusal = _read(path)
        if refusal:
            gc.collect()  # so that it says it now, and is not heard
    if refusal:
        raise FileError(f"{path}: no MDF file that can be read: {refusal[:100]}")
    numeric = [
        channel for channel in signals if np.issubdtype(channel.samples.dtype, np.number) and channel.samples.ndim == 1
    ]
    axes = [channel for channel in numeric if not np.array_equal(channel.samples, channel.timestamps)]
    if len(axes) < 3:
        raise FileError(f"{path}: no group of three channels or more of numbers")
    metadata = our_metadata_in(description, path)
    names = ["time", *(channel.name for channel in axes)]
    values = np.column_stack([axes[0].timestamps, *(channel.samples.astype(float) for channel in axes)])
    units = {"time": "s"} | {channel.name: str(channel.unit) for channel in axes}
    return FileContent(names, values, units, start_utc=start_utc, metadata=metadata)


def _read(path: Path) -> tuple[list[Any], str, str, str]:
    """The channels, the header's description and the start; or why it cannot be read, no exception holding the file."""
    from asammdf import MDF

    try:
        with MDF(path) as file:
            group = max(range(len(file.groups)), key=lambda k: len(file.groups[k].channels), default=0)
            channels = file.groups[group].channels if file.groups else []
            signals = [file.get(group=group, index=k) for k in range(len(channels))]
            description = str(getattr(file.header, "description", "") or "")
            start_utc = file.start_time.isoformat() if file.start_time.year > 1970 else ""
            return signals, description, start_utc, ""
    except Exception as error:  # of a broken file asammdf raises anything
        return [], "", "", " ".join(str(error).split()) or "damaged"


@contextmanager
def _quiet_end() -> Iterator[None]:
    """Without what asammdf's log and destructor say on standard error of a file that it could not open."""
    hook, sys.unraisablehook = sys.unraisablehook, lambda unraisable: None
    log = logging.getLogger("asammdf")
    log.disabled = True
    try:
        yield
    finally:
        sys.unraisablehook, log.disabled = hook, False
