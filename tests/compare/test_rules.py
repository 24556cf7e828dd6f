"""A metric is one line of a table, with its own rule of comparison: three made-up ones reach page and JSON.

The captures are invented: the values planted in them must come out.
"""

import json

import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS
from statsmodels.stats.weightstats import CompareMeans, DescrStatsW
from towertap.compare.sections.differences.effects import by_count, by_difference
from towertap.compare.stats.design import Design
from towertap.signals.channels import ACCELERATIONS, BandPass, Channel, MetricSettings
from towertap.signals.metrics import METRICS, THIRDS, Metric, Statistic, mean, total
from towertap.signals.stream import Bank

THREE = tuple(Channel(axis, BandPass(0.5, 300.0)) for axis in ACCELERATIONS)
VECTOR = Metric("vector", "all axes together", "m/s²", THREE)
LEAN = Metric(
    "lean", "push forwards with lift", "m²/s⁴", (THREE[0], THREE[2]),
    Statistic(lambda signals, _: np.einsum("wr,wr->w", *signals)[None] / signals.shape[2],
              lambda kept, share: mean(kept[0], share)),
    "difference",
)  # fmt: skip
SHOCKS = Metric(
    "shocks", "tenths of a second with a shock", "1", THREE,
    Statistic(lambda signals, _: 1.0 * (np.abs(signals).max(axis=(0, 2)) > 40.0)[None],
              lambda kept, share: total(kept[0], share)),
    "count",
)  # fmt: skip
LEANS = {"soft": (0.30, 0.25, 0.36, 0.28), "stiff": (-0.20, -0.28, -0.17, -0.22)}
"""Slope of x on z, by pass over the rough road."""
PLANTED = {"soft": (1, 0, 2, 1), "stiff": (7, 9, 6, 8)}
CALL = ("--before", "soft", "--after", "stiff", "--smooth", "bypass")


@pytest.fixture
def table(monkeypatch):
    """The table of metrics, ending with the made-up ones."""
    for metric in (VECTOR, LEAN, SHOCKS):
        monkeypatch.setitem(METRICS, metric.name, metric)


@pytest.fixture(scope="module")
def folder(tmp_path_factory, by_hand):
    """Four passes per part of 12 s at 1 kHz, one profile per road; x follows z, and shocks are in mid-window."""
    folder, rng = tmp_path_factory.mktemp("ruled"), np.random.default_rng(5)
    first = Bank.of(METRICS | THIRDS | {"shocks": SHOCKS}, MetricSettings(1000.0)).settled_row + 1450
    for road, level in {"bypass": 40.0, "lane": 200.0}.items():
        profile = rng.normal(size=12000) * (1.5 + np.sin(np.arange(12000) / 700))
        for part, number in ((part, number) for part in LEANS for number in range(4)):
            spread = level * np.exp(0.03 * rng.normal()) * (1.3 if (road, part) == ("lane", "stiff") else 1.0)
            counts = by_hand.noise(rng, level / 10, 12000)
            up = np.rint(spread * profile)
            counts[:, 2] += up.astype(int)
            counts[:, 0] += np.rint((LEANS[part][number] if road == "lane" else 0.02 * rng.normal()) * up).astype(int)
            if road == "lane":
                counts[first + 500 * np.arange(PLANTED[part][number]), 1] += 20_000
            frames = by_hand.recording(rate_hz=1000.0, counts=counts, seed=number, rolls=True)
            by_hand.capture(folder / f"{road}-{part}-{number + 1}", frames, by_hand.conditions(part, road, number + 1))
    return folder


@pytest.fixture
def comparison(run, table, folder):
    status, out, err = run("compare", folder, *CALL, *named("vector", "lean", "shocks"), "--json")
    assert status == 0, err
    return json.loads(out)


def named(*metrics):
    return [word for metric in metrics for word in ("--metric", metric)]


def test_a_vector_sum_compared_by_ratio_is_a_finding(comparison):
    """scipy: Welch's interval of the logarithms."""
    (finding,) = comparison["findings"]
    sides = [[np.log(drive["value"]) for drive in finding[f"{side}_values"]] for side in ("after", "before")]
    welch = stats.ttest_ind(*sides, equal_var=False).confidence_interval()
    assert (finding["metric"], finding["verdict"]) == ("vector", "harsher")
    assert finding["interval"] == pytest.approx(np.exp([welch.low, welch.high]))


def by_rule(comparison, rule):
    """The rough and the smooth road in the metric of a rule."""
    return (difference for difference in comparison["evidence"]["differences"]["data"] if difference["rule"] == rule)


def test_a_mean_compared_by_difference_may_cross_zero(comparison):
    """statsmodels and scipy: Welch's interval and p of the raw values. Before, x follows z; after, it turns away."""
    lane, bypass = by_rule(comparison, "difference")
    before, after = (lane["values"][side] for side in ("before", "after"))
    assert min(before) > 0 > max(after)
    assert np.corrcoef([*before, *after], np.ravel([*LEANS.values()]))[0, 1] > 0.98
    assert lane["size"] == pytest.approx(np.mean(after) - np.mean(before))
    for road in (lane, bypass):
        sides = [road["values"][side] for side in ("after", "before")]
        means = CompareMeans(*map(DescrStatsW, sides))
        assert road["interval"] == pytest.approx(means.tconfint_diff(usevar="unequal"))
        assert road["p"] == pytest.approx(max(0.001, stats.ttest_ind(*sides, equal_var=False).pvalue))
    assert lane["words"] == f"{abs(lane['size']):.3g} m²/s⁴ less"
    assert bypass["p_holm"] > 0.05
    assert bypass["words"] == "no change is shown"


def test_few_events_or_none_are_compared_by_count_with_many(comparison):
    """scipy: given the sum, the count after is binomial (exact); the interval over passes is no narrower."""
    lane, bypass = by_rule(comparison, "count")
    assert lane["values"] == {"before": list(PLANTED["soft"]), "after": list(PLANTED["stiff"])}
    assert lane["size"] == pytest.approx(30 / 4)
    exact = stats.binomtest(30, 34)
    low, high = (share / (1 - share) for share in exact.proportion_ci(method="exact"))
    assert 1 < lane["interval"][0] <= low * (1 + 1e-6)
    assert lane["interval"][1] >= high * (1 - 1e-6)
    assert exact.pvalue <= lane["p"] < 0.01
    assert lane["words"] == "7.5 times as many"
    assert bypass["values"] == {"before": [0.0] * 4, "after": [0.0] * 4}
    assert (bypass["interval"], bypass["p"], bypass["words"]) == (None, None, "no change is shown")


def test_all_three_are_on_the_terminal_and_the_page_with_pictures(run, table, folder, tmp_path):
    status, out, err = run("compare", folder, *CALL, *named("vector", "lean", "shocks"), "--report", tmp_path, "--full")
    assert status == 0, err
    page = (tmp_path / "report.html").read_text("utf-8")
    section = page.partition('<details id="differences" open>')[2].partition("</details>")[0]
    for words in ("m²/s⁴ less", "7.5 times as many", "no change is shown"):
        assert words in " ".join(out.split())
        assert words in section.replace("\N{NO-BREAK SPACE}", " ")
    assert "All axes together" in page.partition('<section id="findings"')[2].partition("</section>")[0]
    assert section.count("<svg") == 2
    for name in ("differences_1", "differences_2", "findings"):
        assert (tmp_path / "pictures" / f"{name}.png").is_file()
    assert "0, 0, 0, 0" in (tmp_path / "data" / "differences.csv").read_text("utf-8-sig")


def test_a_metric_without_a_ratio_cannot_decide_alone(run, table, folder):
    status, _, err = run("compare", folder, *CALL, *named("lean"))
    assert status == 2
    assert "lean is compared by difference and cannot decide: also name one that can" in " ".join(err.split())


def test_blocks_remove_their_drift_from_a_difference():
    """statsmodels: ordinary least squares of part + block."""
    after, block = np.tile([False, False, True, True], 2), np.repeat([0, 1], 4)
    values = np.array([-0.1, 0.1, 0.4, 0.5, 5.0, 5.3, 5.5, 5.4])
    size, interval, p, words = by_difference(values, values, Design.of(after, range(8), [0] * 8, block), "m/s²")
    fit = OLS(values, np.column_stack([after, block == 0, block == 1]).astype(float)).fit()
    assert (size, *interval, p) == pytest.approx((fit.params[0], *fit.conf_int()[0], fit.pvalues[0]))
    assert words == "0.375 m/s² more"


@pytest.mark.parametrize("values", [[0.3, -0.2], [0.1, 0.1, 0.4, 0.3], [0.2, 0.2, 0.2, 0.2]])
def test_one_pass_per_side_and_copies_show_nothing(values):
    after = np.repeat([False, True], len(values) // 2)
    _, interval, p, _ = by_difference(np.array(values), np.ones(len(values)), Design.of(after, after, after), "m/s²")
    assert interval is p is None


def test_counts_are_relative_to_the_road_that_each_pass_covers():
    """Twice the road in each pass after, and twice the events: the rate is the same."""
    after = np.repeat([False, True], 3)
    counts, road_s = np.array([4.0, 6.0, 5.0, 9.0, 11.0, 10.0]), np.array([10.0] * 3 + [20.0] * 3)
    size, interval, p, words = by_count(counts, road_s, Design.of(after, after, after), "1")
    assert (size, words) == (1.0, "1.0 times as many")
    assert interval[0] < 1 < interval[1]
    assert p > 0.5
