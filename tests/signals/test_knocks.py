"""Knocks: found at twice the local crest, few false alarms, and described correctly."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.errors import AnalysisError
from towertap.signals.knocks import FALSE_PER_MINUTE, LONGEST_S

from tests.signals import knocks_found

find_knocks = knocks_found.find_knocks


def with_ring(rate_hz, hz, damping, *, noise=0.003, peak=1.0, at_s=2.0, seed=0):
    """Noise (3, 4 s) with one damped sinusoid along (0.6, 0, 0.8), whose peak in band is `peak`."""
    rng = np.random.default_rng(seed)
    piece = noise * rng.standard_normal((3, 4 * rate_hz))
    wave = knocks_found.ring(hz, damping, rng.uniform(0, 2 * np.pi), rate_hz)
    start = round(at_s * rate_hz)
    piece[:, start : start + wave.size] += peak * np.outer([0.6, 0.0, 0.8], wave)
    return piece


@pytest.mark.parametrize("rate_hz", [1000, 4000])
@pytest.mark.parametrize(("hz", "damping"), [(80, 0.05), (150, 0.03), (250, 0.05), (350, 0.03)])
def test_ring_down_is_that_of_the_analytic_damped_sinusoid(rate_hz, hz, damping):
    """x(t) = exp(−2π f ζ t) cos(2π f t + φ): frequency f, above half for ln 2 time constants of 1 / (2π f ζ)."""
    for seed in range(5):
        (knock,) = find_knocks([with_ring(rate_hz, hz, damping, seed=seed)], rate_hz)
        assert knock.ring_hz == pytest.approx(hz, rel=0.015)
        assert knock.peak_ms2 == pytest.approx(1.0, rel=0.05)
        assert knock.onset_s == pytest.approx(2.0, abs=0.004)
        # The filter's rise and an unlucky phase add or remove a wave.
        half_s = np.log(2) / (2 * np.pi * hz * damping)
        assert knock.duration_s == pytest.approx(half_s, abs=max(0.008, 1.3 / hz))


def test_a_blow_that_does_not_ring_has_no_ring_down():
    """A short burst of white noise has no frequency."""
    rng = np.random.default_rng(3)
    piece = 0.003 * rng.standard_normal((3, 16000))
    piece[2, 8000:8400] += rng.standard_normal(400) * np.exp(-np.arange(400) / 60)
    (knock,) = find_knocks([piece], 4000)
    assert np.isnan(knock.ring_hz)


def test_the_same_knocks_however_the_stream_is_cut():
    piece = next(knocks_found.background("level wanders 35 %", 60, np.random.default_rng(4)))
    piece, starts = knocks_found.put_in(piece, np.random.default_rng(5))
    at_once = find_knocks([piece], 4000)
    in_blocks = find_knocks(np.array_split(piece, 37, axis=1), 4000)
    assert [knock.onset_s for knock in in_blocks] == pytest.approx([knock.onset_s for knock in at_once])
    assert len(at_once) >= 0.95 * starts.size


def test_gravity_and_a_long_rough_stretch_are_not_knocks():
    rng = np.random.default_rng(6)
    piece = 0.05 * rng.standard_normal((3, 40000))
    piece[:, 20000 : 20000 + round(3 * LONGEST_S * 4000)] *= 10
    piece[2] += 9.81
    assert not find_knocks([piece], 4000)


def test_a_piece_shorter_than_the_filter_has_no_knocks():
    assert not find_knocks([np.zeros((3, 20))], 4000)


def test_a_rate_too_low_is_refused():
    with pytest.raises(AnalysisError):
        find_knocks([np.zeros((3, 20))], 100)


@pytest.mark.parametrize("kind", ["bypass", "Gaussian", "level wanders 35 %"])
def test_at_twice_the_local_crest_95_percent_are_found_with_few_false_alarms(kind):
    """A short run of knocks_found.py."""
    n_found, n_added = knocks_found.share_found(kind, 80, 11)
    assert n_found >= 0.95 * n_added
    count, minutes = knocks_found.false_alarms(kind, 4, 12)
    assert count <= 2 * FALSE_PER_MINUTE * minutes
