"""ASAM MDF 3 and 4: the channels of the largest group, with its time."""

from datetime import timedelta
from importlib.util import find_spec
from pathlib import Path

import numpy as np

from towertap.doors.files import opened
from towertap.errors import CallError, FileError
from towertap.exchange.imports.apart import Arrays, read_apart
from towertap.exchange.imports.form import MOST_BYTES, FileContent, export_metadata, repeated

IDENTITY = b"MDF     "
"""The first bytes of every MDF file."""
TIME = "time"


def read(path: Path) -> FileContent:
    """Read the numeric channels of the group with the most channels."""
    if find_spec("asammdf") is None:
        raise CallError(f"{path}: the library asammdf is missing: pip install 'towertap[export]'")
    with opened(path, "an MDF file of samples", MOST_BYTES) as file:
        if file.read(len(IDENTITY)) != IDENTITY:
            raise FileError(f"{path}: not an MDF file by its first bytes")
    content = read_apart("mdf", path)
    if len(content.arrays) < 4:
        raise FileError(f"{path}: no group has three or more numeric channels")
    texts = content.texts
    units = {name: texts[f"unit of {name}"] for name in content.arrays}
    values = np.column_stack([*content.arrays.values()]).astype(float)
    metadata = export_metadata(texts["description"], path)
    return FileContent(list(content.arrays), values, units, start_utc=texts["start_utc"], metadata=metadata)


def arrays(path: Path) -> Arrays:
    """Time since the first sample and the numeric channels of the largest group, each (n,); units and texts."""
    from asammdf import MDF

    with MDF(path) as file:
        if not file.groups:
            raise ValueError("it has no group of channels")
        group = max(range(len(file.groups)), key=lambda k: len(file.groups[k].channels))
        signals = [file.get(group=group, index=k) for k in range(len(file.groups[group].channels))]
        description, start = str(getattr(file.header, "description", "") or ""), file.start_time
    vectors = [signal for signal in signals if signal.samples.ndim == 1 and signal.samples.dtype.kind in "iufc"]
    channels = [vector for vector in vectors if not np.array_equal(vector.samples, vector.timestamps)]
    if not channels:
        raise ValueError("it has no numeric channel")
    if name := repeated([TIME, *(str(signal.name) for signal in channels)]):
        raise ValueError(f"two channels are called {name!r}; rename one")
    times = channels[0].timestamps
    started = start + timedelta(seconds=float(times[0])) if start.year > 1970 else None
    texts = {"description": description, "start_utc": started.isoformat() if started else ""}
    texts |= {f"unit of {TIME}": "s"} | {f"unit of {signal.name}": str(signal.unit) for signal in channels}
    return Arrays({TIME: times - times[0]} | {str(signal.name): signal.samples for signal in channels}, texts)
