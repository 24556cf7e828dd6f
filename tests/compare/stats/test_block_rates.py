"""A short run of `block_rates.py`: what a plan promises over rough places is what comes out, in blocks too."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.compare.stats.contrast import contrast
from towertap.compare.stats.planning import power_on_drives

from tests.compare import block_rates


def test_planned_power_is_reached_and_errors_are_kept_with_blocks_and_without(make):
    """From drives to rates in twelve short sets, to find what breaks between the steps. Limits are four binomial
    standard errors wide; the test below and the full run check the rates themselves."""
    for row in block_rates.summarised(block_rates.outcomes(make, range(12), seconds=25)).values():
        assert row["difference reached"] == pytest.approx(row["difference planned"], abs=0.35)
        assert row["equivalence reached"] == pytest.approx(row["equivalence planned"], abs=0.35)
        assert row["no change shown different"] <= 0.25
        assert row["at the margin shown equivalent"] <= 0.25
        assert row["covers"] >= 0.8


@pytest.mark.parametrize("blocks", [None, [1, 1, 1, 2, 2, 2] * 2])
def test_rates_of_log_normal_values_are_the_nominal_ones(blocks):
    """2,000 sets of six passes per side that vary by 5 %, with drift between blocks: the full run, starting at values.
    Levels by definition within three binomial standard errors, and power within 4 points of the plan's."""
    rng = np.random.default_rng(8)
    drift = 0.1 * rng.standard_normal((2000, 1, 1)) * (np.arange(6) >= 3) if blocks else 0.0
    logs = 0.05 * rng.standard_normal((2000, 2, 6)) + drift
    alike, changed = ([contrast(np.exp(a), ratio * np.exp(b), 0.10, blocks) for a, b in logs] for ratio in (1.0, 1.10))
    planned = power_on_drives(2 if blocks else 1, 6, 0.05, 0.10, 0.05)
    shown = np.mean([test.p_difference < 0.05 for test in changed])
    equivalent = np.mean([test.p_equivalence < 0.05 for test in alike])
    assert shown == pytest.approx(planned.told[0], abs=0.04)
    assert equivalent == pytest.approx(planned.equivalent, abs=0.04)
    assert np.mean([test.p_difference < 0.05 for test in alike]) <= 0.05 + 3 * (0.05 * 0.95 / 2000) ** 0.5
    assert np.mean([test.p_equivalence < 0.05 for test in changed]) <= 0.05 + 3 * (0.05 * 0.95 / 2000) ** 0.5
    covers = np.mean([test.interval[0] <= 1.10 <= test.interval[1] for test in changed])
    assert covers == pytest.approx(0.95, abs=3 * (0.05 * 0.95 / 2000) ** 0.5)
