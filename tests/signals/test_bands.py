"""The bands of ride work: edges, depth, what a line beside them does, and what the rate can carry."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import signal
from towertap.errors import AnalysisError
from towertap.signals import bands
from towertap.signals.channels import BandPass, Channel, MetricSettings
from towertap.signals.metrics import METRICS, Metric
from towertap.signals.stream import Bank

RATE_HZ = 1000.0


def decibels(band, f_hz, rate_hz):
    return 20 * np.log10(np.abs(signal.freqz_sos(band.sos, f_hz, fs=rate_hz)[1]))


@pytest.mark.parametrize("band_hz", bands.BANDS.values(), ids=bands.BANDS)
@pytest.mark.parametrize("rate_hz", [2000.0, 4000.0, 8000.0])
def test_a_third_order_band_is_three_decibels_down_at_its_edges_and_loses_18_an_octave(band_hz, rate_hz):
    # Definition of a Butterworth filter: 1/√2 at its edges; third order loses 18 dB an octave far out.
    low, high = band_hz
    levels = decibels(
        bands.design(band_hz, rate_hz), np.array([low, np.sqrt(low * high), high, low / 4, low / 8]), rate_hz
    )
    assert levels[[0, 2]] == pytest.approx(20 * np.log10(np.sqrt(0.5)), rel=1e-6)
    assert levels[1] == pytest.approx(0.0, abs=0.2)
    assert levels[3] - levels[4] == pytest.approx(18.06, abs=0.5)


@pytest.mark.parametrize("band_hz", bands.BANDS.values(), ids=bands.BANDS)
@pytest.mark.parametrize("rate_hz", [2000.0, 4032.9, 8000.0])
def test_a_steep_band_is_flat_between_its_edges_and_falls_as_it_says(band_hz, rate_hz):
    low, high = band_hz
    steep = bands.steep(band_hz, rate_hz)
    assert decibels(steep, np.array(band_hz), rate_hz) == pytest.approx([-3.01, -3.01], abs=2.1 * bands.RIPPLE_DB)
    between = np.geomspace(low * (3 if low < 4 else 1.06), high / 1.06, 500)
    assert np.abs(decibels(steep, between, rate_hz)).max() <= 2.1 * bands.RIPPLE_DB
    assert "13 dB at 1.06, 24 dB at 1.12 and 49 dB at 1.25 times" in bands.SKIRT
    for down, times in ((12.9, 1.06), (23.5, 1.12), (49, 1.25)):
        edges = np.array([high * times] if low < 4 else [low / times, high * times])
        edges = edges[edges < rate_hz / 2]
        assert (decibels(steep, edges, rate_hz) <= -down).all()
    assert steep.settled_row / rate_hz < 3.5


@pytest.mark.parametrize("f_hz", [3.5, 28.0])
def test_a_line_an_eighth_beside_a_band_adds_one_percent_where_third_order_added_a_third(f_hz):
    """A line of the engine whose amplitude reads 37 % high through a third order: 1.7 times the band's own r.m.s."""
    rng = np.random.default_rng(1)
    own = rng.normal(size=int(300 * RATE_HZ))
    line = np.sin(2 * np.pi * f_hz * np.arange(own.size) / RATE_HZ)
    bank = Bank.of({"band": Metric("band", "", "", (Channel("x", BandPass(4.0, 25.0)),))}, MetricSettings(RATE_HZ))

    def level(motion, third_order=False):
        if third_order:
            return float(np.std(bands.design((4.0, 25.0), RATE_HZ).start()(motion)[4000:]))
        return bank.metrics["band"].of_all(bank.windows([motion[None]], int(RATE_HZ)).kept["band"])

    line *= 1.7 * np.sqrt(2) * level(own)
    assert level(own + line, third_order=True) / level(own, third_order=True) > 1.3
    assert level(own + line) / level(own) == pytest.approx(1.0, abs=0.012)


def test_the_slowest_band_settles_within_three_and_a_half_seconds():
    assert Bank.of(METRICS, MetricSettings(4000.0)).settled_row / 4000.0 == pytest.approx(3.3, abs=0.02)


def test_bands_follow_each_other_from_half_a_hertz_to_five_hundred():
    # Common practice: body below 4 Hz, wheel hop (10 to 15 Hz) in the secondary band, sound from 100 Hz on.
    edges = [0.5, 4.0, 25.0, 100.0, 500.0]
    assert list(bands.BANDS.values()) == list(pairwise(edges))


@pytest.mark.parametrize("make", [bands.design, bands.steep])
def test_a_band_that_the_rate_cannot_carry_is_refused(make):
    with pytest.raises(AnalysisError, match="up to 500 Hz needs a rate of 1250 Hz or more"):
        make(bands.BANDS["structure_borne"], 1000.0)


@pytest.mark.parametrize("make", [bands.design, bands.steep])
@pytest.mark.parametrize("band_hz", [(0.5, 500.0), (4.0, 25.0)])
def test_gravity_is_gone_from_the_first_sample(make, band_hz):
    output = make(band_hz, 4000.0).start()(np.full(8000, 9.80665))
    assert np.abs(output).max() < 1e-6
