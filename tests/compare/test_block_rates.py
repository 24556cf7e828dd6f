"""A short run of `block_rates.py`: what a plan promises over the gate by place is what comes out, in blocks too."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest


def test_planned_power_is_reached_and_errors_are_kept_with_blocks_and_without(make):
    """Nominal levels by definition of the tests; limits are four binomial standard errors of 40 sets wide."""
    script = runpy.run_path(str(Path(__file__).with_name("block_rates.py")))
    for row in script["told"](script["outcomes"](make, range(40))).values():
        assert row["difference reached"] == pytest.approx(row["difference planned"], abs=0.2)
        assert row["equivalence reached"] == pytest.approx(row["equivalence planned"], abs=0.2)
        assert row["no change told different"] <= 0.2
        assert row["at the margin told equivalent"] <= 0.2
        assert row["covers"] >= 0.85
