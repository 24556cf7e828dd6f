"""A capture on disk against FLAC level 8 of its six channels: `python -m tests.benchmarks.flac CAPTURE...`.

It needs libsndfile by `pip install soundfile`, which nothing else does. FLAC: RFC 9639; level 8 is libFLAC's best.
"""

import sys
import tempfile
from pathlib import Path

import numpy as np
import soundfile
from towertap.capture.reading import open_capture

BEST = 1.0
"""libsndfile's scale of 0 to 1 for libFLAC's levels 0 to 8."""


def sizes(path):
    """Bytes of a capture's file, of its counts in that, of FLAC level 8 of the same, and of 16 bits a count."""
    with open_capture(path) as capture, tempfile.TemporaryDirectory() as folder:
        names = list(capture.layout.quantities)
        counts = np.hstack([capture.counts(name, 0, capture.n_samples) for name in names])
        stored = sum(table.id.get_storage_size() for table in capture.file.values() if table.ndim == 2)
        flac = Path(folder) / "counts.flac"
        soundfile.write(flac, counts, round(capture.odr_hz), "PCM_16", format="FLAC", compression_level=BEST)
        assert np.array_equal(soundfile.read(flac, dtype="int16")[0], counts)
        return path.stat().st_size, stored, flac.stat().st_size, counts.nbytes


def said(name, file, stored, flac, plain):
    """One line of a capture, or of several together."""
    print(f"{name}: {stored / flac:.3f} × FLAC, {file / flac:.3f} with all tables; FLAC {flac / plain:.3f} of 16 bits")


def main():
    of_files = {path.name: sizes(path) for path in map(Path, sys.argv[1:])}
    for name, of_file in of_files.items():
        said(name, *of_file)
    said("together", *np.sum(list(of_files.values()), axis=0))


if __name__ == "__main__":
    main()
