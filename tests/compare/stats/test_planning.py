"""Designs before anyone drives: their notation, and that planned power is reached."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.power import TTestIndPower
from towertap.compare.stats.part import Beforehand
from towertap.compare.stats.planning import (
    DESIGNS,
    PlannedDesign,
    cheapest,
    design_of,
    passes_needed,
    power_on_drives,
    reach,
)
from towertap.errors import CallError

from tests.compare.stats import planned_designs

TWO_ROADS = 0.04 / np.sqrt(2)


def able(planned, passes):
    return reach(planned, passes, TWO_ROADS)


def power_to_show(reached):
    """The power to show 10 % of the part."""
    return reached.part.told[-1]


@pytest.mark.parametrize(
    ("order", "refits", "days", "blocks"),
    [("A;B", 1, 2, 1), ("AB|BA", 2, 1, 2), ("AB|B'A", 3, 1, 2), ("AB|BA|AB", 3, 1, 3), ("AB;BA;AB", 3, 3, 3)],
)
def test_a_design_is_read_as_it_is_written(order, refits, days, blocks):
    planned = PlannedDesign(order)
    assert (planned.refits, planned.days) == (refits, days)
    block = planned.design(2).block
    assert (1 if block is None else np.unique(block).size) == blocks


def test_a_design_can_be_named():
    assert design_of("there-and-back-anew") == design_of("AB|B'A")
    assert len({planned.name for planned in DESIGNS}) == len(DESIGNS)


@pytest.mark.parametrize("text", ["", "A", "BA", "A||B", "AB|", "AB'|", "'AB", "AABB", "AB'B", "AB|BC", "A" * 2000])
def test_an_invalid_design_is_refused_in_one_line(text):
    with pytest.raises(CallError, match=r"is no design|need \| or ;|not as many") as refused:
        PlannedDesign(text).per_stretch(4)
    assert len(str(refused.value)) < 300


def test_planned_power_is_reached():
    """Within four points in 10,000 other sets, by the aim of this project, for every design and change."""
    for reached in planned_designs.table(6):
        assert planned_designs.reached(reached, 10_000, 11) == pytest.approx(reached.part.told, abs=0.04)


@pytest.mark.parametrize("passes", [8, 20])
@pytest.mark.parametrize("alpha", [0.05, 0.01])
def test_power_on_these_drives_is_that_of_statsmodels(passes, alpha):
    """Student's t-test; Welch's, which decides one block, is as powerful with this many passes of one spread."""
    expected = TTestIndPower().power(np.log1p(0.10) / 0.07, passes, alpha)
    assert power_on_drives(1, passes, 0.07, 0.10, alpha).told[0] == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize(("blocks", "passes"), [(2, 4), (2, 10), (3, 6)])
def test_power_in_blocks_is_that_of_the_non_central_t(blocks, passes):
    """With 2 n − b − 1 degrees of freedom (Montgomery, Design and Analysis of Experiments, blocking), by scipy."""
    df, shift = 2 * passes - blocks - 1, np.log1p(0.10) / (0.06 * np.sqrt(2 / passes))
    expected = stats.nct.sf(stats.t.isf(0.025, df), df, shift)
    assert power_on_drives(blocks, passes, 0.06, 0.10, 0.05).told[0] == pytest.approx(expected, abs=0.03)


def test_power_of_equivalence_is_a_published_value():
    """The definition (Phillips 1990), integrated here, gives the value in the documentation of the R package PowerTOST:
    power.TOST(CV = 0.3, n = 40), a 2×2 cross-over with limits 0.80 to 1.25 and the ratio 0.95, 0.8158453. Its error is
    sqrt(2 / n) of the within-subject spread with n − 2 degrees of freedom: two groups of 20 with a spread smaller by
    sqrt(2). At a ratio of 1, it is the planned power."""
    spread = np.sqrt(np.log1p(0.3**2) / 2)
    df, error = 38, spread * np.sqrt(2 / 20)

    def power(ratio):
        chi = np.sqrt(stats.chi2.ppf((np.arange(2000) + 0.5) / 2000, df) / df)
        inside = np.log(1.25) - stats.t.isf(0.05, df) * chi * error
        low, high = (-inside - np.log(ratio)) / error, (inside - np.log(ratio)) / error
        return np.maximum(stats.norm.cdf(high) - stats.norm.cdf(low), 0).mean()

    assert power(0.95) == pytest.approx(0.8158453, abs=5e-4)
    assert power_on_drives(1, 20, spread, 0.25, 0.05).equivalent == pytest.approx(power(1.0), abs=0.02)


def test_the_cheapest_design_reaches_the_power():
    chosen = cheapest(able, aim=power_to_show)
    assert power_to_show(chosen) >= 0.80
    assert chosen.planned.order == "AB|B'A"
    assert power_to_show(able(chosen.planned, chosen.passes - 2)) < 0.80
    fewer = [planned for planned in DESIGNS if planned.refits < chosen.planned.refits]
    assert cheapest(able, aim=power_to_show, designs=fewer) is None


def test_one_day_per_part_shows_almost_no_equivalence():
    assert reach(PlannedDesign("A;B"), 12, 0.04).part.equivalent < 0.01
    stated = Beforehand(stated_sd=0.005)
    assert reach(PlannedDesign("A;B"), 12, 0.04, known=(stated, stated)).part.equivalent > 0.8


def test_the_passes_asked_for_are_those_needed():
    """Median over 100 estimates with six degrees of freedom, within one of what the true spread needs."""
    truly = next(passes for passes in planned_designs.CHOICES if planned_designs.power(0.05, passes) >= 0.8)
    passes, assurance, _ = planned_designs.asked(6, 100)
    assert abs(np.median(passes) - truly) <= 1
    reached = np.mean([planned_designs.power(0.05, int(number)) for number in passes])
    assert reached == pytest.approx(np.nanmean(assurance), abs=0.04)


def test_no_passes_are_asked_for_beyond_reach():
    assert passes_needed(lambda spread, passes: 0.1, 0.05, 6, range(2, 10)) is None
