"""A recording at rest: measured noise, checks of rest, and the figure."""

import json

import matplotlib
import numpy as np
import pytest
from towertap.bench import noise, rest
from towertap.capture.reading import open_capture
from towertap.capture.sweep import Sweep
from towertap.cli._bench_noise import draw
from towertap.cli._outcome import plain
from towertap.errors import AnalysisError

SIGMA = 5.0
"""Standard deviation in counts of 1/2048 g, at 1000 Hz."""

UG = 9.80665e-6


def counts(seconds=30.0, seed=1):
    rng = np.random.default_rng(seed)
    return rng.normal([0, 0, 2048, 0, 0, 0], SIGMA, (round(seconds * 1000), 6))


@pytest.fixture
def measured(make_capture, by_hand):
    """A function from counts (n, 6) at 1000 Hz to the noise measured from their capture."""

    def measure(values, **kind):
        frames = by_hand.recording(rate_hz=1000.0, counts=values, **kind)
        with open_capture(make_capture(frames)) as capture:
            return noise.measure(capture)

    return measure


def test_white_counts_at_rest(measured):
    """Density of white noise of standard deviation σ is σ/√(rate/2); rounding adds 1/12 of a count squared."""
    result = measured(counts())
    sigma = (SIGMA**2 + 1 / 12) ** 0.5 / 2048 * 9.80665
    expected = sigma / (1000 / 2) ** 0.5
    assert result.density.value == pytest.approx([expected] * 3, rel=0.04)
    assert (result.density.low <= result.density.value).all()
    assert (result.density.value <= result.density.high).all()
    assert result.broadband_rms == pytest.approx([sigma] * 3, rel=0.02)
    assert result.quantisation_share == pytest.approx([1 / 12 / (SIGMA**2 + 1 / 12)] * 3, rel=0.1)
    assert result.at_rest
    assert all(coefficients["velocity_random_walk"].seen for coefficients in result.coefficients)
    assert json.loads(json.dumps(plain(result.data())))["allan"][1]["axis"] == "y"


def test_only_the_longest_stretch_without_gaps_is_measured(by_hand, make_capture):
    """Frames lost at 6 s: the 24 s after them count."""
    frames = by_hand.recording(rate_hz=1000.0, counts=counts())
    del frames[188:190]
    with open_capture(make_capture(frames)) as capture:
        result = noise.measure(capture)
    assert result.seconds == pytest.approx(30 - 190 * 0.032, abs=0.05)


def knocked(values):
    values[12_000, 1] += 100


def swayed(values):
    t = np.arange(len(values)) / 1000
    values[:, 0] += 2 * np.sin(2 * np.pi * 3 * t) * np.sin(2 * np.pi * 0.11 * t)


def louder(values):
    values[20_000:22_000, 2] += np.random.default_rng(2).normal(0, 6, 2000)


def tipped(values):
    values[15_000:, 0] += 40


def rotated(values):
    values[15_000:17_000, 5] += 8


def weightless(values):
    values[:, 2] -= 2048


@pytest.mark.parametrize(
    ("disturb", "rule", "words"),
    [
        (knocked, "no_knock", "knocked in 1 s (at 12 s)"),
        (swayed, "no_sway", "the surface moves"),
        (louder, "even", "2 of 30 s disturbed (at 20 s, 21 s)"),
        (tipped, "not_leaning", "it tipped"),
        (rotated, "not_turning", "it was turned"),
        (weightless, "gravity", "not gravity"),
    ],
)
def test_each_disturbance_fails_its_own_check(measured, disturb, rule, words):
    values = counts()
    disturb(values)
    result = measured(values)
    failed = {check.name: check.text for check in result.checks if not check.ok}
    assert not result.at_rest
    assert words in failed[rule]
    if disturb in (knocked, louder, rotated, weightless):
        assert list(failed) == [rule]


def test_a_dead_axis_is_named(measured):
    values = counts()
    values[:, 1] = 7
    with pytest.raises(AnalysisError, match="axis y never changes"):
        measured(values)


def test_places_beyond_the_third_are_only_counted():
    spread = np.full((60, 6), 5.0)
    spread[10:30, 0] = 50.0
    still = np.zeros((60, 6))
    sweep = Sweep(1000, still - 10, still + 10, still, spread, np.zeros(6, int), 0, np.zeros(0, int), 0, np.ones(6))
    (rule,) = (check for check in rest.judge(sweep, 0.005, 0.001, np.ones(3)) if check.name == "even")
    assert "20 of 60 s disturbed (at 10 s, 11 s, 12 s …)" in rule.text


def test_the_figure_names_tone_and_density(make_capture, by_hand, tmp_path):
    values = counts()
    values[:, 2] += 2 * np.sin(2 * np.pi * 41 * np.arange(len(values)) / 1000)
    frames = by_hand.recording(rate_hz=1000.0, counts=values)
    with open_capture(make_capture(frames)) as capture:
        result = noise.measure(capture)
    draw(result, "box e66", tmp_path / "noise.png")
    picture = matplotlib.image.imread(tmp_path / "noise.png")
    assert picture.shape[:2] == (1400, 1720)
    assert picture[..., :3].std() > 0.05

    from towertap.report.figures import bench_noise

    figure = bench_noise.draw(result, "box e66")
    upper, lower = figure.axes
    assert upper.get_xlabel() == "frequency, Hz"
    assert lower.get_ylabel() == "Allan deviation, µg"
    assert "41 Hz" in [text.get_text() for text in upper.texts]
    assert f"{result.density.value.max() / UG:.1f} µg/√Hz" in figure.get_suptitle()
