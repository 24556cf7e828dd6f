"""Captures read by other processes give the same passes, and no process is left running, however it ends."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from towertap.compare import load_drives
from towertap.compare.drives import reading
from towertap.errors import CallError
from towertap.workers import all_cores, fleet

NAMES = ("rubber", "polyurethane", "bypass")

LONG = """
import signal, time
from towertap.workers import all_cores
if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background jobs ignore SIGINT
    with all_cores() as executor:
        print("begun", flush=True)
        list(executor.map(time.sleep, [60, 60, 60]))
"""


@pytest.fixture
def by_others(monkeypatch, recorded, tmp_path):
    """A function that reads a copy of the recorded drives with some workers and returns the result of `load_drives`."""
    monkeypatch.setattr(reading, "WORTH_BYTES", 0)

    def read(workers):
        folder = tmp_path / "drives"
        folder.mkdir()
        for path in recorded.folder.glob("*.h5"):
            shutil.copy(path, folder)
        (folder / "spoilt.h5").write_bytes(b"no HDF5")
        steps = []
        drives = load_drives(folder, *NAMES, workers=workers, on_progress=lambda *step: steps.append(step))
        assert steps == [(done, 13) for done in range(1, 14)]
        return drives

    return read


def same(drives, recorded):
    assert [left_out.capture for left_out in drives.excluded] == ["spoilt"]
    assert [drive.name for drive in drives.passes] == [drive.name for drive in recorded.passes]
    for drive, expected in zip(drives.passes, recorded.passes, strict=True):
        for read, of_expected in ((drive.cells, expected.cells), (drive.kept, expected.kept)):
            assert read.keys() == of_expected.keys()
            assert all(np.array_equal(read[name], of_expected[name], equal_nan=True) for name in read)
        assert (drive.side, drive.started, drive.integrity) == (expected.side, expected.started, expected.integrity)


def test_every_core_reads_the_same(by_others, recorded):
    same(by_others(all_cores), recorded)


@pytest.mark.filterwarnings("default")
def test_a_fleet_reads_the_same(by_others, recorded):
    """On Dask's local cluster."""
    from distributed import LocalCluster

    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        same(by_others(lambda: fleet(cluster.scheduler_address)), recorded)


@pytest.mark.filterwarnings("default")
def test_a_missing_scheduler_gives_one_line(monkeypatch):
    monkeypatch.setattr("towertap.workers.ANSWERS_S", 0.5)
    with (
        pytest.raises(CallError, match="no Dask scheduler answers"),
        fleet("tcp://127.0.0.1:9"),
    ):
        pass


def children(pid):
    return [int(number) for number in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


def is_running(pid):
    try:
        return Path(f"/proc/{pid}/stat").read_text().split(")")[1].split()[0] != "Z"
    except OSError:
        return False


@pytest.mark.skipif(not Path("/proc/self/task").exists(), reason="looks at processes as Linux shows them")
@pytest.mark.parametrize("ending", [signal.SIGINT, signal.SIGKILL])
def test_no_process_is_left_running_when_it_is_stopped(tmp_path, ending):
    """Ctrl-C in a terminal reaches the whole process group; a kill reaches only the first process."""
    script = tmp_path / "long.py"
    script.write_text(LONG)
    first = subprocess.Popen(
        [sys.executable, script], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True
    )
    assert first.stdout.readline() == "begun\n"
    time.sleep(1)
    others = children(first.pid)
    assert len(others) >= len(os.sched_getaffinity(0))
    if ending == signal.SIGINT:
        os.killpg(first.pid, ending)
    else:
        first.kill()
    errors = first.communicate(timeout=30)[1]
    assert errors.count("Traceback") <= 1, "the first process's own"
    for _ in range(100):
        if not any(map(is_running, others)):
            break
        time.sleep(0.1)
    assert [pid for pid in others if is_running(pid)] == []
