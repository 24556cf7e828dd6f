"""The analysis of a capture: time as a ratio to a bare filter of the same run, and memory that does not grow.

TOWERTAP_BENCHMARK_SECONDS sets the length of the recording; 3600 is an hour at 4 kHz, some 250 MB.
"""

import os
import tracemalloc

import numpy as np
import pytest
from scipy import signal
from threadpoolctl import threadpool_limits
from towertap.analysis import analyse_capture
from towertap.capture.decode import decode_raw
from towertap.capture.reading import open_capture
from towertap.signals.channels import MetricSettings
from towertap.signals.metrics import METRICS, RMS, THIRDS
from towertap.signals.stream import Bank

from tests.benchmarks.conftest import seconds_of

SECONDS = float(os.environ.get("TOWERTAP_BENCHMARK_SECONDS", "600"))
RATE_HZ = 4000.0
BLOCK = np.random.default_rng(0).normal(size=(3, 65536)) + np.array([[0.0], [0.0], [9.81]])
KERNEL = signal.butter(4, (4.0, 25.0), "bandpass", fs=RATE_HZ, output="sos")
"""Four sections, the bare filter that all is held against, run over as many rows of three axes."""
BARE_TURNS = 6
"""The bare filter is run so often in a turn, about as long as what is held against it: others delay both alike."""
CELLS = [name for name, metric in METRICS.items() if metric.statistic is RMS] + list(THIRDS)
"""What a comparison asks of a capture, in windows of 0.1 s, with its knocks."""


@pytest.fixture(scope="module")
def capture(tmp_path_factory, write_drive):
    raw = write_drive(tmp_path_factory.mktemp("speed") / "drive.ttraw", SECONDS)
    with open_capture(decode_raw(raw, raw.with_suffix(".h5"))) as opened:
        yield opened


def bare_filters(rows):
    """The bare filter over so many rows, BARE_TURNS times."""
    for _ in range(BARE_TURNS):
        for start in range(0, rows, BLOCK.shape[1]):
            signal.sosfilt(KERNEL, BLOCK[:, : min(BLOCK.shape[1], rows - start)])


def test_analysing_a_capture_costs_no_more_than_10_bare_filters(capture):
    # Reading, all metrics, windows, where the vehicle stood. Measured on two shared cores: 5.7 to 5.8 for the metrics,
    # 2600 × real time, and 11.4 to 11.7 with third-octaves, cells and knocks.
    options = {"mounting": "x=+X,y=+Y,z=+Z"}
    rows = capture.n_samples

    bare, metrics, cells = seconds_of(
        lambda: bare_filters(rows),
        lambda: analyse_capture(capture, **options),
        lambda: analyse_capture(capture, window_s=0.1, metrics=CELLS, knocks=True, **options),
    )
    kernel = bare / BARE_TURNS
    for name, took in (("metrics", metrics), ("cells and knocks", cells)):
        print(f"{name}: {rows / RATE_HZ / took:.0f} × real time, {took / kernel:.1f} × a bare filter")
    assert metrics < 10 * kernel
    assert cells < 18 * kernel


def test_memory_does_not_grow_with_length():
    bank = Bank.of(METRICS, MetricSettings(RATE_HZ))

    def peak_bytes(blocks):
        tracemalloc.start()
        try:
            bank.windows((BLOCK for _ in range(blocks)), 4000)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    with threadpool_limits(1, user_api="blas"):
        peak_bytes(2)
        short, long = peak_bytes(4), peak_bytes(24)
    assert long < 1.2 * short
    assert long < 50e6
