"""A planned power is reached: a shorter run of `planned_power.py`, with fixed seeds."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest

SIMULATION = runpy.run_path(str(Path(__file__).parents[1] / "planned_power.py"))


def test_a_planned_power_of_80_percent_is_reached(make):
    """From windows to verdict; of 200 the share strays by 2.8 points (binomial)."""
    for _, planned, shown, verdict in SIMULATION["reached"](make, 200, 0.04).values():
        assert planned >= 0.80
        assert shown == pytest.approx(planned, abs=0.08)
        assert verdict == pytest.approx(shown, abs=0.02)
