"""What a format of the ways out is."""

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from towertap.exchange.samples import FORMAT, Samples

MARK = json.dumps(FORMAT).encode()
"""What the metadata of every export holds, whatever the format around it."""


def whole(samples: Samples) -> Sequence[Samples]:
    """One part: the format has gaps, and room for all."""
    return [samples]


@dataclass(frozen=True)
class ExportFormat:
    """One format: how its file is written, and how one of ours is told from any other."""

    name: str
    write: Callable[[Samples, Path], None]
    recognise: Callable[[Path], bool]
    needs: str = ""
    """The library of the extra `export` that writes it."""
    parts: Callable[[Samples], Sequence[Samples]] = whole
    """The samples cut into what one file can hold."""


def begins(identity: bytes, within: int) -> Callable[[Path], bool]:
    """What knows a file again that begins so, and names FORMAT within so many bytes."""

    def recognise(path: Path) -> bool:
        with path.open("rb") as file:
            head = file.read(within)
        return head.startswith(identity) and FORMAT.encode() in head

    return recognise


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
