"""A planned power is reached: a shorter run of `planned_power.py`, with fixed seeds."""

from __future__ import annotations

import pytest
from towertap.compare.stats.planning import design_of

from tests.compare import planned_power


@pytest.mark.parametrize("order", ["AB|B'A", "A;B"])
def test_a_plans_promise_about_the_part_is_how_its_drives_are_judged(make, order):
    """From drives to verdicts each set is judged as by the planned statistics."""
    plan, able = planned_power.planned(design_of(order), 8)
    shown, _, differ = planned_power.reached(make, plan, 20, 3)
    assert differ == 0
    assert shown == pytest.approx(able.part.told[0], abs=0.33), "three binomial standard deviations of 20"
