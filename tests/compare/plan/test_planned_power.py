"""A planned power is reached: a shorter run of `planned_power.py`, with fixed seeds."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest
from towertap.compare.stats.planning import design_of

SIMULATION = runpy.run_path(str(Path(__file__).parents[1] / "planned_power.py"))


@pytest.mark.parametrize("order", ["AB|B'A", "A;B"])
def test_what_a_plan_promises_of_the_part_comes_out(make, order):
    """From drives to verdicts, for what breaks between the parts: of 60 a share strays by 6.5 points (binomial)."""
    plan, able = SIMULATION["planned"](design_of(order), 8)
    told, equivalent = SIMULATION["reached"](make, plan, 60, 3)
    assert told == pytest.approx(able.part.told[0], abs=0.15)
    assert equivalent == pytest.approx(able.part.equivalent, abs=0.15)
