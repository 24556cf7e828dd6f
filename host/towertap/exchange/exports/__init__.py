"""The ways out: one file a format, and one line in EXPORTS."""

from importlib.util import find_spec
from pathlib import Path

from towertap.doors.files import sibling
from towertap.doors.whole_file import whole_file
from towertap.errors import CallError
from towertap.exchange.exports import csv, mat, mdf, npz, parquet, uff, wav
from towertap.exchange.exports.form import ExportFormat, is_ours
from towertap.exchange.samples import Samples

EXPORTS: dict[str, ExportFormat] = {
    ".csv": csv.EXPORT,
    ".parquet": parquet.EXPORT,
    ".mat": mat.EXPORT,
    ".npz": npz.EXPORT,
    ".wav": wav.EXPORT,
    ".uff": uff.EXPORT,
    ".mf4": mdf.EXPORT,
}
"""Suffix → how its files are written."""


def export(samples: Samples, path: Path) -> list[Path]:
    """Write samples to `path` in the format of its suffix, each file whole or not at all; the files written.

    A bare suffix such as `.wav` stands for a file beside the capture. Where the format cannot hold gaps or so many
    samples, the pieces go into `NAME_01`, `NAME_02` and so on. CallError for a suffix that is not in EXPORTS, for a
    library that is missing, for a folder that is not there, and where something else than an export of ours would be
    replaced.
    """
    if path.name.startswith(".") and not path.suffix:
        path = sibling(samples.capture.path, path.name)
    form = EXPORTS.get(path.suffix.lower())
    if form is None:
        raise CallError(f"{path}: samples are not written as '{path.suffix}': give one of {', '.join(EXPORTS)}")
    if form.needs and find_spec(form.needs) is None:
        raise CallError(f"{path}: this needs the library {form.needs}: pip install 'towertap[export]'")
    if not path.parent.is_dir():
        raise CallError(f"{path}: no folder '{path.parent}'; make it first, or give another file")
    parts = form.parts(samples)
    digits = max(2, len(str(len(parts))))
    paths = [
        path if len(parts) == 1 else path.with_stem(f"{path.stem}_{number:0{digits}d}")
        for number in range(1, len(parts) + 1)
    ]
    for place in paths:
        if place.exists() and not is_ours(place):
            raise CallError(f"{place}: there already, and no export of samples: not replaced; give another file")
    for place, part in zip(paths, parts, strict=True):
        with whole_file(place) as unfinished:
            form.write(part, unfinished)
    return paths
