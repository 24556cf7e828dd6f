"""`towertap check`: one line a rule, the verdict, and the exit status that goes with it."""

import json

import pytest
from towertap.capture.conditions import Conditions, write_sidecar
from towertap.capture.limits import Limits
from towertap.capture.rules import RULES

KEYS = {
    *("sound", "reasons", "rate_hz", "rate_ppm", "rate_ppm_interval", "samples", "missing_samples", "gaps"),
    *("bad_frames", "clipped_samples", "rules", "rate_drift_ppm", "started_utc", "started_uncertainty_s"),
}
"""What scripts rely on."""


def test_a_sound_capture(make_capture, run):
    path = make_capture()
    status, out, err = run("check", path)
    assert (status, err) == (0, "")
    assert out.splitlines()[-1] == "sound"
    assert len(out.splitlines()) == len(RULES) + 2
    assert "started: not known" in out.splitlines()[-2]
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


@pytest.mark.parametrize(("ended", "sound"), [("complete", False), ("stopped by the user", True), ("", True)])
def test_a_raw_recording_cut_after_it_ended_complete_is_not_sound(ended, sound, make_capture, by_hand, run, tmp_path):
    write_sidecar(tmp_path / "drive.ttraw", Conditions(), ended=ended)
    status, out, _ = run("check", make_capture(by_hand.recording(2)[:-1]))
    assert (status, "copy it again" in out.splitlines()[-1]) == (int(not sound), not sound)
    assert run("check", make_capture())[0] == 0


def test_limits_of_a_file_hold_in_the_verdict(make_capture, run, tmp_path):
    path, limits = make_capture(), tmp_path / "limits.toml"
    limits.write_text("gravity_tolerance_ms2 = 0.001\n")
    status, out, _ = run("check", path, "--limits", limits, "--json")
    answer = json.loads(out)
    (gravity,) = [rule for rule in answer["rules"] if rule["name"] == "gravity"]
    assert (status, gravity["limit"], gravity["ok"]) == (1, 0.001, False)
    limits.write_text("gravity_tolerance_ms2 = 5\n")
    status, out, err = run("check", path, "--limits", limits)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "looser" in err


def test_the_limits_are_listed_with_their_reasons(run):
    status, out, _ = run("check", "--list-limits")
    assert status == 0
    listed = json.loads(run("check", "--list-limits", "--json")[1])["limits"]
    assert listed == Limits.table()
    for row in listed:
        assert f"{row['name']}: {row['bound']} {row['value']:g} {row['unit']}" in out
        assert row["why"] in out
    status, _, err = run("check")
    assert (status, "give the CAPTURE" in err) == (2, True)


def test_a_raw_recording_is_sent_to_decode(make_capture, run):
    raw = make_capture().with_suffix(".ttraw")
    status, out, err = run("check", raw)
    assert (status, out) == (2, "")
    assert f"decode it first: towertap decode {raw}" in err
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
