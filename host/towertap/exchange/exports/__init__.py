"""Export formats: one file and one line in EXPORTS for each."""

from importlib.util import find_spec
from pathlib import Path

from towertap.doors.files import sibling
from towertap.doors.whole_file import whole_file
from towertap.errors import CallError
from towertap.exchange.exports import csv, mat, mdf, npz, parquet, uff, wav
from towertap.exchange.exports.form import ExportFormat, is_export
from towertap.exchange.samples import Samples

EXPORTS: dict[str, ExportFormat] = {
    ".csv": ExportFormat(csv.write),
    ".parquet": ExportFormat(parquet.write, needs="pyarrow"),
    ".mat": ExportFormat(mat.write),
    ".npz": ExportFormat(npz.write),
    ".wav": ExportFormat(wav.write, parts=wav.parts),
    ".uff": ExportFormat(uff.write, needs="pyuff"),
    ".mf4": ExportFormat(mdf.write, needs="asammdf"),
}
"""Suffix → format."""


def export(samples: Samples, path: Path) -> list[Path]:
    """Write samples to `path` in the format of its suffix, each file completely or not at all; return the files.

    A suffix alone, such as `.wav`, stands for a file next to the capture. If the format cannot hold gaps or that many
    samples, the pieces go into `NAME_01`, `NAME_02` and so on. CallError for an unknown suffix, a missing library or
    folder, or an existing file that is not an export.
    """
    if path.name.startswith(".") and not path.suffix:
        path = sibling(samples.capture.path, path.name)
    form = EXPORTS.get(path.suffix.lower())
    if form is None:
        raise CallError(f"{path}: samples cannot be written as '{path.suffix}'; give one of {', '.join(EXPORTS)}")
    if form.needs and find_spec(form.needs) is None:
        raise CallError(f"{path}: the library {form.needs} is missing: pip install 'towertap[export]'")
    if not path.parent.is_dir():
        raise CallError(f"{path}: no folder '{path.parent}'; create it first, or give another file")
    parts, paths = form.parts(samples), [path]
    if len(parts) > 1:
        digits = max(2, len(str(len(parts))))
        paths = [path.with_stem(f"{path.stem}_{number:0{digits}d}") for number in range(1, len(parts) + 1)]
    for part_path in paths:
        if part_path.exists() and not is_export(part_path):
            raise CallError(f"{part_path}: exists and is not an export, so it is not replaced; give another file")
    for part_path, part in zip(paths, parts, strict=True):
        with whole_file(part_path) as unfinished:
            form.write(part, unfinished)
    return paths
