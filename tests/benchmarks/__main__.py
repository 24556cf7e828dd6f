"""How fast all of it is, as a table: `python -m tests.benchmarks [CAPTURES]`. Processor time, since machines are busy.

Ratios are to bare kernels of the same run; commands are processes of their own, the best of three. CAPTURES is the
folder of captures that `towertap demo` made; without it passes of white noise are compared.
"""

import os
import shutil
import subprocess
import sys
import tempfile
import zlib
from collections import deque
from pathlib import Path

import numpy as np
from towertap.analysis import analyse_capture
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture
from towertap.kept import FOLDER

from tests.benchmarks.conftest import FRAME, RATE_HZ, seconds_of, write
from tests.benchmarks.test_analyse_speed import BARE_TURNS, CELLS, bare_filters
from tests.benchmarks.test_decode_speed import decoded, struct_loop
from tests.by_hand import HandMade

LONG_S, PASS_S = 600, 20
PARTS = ("rubber-bush", "polyurethane-bush")
NAMES = ("--before", PARTS[0], "--after", PARTS[1], "--smooth", "bypass")
SIDES = [(road, part, number) for road in ("bypass", "lane", "moor") for part in PARTS for number in range(1, 5)]

WATCH = """
import resource, subprocess, sys
call = [sys.executable, "-c", "from towertap.cli import main; main()", *sys.argv[1:]]
subprocess.run(call, stdout=subprocess.DEVNULL, check=True)
usage = resource.getrusage(resource.RUSAGE_CHILDREN)
print(usage.ru_utime + usage.ru_stime, usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024))
"""
"""Between this process and the command, since a new process's peak begins at that of the one it comes from."""


def main():
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        of_machine = f"{os.cpu_count()} cores, {processor()}, load {os.getloadavg()[0]:.0f}"
        print(f"{of_machine}; Python {sys.version.split()[0]}, numpy {np.__version__}\n")
        print("| what | measured |\n|---|---|")
        for what, measured in (*kernels(folder), *commands(folder)):
            print(f"| {what} | {measured} |", flush=True)


def kernels(folder):
    raw = write(folder / "long.ttraw", HandMade(), LONG_S)
    stream = write(folder / "short.ttraw", HandMade(), 40).read_bytes()
    loop, arrays, bare = seconds_of(
        lambda: deque(struct_loop(stream), maxlen=0),
        lambda: deque(decoded(stream), maxlen=0),
        lambda: checked_and_parted(stream),
        repeats=7,
    )
    yield (
        "raw bytes → checked arrays",
        f"{bare / arrays:.2f} of CRC-32 and de-interleaving alone; {loop / arrays:.0f} × a struct loop",
    )
    (decode,) = seconds_of(lambda: decode_raw(raw, folder / "long.h5"), repeats=3)
    yield "`decode` of 10 min of white noise", f"{LONG_S / decode:.0f} × real time"
    if len(sys.argv) > 1:
        driven = write(folder / "driven.ttraw", HandMade(), LONG_S, counts_of(sys.argv[1]))
        (decode,) = seconds_of(lambda: decode_raw(driven, folder / "driven.h5"), repeats=3)
        yield "`decode` of 10 min of drives", f"{LONG_S / decode:.0f} × real time"
    rows = LONG_S * RATE_HZ
    size = (folder / "long.h5").stat().st_size / (12 * rows)
    yield "a capture of white noise on disk", f"{size:.2f} of its counts in 16 bits"
    options = {"mounting": "x=+X,y=+Y,z=+Z"}
    with open_capture(folder / "long.h5") as capture:
        bare, metrics, cells = seconds_of(
            lambda: bare_filters(rows),
            lambda: analyse_capture(capture, **options),
            lambda: analyse_capture(capture, window_s=0.1, metrics=CELLS, knocks=True, **options),
        )
    for what, took in (("all metrics", metrics), ("third-octaves, cells and knocks", cells)):
        yield (
            f"analysing 10 min, {what}",
            f"{LONG_S / took:.0f} × real time, {BARE_TURNS * took / bare:.1f} bare filters",
        )


def counts_of(folder):
    """The counts (n, 6) of all captures in a folder, one behind the other."""
    drives = []
    for path in sorted(Path(folder).glob("*.h5")):
        with open_capture(path) as capture:
            names = capture.layout.quantities
            drives.append(np.hstack([capture.counts(name, 0, capture.n_samples) for name in names]))
    return np.vstack(drives)


def checked_and_parted(stream):
    """The bare kernel: one CRC-32 of all bytes, and the counts of every frame."""
    first = stream.find(b"\xa7\x74\x62\xd5", 4)
    frames = np.frombuffer(stream, FRAME, (len(stream) - first) // FRAME.itemsize, first)
    zlib.crc32(stream)
    counts = frames["packets"]["counts"].reshape(-1, 6).astype("<i2")
    return np.ascontiguousarray(counts[:, :3]), np.ascontiguousarray(counts[:, 3:])


def drives_in(folder):
    """A copy of the demo's captures, or passes of white noise, with nothing kept beside them."""
    folder.mkdir()
    if len(sys.argv) > 1:
        for path in Path(sys.argv[1]).glob("*.h5"):
            shutil.copy(path, folder)
        return
    made_up = HandMade()
    for seed, (road, part, number) in enumerate(SIDES):
        rng = np.random.default_rng(seed)
        spread = (60 if road == "bypass" else 300 if part == PARTS[0] else 360) * np.exp(0.03 * rng.standard_normal())
        frames = made_up.recording(counts=made_up.noise(rng, spread, PASS_S * RATE_HZ), rolls=True)
        made_up.capture(folder / f"{road}_{part}_{number}", frames, made_up.conditions(part, road, number))


def commands(folder):
    drives = folder / "drives"
    drives_in(drives)
    paths = sorted(drives.glob("*.h5"))
    capture, report = paths[-1], ("--report", folder / "report", "--no-sounds")
    for command in (("compare", "--help"), ("plan", "--help"), ("check", "--help")):
        yield f"`{' '.join(command)}`", best(command)
    yield "`check` of a pass", best(("check", capture))
    yield "`analyse` of a pass, nothing kept", best(("analyse", capture, "--fresh"))
    yield "… kept", best(("analyse", capture))
    yield f"`compare` of {len(paths)} passes, nothing kept", best(("compare", drives, *NAMES, "--fresh"))
    size = sum(path.stat().st_size for path in (drives / FOLDER).iterdir()) / len(paths) / 1000
    yield f"… kept, {size:.0f} kB a pass", best(("compare", drives, *NAMES))
    yield "… with the report, nothing kept", best(("compare", drives, *NAMES, *report, "--fresh"))
    yield "… kept, with the report", best(("compare", drives, *NAMES, *report))


def best(words):
    """The least processor time of three runs of a command, and the peak of its largest process."""
    runs = []
    for _ in range(3):
        call = [sys.executable, "-c", WATCH, *map(str, words)]
        runs.append([*map(float, subprocess.run(call, stdout=subprocess.PIPE, check=True).stdout.split())])
    return f"{min(runs)[0]:.2f} s, {max(peak for _, peak in runs) / 1e6:.0f} MB"


def processor():
    names = [
        line.split(":")[1].strip() for line in Path("/proc/cpuinfo").read_text().splitlines() if "model name" in line
    ]
    return names[0] if names else "an unknown processor"


if __name__ == "__main__":
    main()
