"""The comparison by block against published paired tests, statsmodels' regression and arrangements made by hand."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from itertools import product

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy import stats
from towertap.compare.comparison import compare
from towertap.compare.plan.order import drive_order
from towertap.compare.plan.slots import slots_of
from towertap.compare.resampling import bootstrap_interval, permutation_p
from towertap.compare.stats.blocks import Slot, blocked
from towertap.compare.stats.ratio import contrast, smallest_difference
from towertap.compare.stats.effect import additive

SLEEP = (
    (0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0),
    (1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4),
)
"""Hours of sleep gained with two drugs by ten patients (Student 1908, after Cushny and Peebles), from memory."""

BLOCKS = ([1, 1, 2, 2, 3], [1, 2, 2, 3, 3, 3])
"""Blocks of unequal size."""


def figures(seed, blocks=BLOCKS, drift=0.1, ratio=1.0, spread=0.03):
    """Figures of passes in blocks that drift apart."""
    rng = np.random.default_rng(seed)
    levels = drift * rng.standard_normal(max(map(max, blocks)) + 1)
    before, after = (np.exp(levels[np.array(side)] + spread * rng.standard_normal(len(side))) for side in blocks)
    return before, ratio * after


def table(before, after, blocks=BLOCKS):
    """The same as columns for statsmodels."""
    return pd.DataFrame(
        {
            "y": np.log([*before, *after]),
            "part": [0] * len(before) + [1] * len(after),
            "block": [*blocks[0], *blocks[1]],
        }
    )


def test_blocks_of_two_are_a_published_paired_test():
    """Student's sleep data: t = -4.0621 with 9 degrees of freedom, p = 0.002833, interval of the mean difference 0.70
    to 2.46 (documentation of R's t.test, from memory)."""
    pairs = tuple(range(10)), tuple(range(10))
    got = additive(np.array(SLEEP[0]), np.array(SLEEP[1]), pairs)
    assert (got.difference / got.error, got.df) == (pytest.approx(4.0621, abs=5e-5), 9)
    assert got.p_difference() == pytest.approx(0.002833, abs=5e-7)
    assert np.log(got.interval()) == pytest.approx([0.7001142, 2.4598858], abs=5e-7)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_deciding_contrast_is_the_regression_of_statsmodels(seed):
    """Ordinary least squares of part + block, blocks of unequal size."""
    before, after = figures(seed, ratio=1.05)
    fit = smf.ols("y ~ part + C(block)", table(before, after)).fit()
    got = contrast(before, after, 0.1, BLOCKS)
    assert got.ratio == pytest.approx(np.exp(fit.params["part"]))
    assert got.after / got.before == pytest.approx(got.ratio)
    assert got.interval == pytest.approx(np.exp(fit.conf_int().loc["part"]))
    assert got.p_difference == pytest.approx(fit.pvalues["part"])
    below, above = (fit.t_test(f"part = {bound}") for bound in (-np.log(1.1), np.log(1.1)))
    one_sided = [stats.t.sf(below.tvalue.item(), fit.df_resid), stats.t.cdf(above.tvalue.item(), fit.df_resid)]
    assert got.p_equivalence == pytest.approx(max(one_sided))


def test_part_by_block_is_the_analysis_of_variance_of_statsmodels():
    before, after = figures(3)
    fits = [smf.ols(model, table(before, after)).fit() for model in ("y ~ part + C(block)", "y ~ part * C(block)")]
    slots = tuple([Slot(block, 0) for block in side] for side in BLOCKS)
    got = blocked(before, after, slots, 0.1)
    assert got.p_interaction == pytest.approx(sm.stats.anova_lm(*fits)["Pr(>F)"].iloc[1])
    in_second = np.log(after[1:3]).mean() - np.log(before[2:4]).mean()
    assert got.ratios[1] == pytest.approx(np.exp(in_second))


def test_blocks_alike_keep_the_plain_geometric_means():
    blocks = ([1, 1, 2, 2], [1, 1, 2, 2])
    before, after = figures(4, blocks)
    got, plain = contrast(before, after, 0.1, blocks), contrast(before, after, 0.1)
    assert (got.before, got.after, got.ratio) == pytest.approx((plain.before, plain.after, plain.ratio))


def test_what_shifts_a_whole_block_changes_nothing_but_the_means():
    before, after = figures(5)
    shift = np.array([0, 1.0, 3.0, 0.2])
    moved = [side * shift[np.array(where)] for side, where in zip((before, after), BLOCKS, strict=True)]
    still, then = contrast(before, after, 0.1, BLOCKS), contrast(*moved, 0.1, BLOCKS)
    for name in ("ratio", "interval", "p_difference", "p_equivalence"):
        assert getattr(then, name) == pytest.approx(getattr(still, name))
    assert permutation_p(*moved, BLOCKS) == pytest.approx(permutation_p(before, after, BLOCKS))


def test_permutation_is_the_share_of_arrangements_within_blocks_that_are_as_extreme():
    """By the t of statsmodels' regression, over all 216 ways to deal the parts within three blocks of four."""
    blocks = ([1, 1, 2, 2, 3, 3],) * 2
    before, after = figures(6, blocks, ratio=1.03)
    columns = table(before, after, blocks)
    block = np.array(columns["block"])
    ways = [(0, 0, 1, 1), (0, 1, 0, 1), (0, 1, 1, 0), (1, 0, 0, 1), (1, 0, 1, 0), (1, 1, 0, 0)]
    model = np.column_stack([np.zeros(12), *(block == one for one in (1, 2, 3))]).astype(float)

    def extreme(part):
        return abs(sm.OLS(columns["y"].to_numpy(), np.column_stack([part, model[:, 1:]])).fit().tvalues[0])

    seen = extreme(np.array(columns["part"]))
    every = []
    for dealt in product(ways, repeat=3):
        part = np.zeros(12)
        for one, way in zip((1, 2, 3), dealt, strict=True):
            part[block == one] = way
        every.append(extreme(part))
    assert permutation_p(before, after, blocks) == pytest.approx(np.mean(np.array(every) >= seen * (1 - 1e-9)))


def test_many_arrangements_are_drawn_and_come_near_the_exact_p_of_the_t_test():
    """For normal figures the randomisation p is near the t-test's (Fisher 1935)."""
    blocks = ([1] * 6 + [2] * 6,) * 2
    before, after = figures(7, blocks, ratio=1.02)
    assert permutation_p(before, after, blocks) == pytest.approx(
        contrast(before, after, 0.1, blocks).p_difference, abs=0.02
    )


def test_too_few_passes_for_a_cross_check_give_none():
    """A B B A of four passes a side: 36 arrangements, so p is 1/18 at least; two passes cannot be drawn from."""
    blocks = ([1, 1, 2, 2],) * 2
    assert permutation_p(*figures(8, blocks), blocks) is None
    assert bootstrap_interval(*figures(8, blocks), blocks) is None


def test_the_bootstrap_lies_about_the_additive_interval():
    blocks = ([1] * 6 + [2] * 6,) * 2
    widths = []
    for seed in range(60):
        before, after = figures(seed, blocks)
        held, drawn = contrast(before, after, 0.1, blocks).interval, bootstrap_interval(before, after, blocks)
        widths.append(np.log(drawn[1] / drawn[0]) / np.log(held[1] / held[0]))
    assert np.median(widths) == pytest.approx(1.0, abs=0.1)


@pytest.fixture
def planned(make):
    """Drives in blocks A B B A that drift by 20 %, and their slots as a plan deals them."""
    drives = make.invented(3, n=(6, 6), pass_spread=0.01, seconds=120, roads={"quarry-lane": 60.0, "moor-road": 60.0})
    order = drive_order("rubber", "polyurethane", ["quarry-lane", "moor-road", "bypass"], 6, 2, 1)
    slots = {
        (one.part, one.road, one.pass_number): Slot(one.block, 2 if one.part == "polyurethane" else 2 * one.block - 1)
        for one in order
    }
    passes = tuple(
        replace(
            one,
            windows=one.windows.assign(jerk_z=one.windows.jerk_z * (1.2 if one.conditions.pass_number > 3 else 1.0)),
        )
        for one in drives.passes
    )
    return replace(drives, passes=passes), slots


def test_a_drift_between_blocks_cancels_where_welchs_test_is_blinded_by_it(planned):
    drives, slots = planned
    by_block = compare(drives, metrics=["jerk_z"], gate="windows", blocks=slots)
    by_welch = compare(drives, metrics=["jerk_z"], gate="windows")
    for one, other in zip(by_block, by_welch, strict=True):
        assert one.blocked is not None
        assert len(one.blocked.ratios) == 2
        assert other.blocked is None
        assert (one.verdict, other.verdict) == ("equivalent", "undecided")
        assert one.smallest_difference < other.smallest_difference
        assert "6 and 6 passes in 2 blocks" in one.words
    assert not [words for words in by_block.warnings if "by block" in words]


def without_number(passes):
    return [replace(passes[0], conditions=replace(passes[0].conditions, pass_number=None)), *passes[1:]]


def twice(passes):
    return [*passes, replace(passes[0], path=passes[0].path.with_name("again.h5"))]


def one_sided(passes):
    return [one for one in passes if one.side == "before" or one.conditions.pass_number <= 3]


def only_the_first(passes):
    return [one for one in passes if one.conditions.pass_number <= 3]


def mixed_up(passes):
    start = datetime(2026, 5, 4, 8, tzinfo=UTC)
    return [replace(one, started=start - timedelta(hours=one.conditions.pass_number)) for one in passes]


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (without_number, "moor-road-rubber-1 has no pass number"),
        (twice, "are the same planned pass"),
        (one_sided, "block 2 has passes with rubber only"),
        (only_the_first, "its passes are all of one block"),
        (mixed_up, "blocks 1 and 2 were not driven one after the other"),
    ],
)
def test_a_road_whose_blocks_do_not_hold_falls_back_and_says_why(planned, change, says):
    drives, slots = planned
    broken = change(drives.of("moor-road"))
    drives = replace(drives, passes=(*drives.of("bypass"), *drives.of("quarry-lane"), *broken))
    got = compare(drives, metrics=["jerk_z"], gate="windows", blocks=slots)
    assert {one.road: one.blocked is None for one in got} == {"moor-road": True, "quarry-lane": False}
    (warning,) = [words for words in got.warnings if "not compared by block" in words]
    assert warning.startswith("moor-road")
    assert says in warning


def test_passes_that_were_not_planned_have_no_slot(make):
    one = make.one_pass({"jerk_z": [1.0]}, "before", "lane", 9)
    assert slots_of([one], {})[1] == "lane-rubber-9 is pass 9 with rubber, which was not planned"


def test_blocks_that_agree_to_the_last_digit_tell_nothing():
    blocks = ([1, 2], [1, 2])
    got = contrast([1.0, 2.0], [1.1, 2.2], 0.1, blocks)
    assert (got.interval, got.p_difference) == (None, None)
    assert smallest_difference([1.0, 2.0], [1.1, 2.2], 0.05, blocks=blocks) is None
