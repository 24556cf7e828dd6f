"""A short run of `block_rates.py`: what a plan promises over the gate by place is what comes out, in blocks too."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
from towertap.compare.stats.ratio import contrast
from towertap.compare.stats.power import difference_power, equivalence_power


def test_planned_power_is_reached_and_errors_are_kept_with_blocks_and_without(make):
    """The whole way from drives on. Nominal levels by definition of the tests; limits are four binomial standard errors
    of 40 sets wide, so this is for what breaks between the parts: the rates themselves are held below."""
    script = runpy.run_path(str(Path(__file__).with_name("block_rates.py")))
    for row in script["told"](script["outcomes"](make, range(40))).values():
        assert row["difference reached"] == pytest.approx(row["difference planned"], abs=0.2)
        assert row["equivalence reached"] == pytest.approx(row["equivalence planned"], abs=0.2)
        assert row["no change told different"] <= 0.2
        assert row["at the margin told equivalent"] <= 0.2
        assert row["covers"] >= 0.85


@pytest.mark.parametrize("blocks", [None, ([1, 1, 1, 2, 2, 2], [1, 1, 1, 2, 2, 2])])
def test_rates_of_log_normal_figures_are_the_nominal_ones(blocks):
    """2,000 sets of six passes a side that stray by 5 %, drift between blocks and all: as the full run, from figures
    on. Levels by definition, held to three binomial standard errors, and power to 4 points of what is planned."""
    rng = np.random.default_rng(8)
    drift = 0.1 * rng.standard_normal((2000, 1, 1)) * (np.arange(6) >= 3) if blocks else 0.0
    logs = 0.05 * rng.standard_normal((2000, 2, 6)) + drift
    alike, changed = ([contrast(np.exp(a), ratio * np.exp(b), 0.10, blocks) for a, b in logs] for ratio in (1.0, 1.10))
    count = 2 if blocks else 1
    shown, held = (
        np.mean([one.p_difference < 0.05 for one in changed]),
        np.mean([o.p_equivalence < 0.05 for o in alike]),
    )
    assert shown == pytest.approx(difference_power(1.10, 0.05, 6, blocks=count), abs=0.04)
    assert held == pytest.approx(equivalence_power(0.10, 0.05, 6, blocks=count), abs=0.04)
    assert np.mean([one.p_difference < 0.05 for one in alike]) <= 0.05 + 3 * (0.05 * 0.95 / 2000) ** 0.5
    assert np.mean([one.p_equivalence < 0.05 for one in changed]) <= 0.05 + 3 * (0.05 * 0.95 / 2000) ** 0.5
    covers = np.mean([one.interval[0] <= 1.10 <= one.interval[1] for one in changed])
    assert covers == pytest.approx(0.95, abs=3 * (0.05 * 0.95 / 2000) ** 0.5)
