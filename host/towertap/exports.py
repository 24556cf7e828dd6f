"""The table of windows as a file: how each format is written, and how a file of ours is told from any other."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from towertap.analysis import Analysis, describe
from towertap.doors.whole_file import whole_file
from towertap.errors import CallError
from towertap.lazily import h5py

CSV_START = b"# towertap windows\n"
"""By which a table of windows is told from any other .csv."""


@dataclass(frozen=True)
class Export:
    """One format: `write` makes the file, `recognise` says whether a file is such a table."""

    write: Callable[[Analysis, Path], None]
    recognise: Callable[[Path], bool]


def exporter(path: Path) -> Callable[[Analysis], None]:
    """What writes the windows of an analysis to `path`, whole or not at all, in the format of its suffix.

    Raises CallError for a suffix that is not in EXPORTS, for a folder that is not there, and where `path` is there
    already but no such table.
    """
    export = EXPORTS.get(path.suffix.lower())
    if export is None:
        raise CallError(f"{path}: no table is written as '{path.suffix}': give {' or '.join(EXPORTS)}")
    if not path.parent.is_dir():
        raise CallError(f"{path}: no folder '{path.parent}'; make it first, or give another --out")
    if path.exists() and not (path.is_file() and export.recognise(path)):
        raise CallError(f"{path}: there already, and no table of windows: not replaced; give another --out")

    def write(analysis: Analysis) -> None:
        with whole_file(path) as part:
            export.write(analysis, part)

    return write


def _write_csv(analysis: Analysis, path: Path) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(CSV_START.decode())
        for name, about in describe(analysis).items():
            low, high = about["band_hz"]
            noise = f"; noise {100 * about['noise_share']:.1f} %, {about['judged']}" if "judged" in about else ""
            beyond = "; beyond the mounting" if "beyond_mounting" in about else ""
            file.write(f"# {name}: {about['label']}, {about['unit']}, {low:g} to {high:g} Hz{noise}{beyond}\n")
        file.write(",".join(analysis.columns) + "\n")
        rows = zip(*analysis.columns.values(), strict=True)
        file.writelines(",".join(["" if math.isnan(value) else f"{value:.7g}" for value in row]) + "\n" for row in rows)


def _is_csv(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(CSV_START)) == CSV_START


def _write_hdf5(analysis: Analysis, path: Path) -> None:
    with h5py.File(path, "w") as file:
        file.attrs.update(rate_hz=analysis.rate_hz, window_s=analysis.window_s, settling_s=analysis.settling_s)
        about = describe(analysis)
        for name, column in analysis.columns.items():
            dataset = file.create_dataset(f"windows/{name}", data=column)
            dataset.attrs.update(about.get(name, {}))
        for name, value in analysis.whole.items():
            file.create_dataset(f"whole/{name}", data=value).attrs.update(about[name])


def _is_hdf5(path: Path) -> bool:
    try:
        with h5py.File(path) as file:
            return set(file) == {"windows", "whole"}
    except (OSError, RuntimeError):
        return False


EXPORTS = {".csv": Export(_write_csv, _is_csv), ".h5": Export(_write_hdf5, _is_hdf5)}
"""Suffix → format."""
