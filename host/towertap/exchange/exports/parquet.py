"""Parquet: a time column and one column per axis, with units; counts are integers, a gap is a row of nulls."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np

from towertap.exchange.samples import FORMAT, Samples
from towertap.signals.filters import Array

GROUP_ROWS = 131072
"""Rows of a group. Memory holds one group, and the metadata of all groups until the file is closed."""


def write(samples: Samples, path: Path) -> None:
    """Write one row group at a time."""
    import pyarrow as pa
    from pyarrow import parquet

    kind = pa.int32() if samples.axes == "counts" else pa.float64()
    fields = [pa.field("time_s", pa.float64(), metadata={"unit": "s"})]
    fields += [pa.field(column.name, kind, metadata={"unit": column.unit}) for column in samples.columns]
    schema = pa.schema(fields, metadata={FORMAT: json.dumps(samples.metadata, ensure_ascii=False)})
    repeating = [column.name for column in samples.columns]  # all but time: a dictionary needs values that repeat
    with parquet.ParquetWriter(
        path, schema, compression="zstd", use_dictionary=repeating, write_statistics=False
    ) as writer:
        for rows in _groups(samples):
            arrays = [_array(field.type, column) for field, column in zip(fields, rows.T, strict=True)]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))


def _array(kind: Any, column: Array) -> Any:
    """An array of a pyarrow type, null for NaN; made from buffers, because `pyarrow.array` would import pandas."""
    import pyarrow as pa

    valid = ~np.isnan(column)
    values = np.where(valid, column, 0.0).astype(kind.to_pandas_dtype())
    bits = np.packbits(valid, bitorder="little")
    return pa.Array.from_buffers(kind, len(values), [pa.py_buffer(bits), pa.py_buffer(values)])


def _groups(samples: Samples) -> Iterator[Array]:
    """Rows of time and values, (rows, 1 + columns), about GROUP_ROWS at a time."""
    blocks: list[Array] = []
    for time_s, values in samples.blocks():
        blocks.append(np.column_stack([time_s, values]))
        if sum(map(len, blocks)) >= GROUP_ROWS:
            yield np.concatenate(blocks)
            blocks = []
    if blocks:
        yield np.concatenate(blocks)
