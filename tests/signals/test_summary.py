"""Single figures against analysis and against a real accelerogram."""

from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from towertap.signals.summary import crest_factor, mtvv, peak, rms, running_rms, vdv

RATE_HZ = 4000.0


def sine(amplitude=2.0, f_hz=8.0, seconds=10.0):
    return amplitude * np.sin(2 * np.pi * f_hz * np.arange(int(seconds * RATE_HZ)) / RATE_HZ)


def test_figures_of_a_sine():
    # Analysis: r.m.s. A/√2, crest factor √2, running r.m.s. over whole periods A/√2, VDV A·(3T/8)^(1/4).
    assert rms(sine()) == pytest.approx(2.0 / np.sqrt(2))
    assert crest_factor(sine()) == pytest.approx(np.sqrt(2))
    assert mtvv(sine(), RATE_HZ) == pytest.approx(2.0 / np.sqrt(2))
    assert vdv(sine(), RATE_HZ) == pytest.approx(2.0 * (3 * 10.0 / 8) ** 0.25)


def test_running_rms_finds_a_burst_that_the_whole_hides():
    # Analysis: a burst of 1 s in 10 s of silence; the best second is all burst.
    signal = np.zeros(40_000)
    signal[13_000:17_000] = sine(seconds=1.0)
    assert mtvv(signal, RATE_HZ) == pytest.approx(2.0 / np.sqrt(2))
    assert rms(signal) == pytest.approx(2.0 / np.sqrt(2) / np.sqrt(10))
    running = running_rms(signal, RATE_HZ)
    assert running.size == 36_001
    assert running.argmax() == 13_000
    assert running[0] == 0.0


def test_running_rms_needs_a_full_second():
    assert running_rms(np.ones(3999), RATE_HZ).size == 0


def test_maximum_of_a_real_accelerogram():
    # K-NET record shipped with obspy, read as plain text (obspy's own import warns). Its head, 17 lines, states both
    # the maximum acceleration and the scale.
    path = Path(find_spec("obspy").origin).parent / "io" / "nied" / "tests" / "data" / "test.knet"
    head, body = path.read_text().splitlines()[:17], path.read_text().splitlines()[17:]
    assert head[13].split() == ["Scale", "Factor", "2000(gal)/8388608"]
    assert head[14].split() == ["Max.", "Acc.", "(gal)", "4.383"]
    counts = np.array(" ".join(body).split(), float)
    assert counts.size == 5900
    assert peak(counts - counts.mean()) * 2000 / 8388608 == pytest.approx(4.383, abs=5e-4)
