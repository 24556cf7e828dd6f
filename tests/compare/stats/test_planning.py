"""Designs before anyone drives: what they are, and that the power planned is the power reached."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
from towertap.compare.stats.planning import DESIGNS, PlannedDesign, cheapest, passes_needed, reach
from towertap.compare.stats.spreads import Beforehand

SCRIPT = runpy.run_path(str(Path(__file__).with_name("planned_designs.py")))


@pytest.mark.parametrize(
    ("order", "refits", "days", "blocks"),
    [("A;B", 1, 2, 1), ("AB|BA", 2, 1, 2), ("AB|B'A", 3, 1, 2), ("AB|BA|AB", 3, 1, 3), ("AB;BA;AB", 3, 3, 3)],
)
def test_a_design_is_read_as_it_is_written(order, refits, days, blocks):
    planned = PlannedDesign("", order)
    assert (planned.refits, planned.days) == (refits, days)
    block = planned.design(2).block
    assert (1 if block is None else np.unique(block).size) == blocks


def test_planned_power_is_reached():
    """Within four points in 10,000 other sets, by the aim of this project, for every design and change."""
    for able in SCRIPT["table"](6):
        assert SCRIPT["reached"](able, 10_000, 11) == pytest.approx(able.part, abs=0.04)


def test_power_on_these_drives_is_that_of_the_handbook():
    """Two-sided t-test at 5 %, an effect of one standard deviation: 17 a group for 80 % (Cohen 1988, table 2.4.1; from
    memory)."""
    able = reach(PlannedDesign("", "AB"), 17, np.log(1.1), changes=(0.10,), true_sd=(0.0, 0.0))
    assert able.drives[0] == pytest.approx(0.80, abs=0.02)


def test_the_cheapest_design_reaches_what_it_is_for():
    able = cheapest(0.04 / np.sqrt(2))
    assert able.part[0] >= 0.80
    assert able.planned.order == "AB|B'A"
    fewer = [planned for planned in DESIGNS if planned.refits < able.planned.refits]
    assert cheapest(0.04 / np.sqrt(2), designs=fewer) is None


def test_a_day_each_says_almost_nothing_of_equivalence():
    assert reach(PlannedDesign("", "A;B"), 12, 0.04).equivalent < 0.01
    stated = Beforehand(stated_sd=0.005)
    known = reach(PlannedDesign("", "A;B"), 12, 0.04, true_sd=(0.005, 0.005), installation=stated, day=stated)
    assert known.equivalent > 0.8


def test_as_many_passes_are_asked_for_as_are_needed():
    """Median over 100 estimates with six degrees of freedom, within one of what the true spread needs."""
    truly = next(passes for passes in SCRIPT["CHOICES"] if SCRIPT["power"](0.05, passes) >= 0.8)
    passes, assurance, _ = SCRIPT["asked"](6, 100)
    assert abs(np.median(passes) - truly) <= 1
    reached = np.mean([SCRIPT["power"](0.05, int(number)) for number in passes])
    assert reached == pytest.approx(np.nanmean(assurance), abs=0.04)


def test_none_is_asked_for_out_of_reach():
    assert passes_needed(lambda spread, passes: 0.1, 0.05, 6, range(2, 10)) is None
