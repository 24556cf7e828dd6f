"""The density of a pass against scipy's, and the picture of both sides."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import signal
from towertap.capture.reading import open_capture
from towertap.compare.sections.spectra import SpectraSection

UP = np.array([0.0, 0.0, 1.0])


def test_the_density_of_a_capture_is_scipys_over_its_windows(recorded):
    windows = {"piece": np.zeros(3, int), "start_s": np.array([3.0, 4.0, 5.0])}
    with open_capture(recorded.passes[0].path) as capture:
        reading = SimpleNamespace(capture=capture, windows=windows, analysis=SimpleNamespace(to_vehicle=np.eye(3)))
        spectrum = SpectraSection().measure(reading)
        whole = np.concatenate(list(capture.blocks(capture.pieces()[0]))) @ UP
        compared = whole[round(3 * capture.rate_hz) : round(6 * capture.rate_hz)]
        expected = signal.welch(compared, capture.rate_hz, nperseg=round(2 * capture.rate_hz))
    carried = spectrum.frequency_hz.size
    np.testing.assert_allclose(spectrum.frequency_hz, expected[0][:carried], rtol=1e-12)
    np.testing.assert_allclose(spectrum.density, expected[1][:carried], rtol=1e-9, atol=1e-18)
    assert expected[0][carried] == pytest.approx(min(0.4 * capture.rate_hz, 500.0), abs=0.6)


def test_the_sensors_noise_is_that_of_the_data_sheet(recorded):
    """ICM-42688-P, DS-000347 table 2: 70 µg/√Hz on z."""
    for drive in recorded.passes:
        assert drive.measured["spectra"].sensor_noise == pytest.approx((70e-6 * 9.80665) ** 2)


def test_there_is_a_panel_per_road_and_every_axis_has_its_unit(recorded, compared, styled, labels):
    evidence = compared.evidence["spectra"]
    (picture,) = SpectraSection().pictures(evidence)
    assert list(evidence.drawn[0]) == ["quarry-lane", "bypass"]
    for panel in picture.panels:
        assert labels(panel) == ["frequency, Hz", "density, (m/s²)²/Hz"]
    assert picture.title.startswith("Strongest near ")


def test_drives_without_densities_have_no_section(make):
    assert SpectraSection().compare(make.on_whole_passes(make.invented(1)), ()) is None
