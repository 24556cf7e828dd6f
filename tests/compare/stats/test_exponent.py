"""The exponent of speed against statsmodels, and how often its interval holds the truth."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
import statsmodels.api as sm
from towertap.compare.stats.exponent import exponent

COVERAGE = runpy.run_path(str(Path(__file__).parents[1] / "exponent_coverage.py"))


def test_the_exponent_against_statsmodels():
    """Ordinary least squares with an effect of each place with each part; the error, with many passes, by clusters."""
    rng = np.random.default_rng(3)
    passes, places = 60, 6
    after = np.arange(passes) % 2 == 1
    x = 0.03 * rng.standard_normal((passes, places))
    y = (
        1.4 * x
        + rng.standard_normal((passes, 1)) * 0.03
        + 0.05 * rng.standard_normal((passes, places))
        + after[:, None]
    )
    cell = (after[:, None] * places + np.arange(places)).ravel()
    design = np.column_stack([x.ravel(), cell[:, None] == np.arange(2 * places)])
    fitted = sm.OLS(y.ravel(), design).fit(
        cov_type="cluster", cov_kwds={"groups": np.repeat(np.arange(passes), places)}
    )
    fit = exponent(x, y, after)
    assert fit.value == pytest.approx(fitted.params[0], rel=1e-9)
    half = (fit.interval[1] - fit.interval[0]) / 2
    assert half / 2.0025 == pytest.approx(fitted.bse[0], rel=0.1)  # t of 57 degrees of freedom, by scipy


def test_the_interval_of_the_exponent_holds_the_truth():
    """A shorter run of `exponent_coverage.py`."""
    exact = COVERAGE["fits"](range(600), 0.0)
    assert exact[:, 0].mean() == pytest.approx(COVERAGE["TRUE"], abs=0.05)
    assert 0.93 <= exact[:, 1].mean() <= 0.99


def test_speeds_that_hardly_differ_and_few_passes_tell_nothing():
    x, y, after = COVERAGE["one_set"](1)
    assert exponent(0.001 * x, y, after) is None
    assert exponent(x[2:6], y[2:6], after[2:6]) is None
