"""`towertap check`: one line per rule, the verdict, and the exit status."""

import pytest
from towertap.capture.conditions import Conditions, write_sidecar
from towertap.capture.rules import RULES

KEYS = {
    *("sound", "reasons", "rate_hz", "rate_ppm", "rate_ppm_interval", "samples", "missing_samples", "gaps"),
    *("bad_frames", "clipped_samples", "rules", "rate_drift_ppm", "started_utc", "started_uncertainty_s"),
}
"""What scripts rely on."""


def test_a_sound_capture(make_capture, run, answer):
    path = make_capture()
    status, out, err = run("check", path)
    assert (status, err) == (0, "")
    assert out.splitlines()[-1] == "sound"
    assert len(out.splitlines()) == len(RULES) + 2
    assert "started: not known" in out.splitlines()[-2]
    (data,) = answer("check", path)["captures"]
    assert data["sound"] is True
    assert set(data) >= KEYS
    assert {"name", "value", "limit", "ok", "text"} == set(data["rules"][0])


def test_an_unsound_capture_says_why_and_exits_1(make_capture, by_hand, run, answer):
    frames = by_hand.recording(2)
    del frames[100:110]
    path = make_capture(frames)
    status, out, _ = run("check", path)
    assert status == 1
    assert "not sound:" in out
    assert "320 samples missing in 1 gap" in out.splitlines()[-1]
    (data,) = answer("check", path, status=1)["captures"]
    assert (data["sound"], data["missing_samples"]) == (False, 320)
    assert data["gaps"][0]["row"] == 99 * 32
    assert len(data["reasons"]) == 1


BYE = {"ended": "complete", "ending": "complete", "seconds": 2}
ENDINGS = {  # sidecar, whether the bye is there, exit status, ending, words
    "complete": (BYE, True, 0, "complete", "completed: complete"),
    "stopped": ({"ended": "stopped by the user", "ending": "stopped"}, True, 0, "stopped", "stopped on purpose"),
    "no sidecar": ({}, True, 0, "stopped", "the intended length is not known"),
    "an older sidecar": ({"ended": "complete"}, True, 0, "complete", "completed"),
    "a full disk": ({**BYE, "ended": "the disk is full", "ending": "broken off", "seconds": 60}, True, 1, "broken off",
                    "broken off after 2.0 s: the disk is full (60 s were asked for)"),
    "a full disk, older": ({"ended": "the disk is full"}, True, 1, "broken off", "the disk is full"),
    "a cable gone": ({"ended": "the box did not come back", "ending": "broken off", "seconds": 8}, False, 1,
                     "broken off", "did not come back (8 s were"),
    "killed": ({"ended": "", "seconds": 8}, False, 1, "broken off", "never said goodbye"),
    "cut afterwards": (BYE, False, 1, "broken off", "copy it again"),
}  # fmt: skip


@pytest.mark.parametrize("case", ENDINGS)
def test_how_a_recording_ended_is_reported(case, make_capture, by_hand, run, answer, tmp_path):
    host, has_bye, expected, ending, words = ENDINGS[case]
    write_sidecar(tmp_path / "drive.ttraw", Conditions(), **host)
    path = make_capture(by_hand.recording(2) if has_bye else by_hand.recording(2)[:-1])
    status, out, _ = run("check", path)
    (data,) = answer("check", path, status=expected)["captures"]
    assert (status, data["ending"], words in out) == (expected, ending, True), out
    assert ("--include-unsound" in out) == (expected == 1)


def test_several_captures_have_headings_and_one_unsound_capture_decides(make_capture, by_hand, run, answer):
    frames = by_hand.recording(2)
    del frames[100:110]
    sound, damaged = make_capture(), make_capture(frames, name="damaged")
    status, out, _ = run("check", sound, damaged)
    assert status == 1
    assert out.startswith(f"{sound}\n")
    assert f"\nsound\n{damaged}\n" in out
    data = answer("check", sound, damaged, status=1)
    assert (data["sound"], [entry["sound"] for entry in data["captures"]]) == (False, [True, False])


def test_a_raw_recording_is_referred_to_decode(make_capture, refused):
    raw = make_capture().with_suffix(".ttraw")
    err = refused("check", raw)
    assert f"decode it first: towertap decode {raw}" in err


@pytest.mark.parametrize(
    ("content", "says"), [(b"", "empty"), (b"\x89PNG\r\n\x1a\n", "not a towertap capture"), (None, "no such file")]
)
def test_bad_input_is_one_line_and_exit_status_2(content, says, tmp_path, refused):
    path = tmp_path / "drive.h5"
    if content is not None:
        path.write_bytes(content)
    err = refused("check", path)
    assert says in err
