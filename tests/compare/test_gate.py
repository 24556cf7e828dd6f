"""The gate: its threshold, the kept shares, when it is not trusted, and its bias measured."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.compare.comparison import compare
from towertap.compare.model import PassFigure
from towertap.compare.road.rough import kept_share, pass_figure, set_gate
from towertap.compare.stats.ratio import contrast
from towertap.errors import AnalysisError

PARTS = ("rubber", "polyurethane")


def figures(*shares, windows=100):
    """Pass figures of which only the kept share matters."""
    return [
        PassFigure(f"p{i}", i, windows, round(share * windows), 2.0, 2.0, 2.0)
        for i, share in enumerate(shares, start=1)
    ]


def test_threshold_is_the_quantile_of_the_smooth_roads_windows_of_both_parts(make):
    smooth = [make.one_pass({"jerk_z": [1.0, 2, 3]}, "before", "bypass", 1)]
    smooth += [make.one_pass({"jerk_z": [10.0, 20, np.nan]}, "after", "bypass", 1)]
    gate = set_gate(make.drives_of(smooth), "jerk_z", 0.5)
    assert (gate.threshold, gate.windows) == (3.0, 5)
    assert (gate.before_box.n, gate.after_box.n) == (3, 2)


def test_a_pass_figure_is_the_energy_mean_of_the_windows_over_the_gate(make):
    figure = pass_figure(make.one_pass({"jerk_z": [1.0, 3, 4, np.nan, 2]}, "before", "quarry-lane", 1), "jerk_z", 2.0)
    assert (figure.windows, figure.kept, figure.share) == (4, 2, 0.5)
    assert figure.gated == pytest.approx(np.sqrt((9 + 16) / 2))
    assert figure.whole == pytest.approx(np.sqrt((1 + 9 + 16 + 4) / 4))


@pytest.mark.parametrize("values", [[0.0, 0.0], [np.nan, np.nan]])
def test_a_pass_without_a_figure_is_refused_by_name(make, values):
    with pytest.raises(AnalysisError, match=r"quarry-lane-rubber-2.*leave"):
        pass_figure(make.one_pass({"jerk_z": values}, "before", "quarry-lane", 2), "jerk_z", 1.0)


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ([1.0, 1.0, 1.0], [1.0, 0.99, 1.0], None),
        ([0.95, 0.97, 0.93], [0.96, 0.94, 0.95], None),
        ([0.91, 0.99, 0.94], [0.98, 0.92, 0.99], None),
        ([0.97, 0.97, 0.97], [1.0, 1.0, 1.0], "97 % of the windows with rubber and 100 % with polyurethane"),
        ([0.93, 0.94, 0.92], [0.97, 0.98, 0.99], "93 % of the windows with rubber and 98 % with polyurethane"),
        ([0.85, 1.0, 0.85], [1.0, 1.0, 1.0], None),
        ([0.88], [1.0], "88 % of the windows with rubber and 100 % with polyurethane"),
        ([0.95], [1.0], None),
        ([0.6, 0.5, 0.7], [0.6, 0.55, 0.7], "keeps only 61 %"),
        ([0.95, 0.0, 0.95], [0.95, 0.95, 0.95], "not one window of p2 is over"),
        ([0.0, 0.0, 0.0], [0.95, 0.95, 0.0], "not one window of p1, p2 and 2 more passes is over"),
    ],
)
def test_where_the_gate_is_not_trusted(before, after, says):
    """The rule at the head of the gate's module, case by case."""
    warning = kept_share(figures(*before), figures(*after), PARTS).warning
    assert (warning is None) if says is None else (says in warning)


def test_the_rule_does_not_know_the_sides_apart():
    one, other = figures(0.93, 0.94, 0.92), figures(0.97, 0.98, 0.99)
    there, back = kept_share(one, other, PARTS), kept_share(other, one, PARTS)
    assert (there.before, there.after, there.p) == pytest.approx((back.after, back.before, back.p))
    assert there.warning
    assert back.warning


@pytest.mark.parametrize(("level", "least_kept", "shown"), [(40.0, 0.93, 0.095), (30.0, 0.82, 0.08), (20.0, 0.5, 0.06)])
def test_the_gate_hides_a_change_the_more_it_cuts_and_the_finding_does_not(make, level, least_kept, shown):
    """Simulation, 120 comparisons with a true change of 10 %: the figures at the head of the gate's module."""
    gated, decided, shares = [], [], []
    for seed in range(120):
        (finding,) = compare(make.invented(seed, ratio=1.1, roads={"lane": level}), metrics=["jerk_z"], gate="windows")
        sides = [[v.gated for v in side] for side in (finding.before_values, finding.after_values)]
        gated.append(np.log(contrast(*sides, 0.1).ratio))
        decided.append(np.log(finding.ratio))
        shares.append((finding.kept_share.before + finding.kept_share.after) / 2)
    assert np.mean(shares) == pytest.approx(least_kept, abs=0.1)
    assert np.expm1(np.mean(gated)) == pytest.approx(shown, abs=0.01)
    assert np.expm1(np.mean(decided)) == pytest.approx(0.10, abs=0.012)
