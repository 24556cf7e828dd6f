"""Parquet: a column of time and one an axis, counts are whole numbers, a gap is a row of nulls."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

from towertap.exchange.exports.form import MARK, ExportFormat
from towertap.exchange.samples import FORMAT, Samples


def write(samples: Samples, path: Path) -> None:
    """The units stand in the metadata of each column."""
    import pyarrow as pa
    from pyarrow import parquet

    kind = pa.int32() if samples.axes == "counts" else pa.float64()
    fields = [pa.field("time_s", pa.float64(), metadata={"unit": "s"})]
    fields += [pa.field(column.name, kind, metadata={"unit": column.unit}) for column in samples.columns]
    schema = pa.schema(fields, metadata={FORMAT: json.dumps(samples.metadata, ensure_ascii=False)})
    alike = [column.name for column in samples.columns]  # a dictionary serves values that come again; no time does
    with parquet.ParquetWriter(path, schema, compression="zstd", use_dictionary=alike) as writer:
        for time_s, values in samples.blocks():
            columns = [pa.array(column, kind, mask=np.isnan(column), safe=False) for column in values.T]
            writer.write_batch(pa.record_batch([pa.array(time_s), *columns], schema))


def recognise(path: Path) -> bool:
    """Whether its footer says so."""
    from pyarrow import lib, parquet

    try:
        return MARK in (parquet.read_schema(path).metadata or {}).get(FORMAT.encode(), b"")
    except (lib.ArrowInvalid, OSError):
        return False


EXPORT = ExportFormat("Parquet", write, recognise, needs="pyarrow")
