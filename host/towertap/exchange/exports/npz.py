"""NumPy .npz: `time_s` and one array per axis, (n,) float64, and `metadata` as JSON text; a gap is one NaN."""

import json
import shutil
import zipfile
from pathlib import Path

import numpy as np

from towertap.exchange.exports.form import columns_on_disk
from towertap.exchange.samples import Samples


def write(samples: Samples, path: Path) -> None:
    """Write array by array."""
    with zipfile.ZipFile(path, "w") as archive, columns_on_disk(samples, path) as columns:
        with archive.open("metadata.npy", "w") as file:
            np.lib.format.write_array(file, np.array(json.dumps(samples.metadata)))
        for name, column in columns.items():
            with archive.open(f"{name}.npy", "w", force_zip64=True) as file, column.open("rb") as values:
                head = {"descr": "<f8", "fortran_order": False, "shape": (samples.n_rows,)}
                np.lib.format.write_array_header_1_0(file, head)
                shutil.copyfileobj(values, file)
