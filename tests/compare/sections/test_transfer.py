"""A road's transfer: joint intervals over all its bands, by simulation and against scipy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from towertap.compare.sections.transfer.bands import road_transfer

from tests.compare import transfer_coverage

WHERE = "lane", ("arm", "sill"), ("rubber", "polyurethane")


@pytest.mark.parametrize(("passes", "spread"), [("2 + 6", "1:1"), ("2 + 6", "3:1"), ("3 + 6", "3:1")])
def test_all_intervals_cover_jointly_in_95_percent(passes, spread):
    """200 sets, standard error 1.5 %; the script runs more. Plain Welch covers jointly in 59 to 90 %."""
    ours, plain = transfer_coverage.all_hold(200, transfer_coverage.PASSES[passes], transfer_coverage.SPREADS[spread])
    assert ours >= 0.95 - 2 * 0.015
    assert plain < 0.95 - 2 * 0.015


def driven(counts=(4, 5), seed=1):
    rng = np.random.default_rng(seed)
    logs = [0.03 * rng.standard_normal((count, transfer_coverage.BANDS)) for count in counts]
    return [
        transfer_coverage.coherent_pass(side, number, gain)
        for side, side_logs in zip(("before", "after"), logs, strict=True)
        for number, gain in enumerate(np.exp(side_logs), 1)
    ], logs


def test_the_interval_of_a_single_judged_band_is_scipys():
    """scipy.stats.ttest_ind without equal variances is Welch's (1947); unjudged bands do not widen the interval."""
    passes, logs = driven()
    coherence = tuple(0.9 if band == 3 else 0.2 for band in range(transfer_coverage.BANDS))
    road = road_transfer(*WHERE, [replace(drive, coherence=coherence) for drive in passes], ())
    (judged,) = (band for band in road.bands if band.judged)
    before, after = logs[0][:, 3], logs[1][:, 3]
    expected = stats.ttest_ind(after, before, equal_var=False).confidence_interval(0.95)
    assert judged.name == transfer_coverage.NAMES[3]
    assert np.log(judged.ratio) == pytest.approx(after.mean() - before.mean())
    assert np.log(judged.interval) == pytest.approx(np.array(expected))


def test_one_pass_per_side_has_ratios_and_no_intervals():
    passes, logs = driven((1, 3))
    road = road_transfer(*WHERE, passes, ())
    assert np.log([band.ratio for band in road.bands]) == pytest.approx(logs[1].mean(axis=0) - logs[0][0])
    assert [band.interval for band in road.bands] == [None] * transfer_coverage.BANDS
    assert road.words.endswith("one pass on a side cannot distinguish a change from chance")


def test_a_side_without_passes_and_a_band_without_a_line_are_not_judged():
    passes, _ = driven()
    assert not any(band.judged for band in road_transfer(*WHERE, passes[:4], ()).bands)
    hole = (None, *passes[0].gain[1:]), (None, *passes[0].coherence[1:])
    road = road_transfer(*WHERE, [replace(passes[0], gain=hole[0], coherence=hole[1]), *passes[1:]], ())
    assert [band.judged for band in road.bands] == [False] + [True] * (transfer_coverage.BANDS - 1)
    assert road.bands[0].before is None
