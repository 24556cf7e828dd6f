"""An archive worked through by Dask, on a cluster of this computer: `python -m tests.benchmarks.fleet --captures 1000`.

Simulated captures of white noise; of every 20 one is made and the others are copies, which costs as much to read.
"""

import argparse
import os
import resource
import shutil
import tempfile
import time
from pathlib import Path

import numpy as np
import towertap as tt
from distributed import Client, LocalCluster

from tests.benchmarks.conftest import RATE_HZ
from tests.by_hand import HandMade

COPIES = 20


def values(path):
    """What is wanted of a capture: whether it is sound, and the whole values of its metrics; or why it cannot be."""
    try:
        with tt.open(path) as capture:
            return capture.check().sound, capture.analyse().whole
    except tt.TowertapError as error:
        return False, str(error)


def made(folder, count, seconds):
    """So many captures of so many seconds."""
    made_up = HandMade()
    conditions = made_up.conditions("soft", "lane", 1)
    for number in range(0, count, COPIES):
        rng = np.random.default_rng(number)
        frames = made_up.recording(counts=made_up.noise(rng, 300, seconds * RATE_HZ), rolls=True)
        first = made_up.capture(folder / f"{number:06}", frames, conditions)
        first.with_suffix(".ttraw").unlink()
        for copy in range(number + 1, min(number + COPIES, count)):
            shutil.copy(first, folder / f"{copy:06}.h5")
    return sorted(folder.glob("*.h5"))


def memory_mb(pid):
    """Resident memory of a process."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


def processor_s(pid):
    """Processor time of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--captures", type=int, default=1000)
    parser.add_argument("--seconds", type=int, default=10)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        paths = made(Path(place), options.captures, options.seconds)
        size = sum(path.stat().st_size for path in paths)
        cluster = LocalCluster(n_workers=os.cpu_count(), threads_per_worker=1, dashboard_address=None)
        with cluster, Client(cluster) as client:
            workers = list(client.run(os.getpid).values())
            client.gather(client.map(values, paths[: len(workers)] * 2, pure=False))  # what it needs is loaded
            before = {pid: (processor_s(pid), memory_mb(pid)) for pid in (os.getpid(), *workers)}
            began = time.monotonic()
            results = client.gather(client.map(values, paths, pure=False, batch_size=100))
            took = time.monotonic() - began
            used = {pid: processor_s(pid) - before[pid][0] for pid in before}
            grown = {pid: memory_mb(pid) - before[pid][1] for pid in before}
        here, per_capture = os.getpid(), 1000 / len(paths)
        sound, by_workers = sum(is_sound for is_sound, _ in results), sum(used[pid] for pid in workers)
        print(f"{len(paths)} captures of {options.seconds} s, {size / 1e6:.0f} MB, {sound} sound: {took:.0f} s")
        print(f"a capture: {by_workers * per_capture:.0f} ms of a worker, {used[here] * per_capture:.1f} ms here")
        print(f"memory: {grown[here]:.0f} MB more here, {max(grown[pid] for pid in workers):.0f} MB more in a worker,")
        print(f"which began with {max(before[pid][1] for pid in workers):.0f}; load {os.getloadavg()[0]:.0f}")


if __name__ == "__main__":
    main()
