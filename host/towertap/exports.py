"""The table of windows as a CSV file."""

from pathlib import Path

from towertap.analysis import Analysis, describe
from towertap.doors.whole_file import whole_file
from towertap.errors import CallError

START = b"# towertap windows\n"
"""By which a table of windows is told from any other .csv."""


def refuse_to_replace(path: Path) -> None:
    """CallError where no table of windows can go: another suffix, no folder, or something else that is there."""
    if path.suffix.lower() != ".csv":
        raise CallError(f"{path}: no table is written as '{path.suffix}': give .csv")
    if not path.parent.is_dir():
        raise CallError(f"{path}: no folder '{path.parent}'; make it first, or give another --out")
    if path.exists() and not (path.is_file() and _is_table(path)):
        raise CallError(f"{path}: there already, and no table of windows: not replaced; give another --out")


def write_windows(analysis: Analysis, path: Path) -> None:
    """Write the windows of an analysis, whole or not at all, under a line on each metric."""
    with whole_file(path) as part, part.open("w", encoding="utf-8", newline="") as file:
        file.write(START.decode())
        for name, about in describe(analysis).items():
            low, high = about["band_hz"]
            noise = f"; noise {100 * about['noise_share']:.1f} %, {about['judged']}" if "judged" in about else ""
            beyond = "; beyond the mounting" if "beyond_mounting" in about else ""
            file.write(f"# {name}: {about['label']}, {about['unit']}, {low:g} to {high:g} Hz{noise}{beyond}\n")
        analysis.windows.to_csv(file, index=False, float_format="%.7g", lineterminator="\n")


def _is_table(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(START)) == START
