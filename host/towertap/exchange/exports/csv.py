"""CSV: `# key: JSON` lines of metadata, a line of names, then time and values; a gap is a line without values."""

import json
from pathlib import Path

import numpy as np

from towertap.exchange.exports.form import ExportFormat
from towertap.exchange.samples import FORMAT, Samples

TIME, VALUE = "%.7f", "%.9g"
"""Tenths of a microsecond; nine digits, as many as tell any two 32-bit numbers apart."""


def write(samples: Samples, path: Path) -> None:
    """Write a block of lines at a time."""
    line = ",".join([TIME, *len(samples.columns) * [VALUE]]) + "\n"
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {FORMAT}\n")
        for key, value in samples.metadata.items():
            file.write(f"# {key}: {json.dumps(value, ensure_ascii=False)}\n")
        file.write(",".join(["time_s", *(column.name for column in samples.columns)]) + "\n")
        for time_s, values in samples.blocks():
            text = line * len(values) % tuple(np.column_stack([time_s, values]).ravel().tolist())
            file.write(text.replace("nan", "") if np.isnan(values).any() else text)


EXPORT = ExportFormat(write)
