"""`towertap listen`, and the sounds of a report."""

from __future__ import annotations

import wave

import numpy as np
import pytest
from towertap.capture.conditions import Conditions
from towertap.exchange.listening import CAUTION, sounds_of
from towertap.report.report import write_report

CONDITIONS = Conditions("minibus", "soft", "lane", 1, mounting="x=+X,y=+Y,z=+Z")


@pytest.fixture
def two_passes(make_capture, by_hand):
    """A road of noise that swells, at 1 kHz; a second pass begun 1.5 s earlier, half as rough; a third elsewhere."""
    rng = np.random.default_rng(9)
    level = 40 + 120 * np.convolve(rng.uniform(size=20_000) ** 4, np.hanning(900) / 450, "same") ** 2
    road = rng.normal([0, 0, 2048, 0, 0, 0], np.outer(level, [0.3, 0.3, 1, 0.01, 0.01, 0.01]))
    other = rng.normal([0, 0, 2048, 0, 0, 0], np.outer(level[::-1], [0.3, 0.3, 1, 0.01, 0.01, 0.01]))

    def record(name, counts):
        frames = by_hand.recording(rate_hz=1000.0, counts=counts)
        return make_capture(frames, name, CONDITIONS)

    still = np.array([0, 0, 2048, 0, 0, 0])
    return (
        record("first", road[2000:17_000]),
        record("second", still + (road[500:15_500] - still) / 2),
        record("third", other[:15_000]),
    )


def test_the_place_is_found_again_and_written_as_a_sound(two_passes, run, answer, tmp_path):
    first, second, _ = two_passes
    out = tmp_path / "lane.wav"
    status, text, _ = run("listen", first, second, "--out", out, "--seconds", 2)
    assert status == 0
    assert "with headphones" in text
    assert "not an ear" in text
    data = answer("listen", first, second, "--out", out, "--seconds", 2)
    assert data["after_at_s"] - data["before_at_s"] == pytest.approx(1.5, abs=0.15)
    assert data["agreement"] > 0.8
    with wave.open(str(out)) as file:
        assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, 48000)
        sound = np.frombuffer(file.readframes(file.getnframes()), "<i2") / 32767
    assert len(sound) / 48000 == pytest.approx(2 * (2 * 2 + 2 * 0.7), abs=0.01)
    assert np.abs(sound).max() == pytest.approx(0.5, abs=0.01)
    before, after = (sound[start : start + 96_000].std() for start in (21_600, 151_200))
    assert before / after == pytest.approx(2, rel=0.05)  # half as rough is half as loud
    assert CAUTION.encode() in out.read_bytes()


def test_a_given_place_is_not_searched(two_passes, run, tmp_path, refused):
    first, _, third = two_passes
    words = ("listen", first, third, "--out", tmp_path / "x.wav", "--seconds", 1)
    err = refused(*words)
    assert "give it with --after-at" in err
    assert run(*words, "--at", 5, "--after-at", 6)[0] == 0
    status, _, err = run(*words, "--at", 14.8, "--after-at", 6)
    assert (status, "no 1 s without a gap from 14.80 s;" in err) == (2, True)
    other = tmp_path / "song.wav"
    other.write_bytes(b"RIFF")
    status, _, err = run(*words[:-4], "--out", other)
    assert (status, "was not written by" in err, other.read_bytes()) == (2, True, b"RIFF")


@pytest.mark.filterwarnings("error")
def test_a_folder_that_is_not_there_is_one_line(two_passes, refused, tmp_path):
    first, second, _ = two_passes
    assert "No such file or directory" in refused("listen", first, second, "--out", tmp_path / "none" / "x.wav")


def test_a_report_has_a_sound_for_each_pair_of_spectrograms(compared, tmp_path):
    sounds, failures = sounds_of(compared, tmp_path)
    assert (list(sounds), failures) == (["spectrogram_1"], [])
    page = write_report(compared, tmp_path, sounds=sounds).read_text("utf-8")
    assert page.count("<audio") == 1
    assert 'src="sound_1.wav"' in page
    assert (tmp_path / "sound_1.wav").exists()
    assert "not an ear" in page
