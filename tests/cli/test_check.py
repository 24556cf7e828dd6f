"""`towertap check`: one line a rule, the verdict, and the exit status that goes with it."""

import json

import pytest
from towertap.capture.rules import RULES

KEYS = {
    *("sound", "reasons", "rate_hz", "rate_ppm", "rate_ppm_interval", "samples", "missing_samples", "gaps"),
    *("bad_frames", "clipped_samples", "rules"),
}
"""What scripts rely on."""


def test_a_sound_capture(make_capture, run):
    path = make_capture()
    status, out, err = run("check", path)
    assert (status, err) == (0, "")
    assert out.splitlines()[-1] == "sound"
    assert len(out.splitlines()) == len(RULES) + 1
    status, out, _ = run("check", path, "--json")
    answer = json.loads(out)
    assert status == 0
    assert answer["sound"] is True
    assert set(answer) >= KEYS
    assert {"name", "value", "limit", "ok", "text"} == set(answer["rules"][0])


def test_an_unsound_capture_says_why_and_exits_1(make_capture, by_hand, run):
    frames = by_hand.recording(2)
    del frames[100:110]
    path = make_capture(frames)
    status, out, _ = run("check", path)
    assert status == 1
    assert "not sound:" in out
    assert "320 samples missing in 1 gap" in out.splitlines()[-1]
    status, out, _ = run("check", path, "--json")
    answer = json.loads(out)
    assert (status, answer["sound"], answer["missing_samples"]) == (1, False, 320)
    assert answer["gaps"][0]["row"] == 99 * 32
    assert len(answer["reasons"]) == 1


def test_a_raw_recording_is_sent_to_decode(make_capture, run):
    raw = make_capture().with_suffix(".ttraw")
    status, out, err = run("check", raw)
    assert (status, out) == (2, "")
    assert "decode it first: towertap decode drive.ttraw" in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("content", "says"), [(b"", "empty"), (b"\x89PNG\r\n\x1a\n", "not a towertap capture"), (None, "no such file")]
)
def test_bad_input_is_one_line_and_exit_status_2(content, says, tmp_path, run):
    path = tmp_path / "drive.h5"
    if content is not None:
        path.write_bytes(content)
    status, out, err = run("check", path)
    assert (status, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1
