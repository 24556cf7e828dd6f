"""`check` finds each injected fault by itself and where it is, and nothing in a sound recording."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.spatial.transform import Rotation
from towertap.capture.conditions import Conditions
from towertap.capture.integrity import check
from towertap.capture.mounting import fitting_mounting, leaning_deg, parse_mounting
from towertap.capture.reading import open_capture

from tests.by_hand import HandMade


@pytest.fixture
def judged(make_capture):
    """A function from frames to (Integrity, names of the rules that fail)."""

    def judge(frames=None):
        with open_capture(make_capture(frames)) as capture:
            integrity = check(capture)
        return integrity, [rule.name for rule in integrity.rules if rule.ok is False]

    return judge


def noise(seconds=3, spread=5.0):
    return HandMade.noise(np.random.default_rng(7), spread, seconds * 4000)


def test_a_sound_recording_is_sound(by_hand, judged):
    integrity, broken = judged(by_hand.recording(3))
    assert (integrity.sound, integrity.reasons, broken) == (True, [], [])
    assert integrity.samples == 12000
    assert (integrity.missing_samples, integrity.gaps, integrity.bad_frames, integrity.clipped_samples) == (0, [], 0, 0)
    # 2048 counts on z are 1 g by the wire format: 9.80665 m/s² (CGPM 1901)
    assert integrity.gravity_ms2 == pytest.approx(9.80665, abs=0.005)
    assert integrity.temperature_c == (25.0, 25.0)


def test_the_rate_of_a_chip_off_by_13000_ppm_is_found_within_5_ppm_in_60_s(by_hand, judged):
    frames = by_hand.recording(60, rate_hz=4000 * 1.013, latency_us=200.0)
    integrity, _ = judged(frames)
    assert integrity.rate_ppm == pytest.approx(13000, abs=5)
    low, high = integrity.rate_ppm_interval
    assert low < integrity.rate_ppm < high
    assert high - low < 10


def test_37_samples_lost_in_the_middle_are_reported_there(by_hand, judged):
    frames = by_hand.recording(10, rate_hz=4052)
    half = len(frames) // 2
    rows = noise(1)[:32]
    for k in range(half, len(frames) - 1):
        fields = {
            "sequence": k,
            "first": 32 * (k - 1) + 37,
            "clock": int((32 * k + 36) / 4052 * 1e6) + 1020,
            "fifo": 32,
        }
        frames[k] = by_hand.samples(rows[:, :3], rows[:, 3:], flags=k == half, **fields)
    frames[-1] = by_hand.frame(6, b"{}", first=32 * (len(frames) - 2) + 37, clock=10_100_000)
    integrity, broken = judged(frames)
    (gap,) = integrity.gaps
    assert integrity.missing_samples == gap["missing"] == 37
    assert gap["row"] == 32 * (half - 1)
    assert gap["at_s"] == pytest.approx(32 * (half - 1) / 4052, abs=32 / 4052)
    assert (integrity.fifo_overflows, broken) == (1, ["fifo_overflows"])
    assert integrity.rate_ppm == pytest.approx(13000, abs=5)


def test_many_lost_frames_are_not_sound(by_hand, judged):
    frames = by_hand.recording(3)
    del frames[100:200:20]
    integrity, broken = judged(frames)
    assert integrity.missing_samples == 160
    assert len(integrity.gaps) == 5
    assert broken == ["missing"]


def test_a_gap_of_unknown_length_is_not_sound(by_hand, judged):
    integrity, broken = judged(
        [*by_hand.recording(2), by_hand.hello(boot_id="f00d"), *by_hand.recording(2, seed=3)[1:]]
    )
    assert broken == ["missing"]
    assert (integrity.gaps[0]["missing"], integrity.gaps[0]["exact"]) == (None, False)
    assert integrity.rate_ppm == pytest.approx(0, abs=20)


def test_bad_frames_are_counted(by_hand, judged):
    frames = by_hand.recording(3)
    for k in range(50, 56, 2):
        frames[k] = frames[k][:100] + bytes([frames[k][100] ^ 1]) + frames[k][101:]
    integrity, broken = judged(frames)
    assert integrity.bad_frames == 3
    assert "bad_frames" in broken


@pytest.mark.parametrize(
    ("change", "rule"),
    [
        (lambda c: c.__setitem__((100, 2), 32767), "clipping"),
        (lambda c: c.__setitem__((100, 0), -32767), "clipping"),
        (lambda c: c.__setitem__((100, 4), -32768), "invalid"),
        (lambda c: c.__setitem__((slice(4000, 8000), 1), 7), "stuck_axis"),
        (lambda c: c.__setitem__((slice(None), 5), 3 + (np.arange(len(c)) % 1000 == 0)), "dead_axis"),
        (lambda c: c.__setitem__((slice(None), 2), c[:, 2] + 200), "gravity"),
    ],
)
def test_each_fault_of_the_counts_breaks_only_its_own_rule(change, rule, by_hand, judged):
    counts = noise()
    change(counts)
    integrity, broken = judged(by_hand.recording(3, counts=counts))
    assert broken == [rule]
    assert not integrity.sound


def test_clipped_and_invalid_samples_are_counted_once_per_sample(by_hand, judged):
    counts = noise()
    counts[[3, 5000, 11999], :3] = 32767
    counts[[7, 8], 3:] = -32768
    integrity, _ = judged(by_hand.recording(3, counts=counts))
    assert (integrity.clipped_samples, integrity.invalid_samples) == (3, 2)


@pytest.mark.parametrize(("times", "broken"), [(1.0, []), (1.4, []), (1 / 9.80665, ["gravity"]), (2.0, ["gravity"])])
def test_without_rest_gravity_is_judged_roughly_by_the_mean(by_hand, judged, times, broken):
    counts = noise(spread=200.0)
    counts[:, 2] = counts[:, 2] - counts[:, 2].mean() + times * counts[:, 2].mean()
    integrity, rules = judged(by_hand.recording(3, counts=counts))
    (gravity,) = [rule for rule in integrity.rules if rule.name == "gravity"]
    assert (rules, gravity.limit) == (broken, 4.9)
    assert gravity.value == pytest.approx(9.81 * times, rel=0.01)
    assert "mean over the drive" in gravity.text
    assert integrity.gravity_ms2 is None


def test_temperature_and_faults(by_hand, judged):
    frames = by_hand.recording(3)
    frames[200] = by_hand.samples(
        noise(1)[:32, :3], first=199 * 32, clock=(200 * 8000) + 1000, temperature=5000, fifo=32
    )
    frames.insert(201, by_hand.frame(4, b'{"fault": "bus_error", "detail": ""}', first=200 * 32, clock=1_700_000))
    integrity, broken = judged(by_hand.numbered(frames))
    # data sheet DS-000347: word / 132.48 + 25
    assert integrity.temperature_c == pytest.approx((25, 62.74), abs=0.01)
    assert broken == ["faults", "temperature"]


def test_a_broken_off_recording_is_not_sound_and_its_length_is_given(by_hand, judged):
    frames = by_hand.recording(3)[:-1]
    integrity, broken = judged([*frames[:-1], frames[-1][:200]])
    assert (integrity.ending, broken, integrity.bad_frames) == ("broken off", ["ending"], 1)
    assert "broken off after 3.0 s: the box never said goodbye" in integrity.reasons[0]
    assert "--include-unsound" in integrity.reasons[0]


def test_a_recording_too_short_for_a_fit_is_not_sound(by_hand, judged):
    integrity, broken = judged(by_hand.recording(0.05))
    assert broken == ["rate"]
    assert integrity.rate_ppm_interval is None


def test_a_lower_bound_of_missing_samples_is_shown_as_one_and_not_sound(by_hand, judged):
    frames = by_hand.recording(3)
    rows = noise(1)[:32]
    frames[200] = by_hand.samples(rows[:, :3], rows[:, 3:], first=6400, clock=1_608_770, fifo=32, flags=6)
    integrity, broken = judged(by_hand.numbered([*frames[:201], *frames[202:]]))
    assert "at least 32 samples missing in 1 gap" in integrity.reasons[0]
    assert (integrity.missing_samples, integrity.gaps[0]["exact"], broken) == (32, False, ["missing"])


@pytest.fixture
def leaning(by_hand, make_capture):
    """A function from gravity in g (chip axes), a mounting and the noise in counts to the result of `check`."""

    def judge(gravity_g, mounting, spread=5.0):
        counts = np.rint(
            noise(spread=spread) + np.append(2048 * np.array(gravity_g), [0, 0, 0]) - [0, 0, 2048, 0, 0, 0]
        )
        path = make_capture(by_hand.recording(3, counts=counts.astype(int)), conditions=Conditions(mounting=mounting))
        with open_capture(path) as capture:
            integrity = check(capture)
        return integrity, next(rule for rule in integrity.rules if rule.name == "mounting")

    return judge


def turned_about_x(degrees):
    return Rotation.from_euler("x", degrees, degrees=True).apply([0.0, 0.0, 1.0])


@pytest.mark.parametrize("spread", [5.0, 200.0])
def test_a_mounting_that_gravity_contradicts_is_refused_with_one_that_would_fit(leaning, spread):
    integrity, rule = leaning([0.0, 1.0, 0.0], "x=+X,y=+Y,z=+Z", spread)
    assert (rule.ok, integrity.sound) == (False, False)
    assert rule.value == pytest.approx(90, abs=1)
    assert "x=+X,y=-Z,z=+Y would" in rule.text
    assert "correct" in rule.text
    assert ("(at rest" in rule.text) is (spread < 100)
    again, fits = leaning([0.0, 1.0, 0.0], "x=+X,y=-Z,z=+Y", spread)
    assert (fits.ok, again.sound) == (True, True)


def test_a_box_on_a_slope_passes_up_to_the_limit(leaning):
    assert leaning(turned_about_x(14), "x=+X,y=+Y,z=+Z")[1].ok is True
    assert leaning(turned_about_x(16), "x=+X,y=+Y,z=+Z")[1].ok is False
    assert leaning(turned_about_x(40), "x=+X,z=gravity")[1].ok is True
    assert leaning(turned_about_x(40), "")[1].ok is None


def test_up_is_not_taken_from_gravity_on_the_move(leaning):
    # 0.2 m/s² of shaking without rotation: a car on a smooth road, not one at rest
    integrity, rule = leaning([0.0, 0.0, 1.0], "x=+X,z=gravity", spread=42.0)
    assert (rule.ok, integrity.gravity_ms2) == (None, None)


@given(
    angles=arrays(float, 3, elements=st.floats(-np.pi, np.pi)),
    declared=st.sampled_from(["x=+X,y=+Y,z=+Z", "x=+Y,y=-X,z=+Z"]),
)
def test_the_mounting_that_would_fit_has_gravity_nearest_to_its_up(angles, declared):
    # scipy's rotation is the truth: a box turned by it reads gravity in its own axes.
    force = 9.81 * Rotation.from_euler("zyx", angles).as_matrix().T[:, 2]
    fitting = parse_mounting(fitting_mounting(parse_mounting(declared), force))
    assert leaning_deg(fitting, force) <= np.degrees(np.arccos(1 / np.sqrt(3))) + 1e-6
    assert fitting[2] @ force == pytest.approx(abs(force).max())
