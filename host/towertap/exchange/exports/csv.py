"""CSV: lines of metadata (`# key: JSON`), a line of names, then time and values; a gap is a line without values."""

import json
from pathlib import Path

import numpy as np

from towertap.exchange.samples import FORMAT, Samples

TIME, VALUE = "%.7f", "%.9g"
"""0.1 µs; and the nine digits that distinguish any two 32-bit floats."""


def write(samples: Samples, path: Path) -> None:
    """Write block by block."""
    line = ",".join([TIME, *len(samples.columns) * [VALUE]]) + "\n"
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {FORMAT}\n")
        for key, value in samples.metadata.items():
            file.write(f"# {key}: {json.dumps(value, ensure_ascii=False)}\n")
        file.write(",".join(["time_s", *(column.name for column in samples.columns)]) + "\n")
        for time_s, values in samples.blocks():
            text = line * len(values) % tuple(np.column_stack([time_s, values]).ravel().tolist())
            file.write(text.replace("nan", "") if np.isnan(values).any() else text)
