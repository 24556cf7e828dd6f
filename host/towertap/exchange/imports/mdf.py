"""ASAM MDF 3 and 4: the channels of the largest group, on its own time."""

from importlib.util import find_spec
from pathlib import Path

import numpy as np

from towertap.doors.files import opened
from towertap.errors import CallError, FileError
from towertap.exchange.exports.mdf import IDENTITY
from towertap.exchange.imports.apart import Arrays, read_apart
from towertap.exchange.imports.form import MOST_BYTES, FileContent, our_metadata_in

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
    """Time and channels of the group with most channels, each (n,), with units, description and start."""
    from asammdf import MDF

    with MDF(path) as file:
        group = max(range(len(file.groups)), key=lambda k: len(file.groups[k].channels))
        signals = [file.get(group=group, index=k) for k in range(len(file.groups[group].channels))]
        start_utc = file.start_time.isoformat() if file.start_time.year > 1970 else ""
        texts = {"description": str(getattr(file.header, "description", "") or ""), "start_utc": start_utc}
    numeric = [entry for entry in signals if np.issubdtype(entry.samples.dtype, np.number) and entry.samples.ndim == 1]
    channels = {str(entry.name): entry for entry in numeric if not np.array_equal(entry.samples, entry.timestamps)}
    texts |= {f"unit of {TIME}": "s"} | {f"unit of {name}": str(entry.unit) for name, entry in channels.items()}
    times = next(iter(channels.values())).timestamps
    return Arrays({TIME: times} | {name: entry.samples for name, entry in channels.items()}, texts)
