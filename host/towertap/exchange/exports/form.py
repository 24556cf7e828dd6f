"""What a format of the ways out is."""

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from towertap.exchange.samples import FORMAT, Samples

MARKS = (FORMAT.encode(), FORMAT.encode("utf-32-le"))
"""One of these stands near the beginning or the end of every export; NumPy has texts in UTF-32."""
NEAR_BYTES = 2**18
"""A thousand gaps in the metadata take half of it."""


def whole(samples: Samples) -> Sequence[Samples]:
    """One part: the format has gaps, and room for all."""
    return [samples]


@dataclass(frozen=True)
class ExportFormat:
    """One format: how its file is written, with FORMAT near its beginning or its end."""

    write: Callable[[Samples, Path], None]
    needs: str = ""
    """The library of the extra `export` that writes it."""
    parts: Callable[[Samples], Sequence[Samples]] = whole
    """The samples cut into what one file can hold."""


def is_ours(path: Path) -> bool:
    """Whether what is there is an export of samples."""
    if not path.is_file():
        return False
    with path.open("rb") as file:
        ends = file.read(NEAR_BYTES)
        file.seek(-min(path.stat().st_size, NEAR_BYTES), os.SEEK_END)
        ends += file.read()
    return any(mark in ends for mark in MARKS)


@contextmanager
def columns_on_disk(samples: Samples, beside: Path) -> Iterator[dict[str, Path]]:
    """Files of float64 with the time and each column, by name, in a hidden folder `beside` a file while it is written.

    For formats that want a column after the other: the samples are read once, and none is held in memory.
    """
    names = ["time_s", *(column.name for column in samples.columns)]
    with TemporaryDirectory(prefix=".towertap-", dir=beside.parent) as folder, ExitStack() as files:
        paths = {name: Path(folder) / name for name in names}
        opened = [files.enter_context(path.open("wb")) for path in paths.values()]
        for time_s, values in samples.blocks():
            for file, column in zip(opened, (time_s, *values.T), strict=True):
                file.write(column.astype("<f8").tobytes())
        files.close()
        yield paths
