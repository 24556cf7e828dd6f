"""The bands of ride work: edges, depth, and what the rate can carry."""

from itertools import pairwise

import numpy as np
import pytest
from scipy import signal
from towertap.errors import AnalysisError
from towertap.signals import bands


@pytest.mark.parametrize("band_hz", bands.BANDS.values(), ids=bands.BANDS)
@pytest.mark.parametrize("rate_hz", [2000.0, 4000.0, 8000.0])
def test_edges_are_three_decibels_down_and_slopes_are_third_order(band_hz, rate_hz):
    # Definition of a Butterworth filter: 1/√2 at its edges; third order loses 18 dB an octave far out.
    low, high = band_hz
    sos = bands.design(band_hz, rate_hz).sos
    _, response = signal.sosfreqz(sos, [low, np.sqrt(low * high), high, low / 4, low / 8], fs=rate_hz)
    assert np.abs(response[[0, 2]]) == pytest.approx(np.sqrt(0.5), rel=1e-6)
    assert np.abs(response[1]) == pytest.approx(1.0, abs=0.02)
    assert 20 * np.log10(np.abs(response[3] / response[4])) == pytest.approx(18.06, abs=0.5)


def test_bands_follow_each_other_from_half_a_hertz_to_five_hundred():
    # Common practice: body below 4 Hz, wheel hop (10 to 15 Hz) in the secondary band, sound from 100 Hz on.
    edges = [0.5, 4.0, 25.0, 100.0, 500.0]
    assert list(bands.BANDS.values()) == list(pairwise(edges))


def test_a_band_that_the_rate_cannot_carry_is_refused():
    with pytest.raises(AnalysisError, match="up to 500 Hz needs a rate of 1250 Hz or more"):
        bands.design(bands.BANDS["structure_borne"], 1000.0)


def test_gravity_is_gone_from_the_first_sample():
    output = bands.design((0.5, 500.0), 4000.0).start()(np.full(8000, 9.80665))
    assert np.abs(output).max() < 1e-6
