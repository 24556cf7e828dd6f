"""ASAM MDF 3 and 4: the channels of the largest group, on its own time."""

from datetime import timedelta
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from towertap.doors.files import opened
from towertap.errors import CallError, FileError
from towertap.exchange.imports.apart import Arrays, read_apart
from towertap.exchange.imports.form import MOST_BYTES, FileContent, our_metadata_in, repeated

IDENTITY = b"MDF     "
"""How every such file begins."""
TIME = "time"


def read(path: Path) -> FileContent:
    """Read the numeric channels of the group with most of them."""
    if find_spec("asammdf") is None:
        raise CallError(f"{path}: this needs the library asammdf: pip install 'towertap[export]'")
    with opened(path, "an MDF file of samples", MOST_BYTES) as file:
        if file.read(len(IDENTITY)) != IDENTITY:
            raise FileError(f"{path}: no MDF file: it does not begin as one")
    content = read_apart("mdf", path)
    if len(content.arrays) < 4:
        raise FileError(f"{path}: no group of three channels or more of numbers")
    texts = content.texts
    units = {name: texts[f"unit of {name}"] for name in content.arrays}
    values = np.column_stack([*content.arrays.values()]).astype(float)
    metadata = our_metadata_in(texts["description"], path)
    return FileContent(list(content.arrays), values, units, start_utc=texts["start_utc"], metadata=metadata)


def arrays(path: Path) -> Arrays:
    """Time from the first sample and channels of the group with most channels, each (n,), with units and texts."""
    from asammdf import MDF

    with MDF(path) as file:
        if not file.groups:
            raise ValueError("no group of channels")
        group = max(range(len(file.groups)), key=lambda k: len(file.groups[k].channels))
        signals = [file.get(group=group, index=k) for k in range(len(file.groups[group].channels))]
        description, start = str(getattr(file.header, "description", "") or ""), file.start_time
    numeric = [entry for entry in signals if np.issubdtype(entry.samples.dtype, np.number) and entry.samples.ndim == 1]
    channels = [entry for entry in numeric if not np.array_equal(entry.samples, entry.timestamps)]
    if not channels:
        raise ValueError("no channel of numbers")
    if name := repeated([TIME, *(str(entry.name) for entry in channels)]):
        raise ValueError(f"two channels are called {name!r}: rename one")
    times = channels[0].timestamps
    started = start + timedelta(seconds=float(times[0])) if start.year > 1970 else None
    texts = {"description": description, "start_utc": started.isoformat() if started else ""}
    texts |= {f"unit of {TIME}": "s"} | {f"unit of {entry.name}": str(entry.unit) for entry in channels}
    return Arrays({TIME: times - times[0]} | {str(entry.name): entry.samples for entry in channels}, texts)
