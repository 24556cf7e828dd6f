"""The analysis core: time as a ratio to a bare filter kernel of the same run, and memory that does not grow."""

import time
import tracemalloc

import numpy as np
import pytest
from scipy import signal
from towertap.signals.channels import MetricSettings
from towertap.signals.metrics import METRICS
from towertap.signals.stream import Bank

RATE_HZ = 4000.0
BLOCK = np.random.default_rng(0).normal(size=(3, 65536)) + np.array([[0.0], [0.0], [9.81]])


@pytest.fixture(scope="module")
def bank():
    """All metrics."""
    return Bank.of(METRICS, MetricSettings(RATE_HZ))


def best_of(repeats, *works):
    """Processor time of each work, the best of some turns that they take alternately."""
    times = []
    for _ in range(repeats):
        for work in works:
            start = time.process_time()
            work()
            times.append(time.process_time() - start)
    return [min(times[place :: len(works)]) for place in range(len(works))]


def test_all_metrics_cost_no_more_than_40_bare_filters(bank):
    # 13 filters with their windows against one third-order band-pass of the same three axes. Measured: 17.
    sos = signal.butter(3, (4.0, 25.0), "bandpass", fs=RATE_HZ, output="sos")
    kernel, all_metrics = best_of(
        3,
        lambda: [signal.sosfilt(sos, axis) for _ in range(8) for axis in BLOCK],
        lambda: bank.windows((BLOCK for _ in range(8)), 4000),
    )
    assert len(bank.filters) == 13
    assert all_metrics < 40 * kernel


def test_memory_does_not_grow_with_length(bank):
    def peak_bytes(blocks):
        tracemalloc.start()
        try:
            bank.windows((BLOCK for _ in range(blocks)), 4000)
            return tracemalloc.get_traced_memory()[1]
        finally:
            tracemalloc.stop()

    peak_bytes(2)
    short, long = peak_bytes(4), peak_bytes(24)
    assert long < 1.2 * short
    assert long < 50e6
