"""Weightings against the tables of ISO 2631-1 and against their own analogue definition."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import signal
from towertap.errors import AnalysisError, CallError
from towertap.signals import weighting

from tests.signals import iso8041

# ISO 2631-1:1997 tables 3 and 4; where the values come from is said in the file's head.
TABLE = pd.read_csv(Path(__file__).with_name("iso2631_third_octave_weightings.csv"), comment="#", index_col=0)
TABULATED = [column.removesuffix("_db") for column in TABLE]


def decibels(response):
    return 20 * np.log10(np.abs(response))


@pytest.mark.parametrize("name", TABULATED)
@pytest.mark.parametrize("rate_hz", [500.0, 1000.0, 2000.0, 4000.0, 8000.0])
def test_digital_weighting_is_within_a_tenth_of_a_decibel_of_the_iso_table(name, rate_hz):
    table = TABLE[f"{name}_db"].loc[0.5:80.0]
    assert len(table) == 23
    _, response = signal.sosfreqz(weighting.design(name, rate_hz), table.index.to_numpy(), fs=rate_hz)
    assert decibels(response) == pytest.approx(table.to_numpy(), abs=0.1)


@pytest.mark.parametrize("name", TABULATED)
def test_the_definition_is_the_whole_iso_table(name):
    table = TABLE[f"{name}_db"]
    assert decibels(iso8041.response(name, table.index.to_numpy())) == pytest.approx(table.to_numpy(), abs=0.06)


@pytest.mark.parametrize("name", weighting.WEIGHTINGS)
@pytest.mark.parametrize("rate_hz", [500.0, 997.3, 4052.0, 32000.0])
def test_digital_weighting_follows_its_definition_at_any_rate(name, rate_hz):
    f_hz = np.geomspace(0.1, 100.0, 200)
    sos = weighting.design(name, rate_hz)
    _, response = signal.sosfreqz(sos, f_hz, fs=rate_hz)
    assert decibels(response) == pytest.approx(decibels(iso8041.response(name, f_hz)), abs=0.05)
    assert all(np.abs(np.roots(section[3:])).max() < 1 for section in sos)


def test_a_rate_too_low_and_an_unknown_name_are_refused():
    with pytest.raises(AnalysisError, match="needs a rate of 500 Hz or more"):
        weighting.design("Wk", 400.0)
    with pytest.raises(CallError, match="no weighting 'Wz'"):
        weighting.design("Wz", 4000.0)
