"""A planned power is reached: a shorter run of `planned_power.py`, with fixed seeds."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest
from towertap.compare.stats.planning import design_of

SIMULATION = runpy.run_path(str(Path(__file__).parents[1] / "planned_power.py"))


@pytest.mark.parametrize("order", ["AB|B'A", "A;B"])
def test_what_a_plan_promises_of_the_part_is_what_the_drives_are_judged_by(make, order):
    """From drives to verdicts nothing is lost or added: each set is judged as the planned statistics judge it."""
    plan, able = SIMULATION["planned"](make, design_of(order), 8)
    told, _, differ = SIMULATION["reached"](make, plan, 20, 3)
    assert differ == 0
    assert told == pytest.approx(able.part.told[0], abs=0.33), "three binomial standard deviations of 20"
