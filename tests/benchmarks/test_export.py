"""What a long export takes in memory: the same for ten hours as for a minute, for every format.

TOWERTAP_BENCHMARK_SECONDS sets the length of the capture and has every format written; 36000 is ten hours at 4 kHz.
"""

from __future__ import annotations

import os
import subprocess
import sys

import h5py
import numpy as np
import pytest
from towertap.capture import schema
from towertap.capture.reading import open_capture
from towertap.capture.writing import CaptureWriter
from towertap.exchange.exports import EXPORTS
from towertap.wire.layouts import LAYOUTS

ASKED = os.environ.get("TOWERTAP_BENCHMARK_SECONDS")
SECONDS = float(ASKED or "60")
FORMATS = list(EXPORTS) if ASKED else [".csv", ".parquet", ".mf4"]
"""By default the one that is most used, and the two of the largest libraries."""
LARGEST_MB = 250
FRAME_ROWS, BLOCK_FRAMES = 32, 4096

WATCH = """
import os, subprocess, sys
child = subprocess.Popen([sys.executable, "-c", "from towertap.cli import main; main()", "export", *sys.argv[1:]])
status, usage = os.wait4(child.pid, 0)[1:]
print(status, usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024))
"""
"""Between this process and the command, since a new process's peak begins at that of the one it comes from."""


@pytest.fixture(scope="module")
def long_capture(tmp_path_factory, by_hand):
    """A capture of noise, written in blocks without its raw recording, with the attributes of a decoded one."""
    folder = tmp_path_factory.mktemp("long")
    with h5py.File(by_hand.capture(folder / "short", by_hand.recording(1))) as short:
        attributes = {
            name: schema.text_attribute(short, name)
            for name in short.attrs
            if short.attrs.get_id(name).dtype.kind == "S"
        }
        attributes = dict(short.attrs) | attributes
    counts = np.rint(np.random.default_rng(1).normal([0, 0, 2048, 0, 0, 0], 300, (BLOCK_FRAMES * FRAME_ROWS, 6)))
    with CaptureWriter(folder / "long.h5") as writer:
        writer.create(schema.counts_of(LAYOUTS[1]).values())
        for start in range(0, int(SECONDS * 4000), len(counts)):
            frames = np.zeros(BLOCK_FRAMES, schema.FRAMES.dtype)
            frames["row"] = frames["first_sample"] = start + FRAME_ROWS * np.arange(BLOCK_FRAMES)
            frames["count"], frames["clock_us"] = FRAME_ROWS, frames["row"] * 250
            writer.append(schema.FRAMES.name, frames)
            writer.append("acceleration_differences", counts[:, :3])
            writer.append("rotation_differences", counts[:, 3:])
        writer.set_attributes(attributes)
    open_capture(folder / "long.h5").close()
    return folder / "long.h5"


@pytest.mark.parametrize("suffix", FORMATS)
def test_an_export_takes_little_memory(long_capture, suffix):
    # Measured for ten hours: CSV 77, NumPy 73, WAV 73, MATLAB 83, UFF 125, Parquet 158, MDF 174 MB.
    target = long_capture.with_name(f"out{suffix}")
    words = [str(long_capture), "--to", str(target), "--chip-axes"]
    done = subprocess.run([sys.executable, "-c", WATCH, *words], capture_output=True, text=True)
    status, peak = map(int, done.stdout.split()[-2:])
    print(f"{suffix}: {peak / 1e6:.0f} MB")
    assert status == 0, done.stderr
    assert done.stdout.splitlines()[0].startswith(str(target)[: -len(suffix)])
    assert peak / 1e6 < LARGEST_MB
