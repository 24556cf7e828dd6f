"""`check` finds what was put in: each fault alone, at its place, and nothing in a sound recording."""

import numpy as np
import pytest
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture


@pytest.fixture
def judged(make_capture):
    """A function from frames to (Integrity, names of the rules that do not hold)."""

    def judge(frames=None):
        with open_capture(make_capture(frames)) as capture:
            integrity = check(capture)
        return integrity, [rule.name for rule in integrity.rules if rule.ok is False]

    return judge


def noise(seconds=3, rate=4000, spread=5.0):
    rng = np.random.default_rng(7)
    return np.rint(rng.normal([0, 0, 2048, 0, 0, 0], spread, (seconds * rate, 6))).astype(int)


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


def test_37_samples_lost_in_the_middle_are_37_missing_there(by_hand, judged):
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
def test_each_fault_of_the_counts_breaks_its_own_rule_alone(change, rule, by_hand, judged):
    counts = noise()
    change(counts)
    integrity, broken = judged(by_hand.recording(3, counts=counts))
    assert broken == [rule]
    assert not integrity.sound


def test_clipped_and_invalid_samples_are_counted_once_a_sample(by_hand, judged):
    counts = noise()
    counts[[3, 5000, 11999], :3] = 32767
    counts[[7, 8], 3:] = -32768
    integrity, _ = judged(by_hand.recording(3, counts=counts))
    assert (integrity.clipped_samples, integrity.invalid_samples) == (3, 2)


def test_gravity_is_not_judged_without_rest(by_hand, judged):
    integrity, broken = judged(by_hand.recording(3, counts=noise(spread=200.0)))
    (gravity,) = [rule for rule in integrity.rules if rule.name == "gravity"]
    assert gravity.ok is None
    assert (integrity.gravity_ms2, broken) == (None, [])


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


def test_a_recording_that_broke_off_is_not_sound_and_says_how_much_there_is(by_hand, judged):
    frames = by_hand.recording(3)[:-1]
    integrity, broken = judged([*frames[:-1], frames[-1][:200]])
    assert (integrity.ending, broken, integrity.bad_frames) == ("broken off", ["ending"], 1)
    assert "broken off after 3.0 s: the box never said goodbye" in integrity.reasons[0]
    assert "--include-unsound" in integrity.reasons[0]


def test_too_short_to_fit_is_not_sound(by_hand, judged):
    integrity, broken = judged(by_hand.recording(0.05))
    assert broken == ["rate"]
    assert integrity.rate_ppm_interval is None


def test_a_lower_bound_of_missing_samples_is_told_as_one_and_not_sound(by_hand, judged):
    frames = by_hand.recording(3)
    rows = noise(1)[:32]
    frames[200] = by_hand.samples(rows[:, :3], rows[:, 3:], first=6400, clock=1_608_770, fifo=32, flags=6)
    integrity, broken = judged(by_hand.numbered([*frames[:201], *frames[202:]]))
    assert "at least 32 samples missing in 1 gap" in integrity.reasons[0]
    assert (integrity.missing_samples, integrity.gaps[0]["exact"], broken) == (32, False, ["missing"])
