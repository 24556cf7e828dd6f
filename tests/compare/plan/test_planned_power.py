"""A planned power is reached: a shorter run of `planned_power.py`, with fixed seeds."""

from __future__ import annotations

import pytest
from towertap.compare.stats.planning import design_of

from tests.compare import planned_power


@pytest.mark.parametrize("order", ["AB|B'A", "A;B"])
def test_what_a_plan_promises_of_the_part_is_what_the_drives_are_judged_by(make, order):
    """From drives to verdicts nothing is lost or added: each set is judged as the planned statistics judge it."""
    plan, able = planned_power.planned(design_of(order), 8)
    told, _, differ = planned_power.reached(make, plan, 20, 3)
    assert differ == 0
    assert told == pytest.approx(able.part.told[0], abs=0.33), "three binomial standard deviations of 20"
