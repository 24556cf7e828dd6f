"""What an export format is, and what several of them share."""

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from towertap.exchange.samples import FORMAT, Samples

MARKS = (FORMAT.encode(), FORMAT.encode("utf-32-le"))
"""Every export has one of these near its beginning or end; NumPy stores text as UTF-32."""
NEAR_BYTES = 2**18
"""Twice what metadata with a thousand gaps take."""


@dataclass(frozen=True)
class ExportFormat:
    """How a format is written, with FORMAT near the beginning or end of the file."""

    write: Callable[[Samples, Path], None]
    needs: str = ""
    """A library that comes with the extra `export`."""
    parts: Callable[[Samples], Sequence[Samples]] = lambda samples: [samples]
    """Cuts the samples into what one file can hold."""


def is_export(path: Path) -> bool:
    """Whether a file is an export of samples."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        ends = file.read(NEAR_BYTES)
        file.seek(-min(path.stat().st_size, NEAR_BYTES), os.SEEK_END)
        ends += file.read()
    return any(mark in ends for mark in MARKS)


@contextmanager
def columns_on_disk(samples: Samples, path: Path) -> Iterator[dict[str, Path]]:
    """Write time and each column to temporary files of float64 in the folder of `path`; give them by column name.

    For formats that store column after column: the samples are read once, and no column is held in memory.
    """
    names = ["time_s", *(column.name for column in samples.columns)]
    with TemporaryDirectory(prefix=".towertap-", dir=path.parent) as folder, ExitStack() as files:
        paths = {name: Path(folder) / name for name in names}
        opened = [files.enter_context(path.open("wb")) for path in paths.values()]
        for time_s, values in samples.blocks():
            for file, column in zip(opened, (time_s, *values.T), strict=True):
                file.write(column.astype("<f8").tobytes())
        files.close()
        yield paths
