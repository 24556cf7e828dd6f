"""`towertap bench noise` from the simulated box over its port, up to the record that a capture finds."""

import json

import numpy as np
import pytest
from towertap.bench import records
from towertap.box.simulated import SimulatedBox
from towertap.capture.reading import open_capture

UG = 9.80665e-6


def test_a_box_at_rest_shows_the_data_sheets_noise(run, tmp_path):
    """DS-000347 table 2: 70 µg/√Hz, as the chip model has it; quantisation adds step²/12 over half the rate."""
    with SimulatedBox(None, oscillator_ppm=13000, seed=5) as box:
        status, out, err = run(
            "bench",
            "noise",
            "--port",
            box.port,
            "--seconds",
            40,
            "--odr-hz",
            1000,
            "--bench",
            tmp_path / "bench",
            "--json",
        )
    assert status == 0, err
    assert "Lay it on a folded cloth" in " ".join(err.split())  # line breaks depend on the length of the port's name
    data = json.loads(out)
    assert data["at_rest"]
    density = data["density"]
    rounding = (16e6 / 32768) ** 2 / 12 / 506.5  # µg²/Hz
    assert np.array(density["value"]) / UG == pytest.approx([(70**2 + rounding) ** 0.5] * 3, rel=0.03)
    assert density["data_sheet"] / UG == pytest.approx(70)
    for low, high in zip(density["low"], density["high"], strict=True):
        assert 0.95 < low / high < 1
        assert low / UG < 71
        assert high / UG > 69
    assert data["tones"] == []
    assert data["quantisation"]["share_of_density_power"] == pytest.approx([rounding / 70**2] * 3, rel=0.1)
    # N·2π·√(fc³/3): the jerk noise floor up to 100 Hz
    assert data["floors"]["jerk_z"]["rms"] == pytest.approx([70 * UG * 2 * np.pi * (1e6 / 3) ** 0.5] * 3, rel=0.03)
    walk = data["allan"][2]["coefficients"]["velocity_random_walk"]
    assert walk["seen"]
    assert walk["value"] == pytest.approx(70 * UG / 2**0.5, rel=0.05)
    assert (tmp_path / "bench" / data["figure"].split("/")[-1]).read_bytes().startswith(b"\x89PNG")
    with open_capture(data["capture"]) as capture:
        found = records.find(tmp_path / "bench", "noise", capture)
    assert found.record.subject.serial == "0000000000000001"
    assert found.record.result["floors"].keys() == data["floors"].keys()


def test_a_humming_and_knocked_table_is_reported(run, tmp_path):
    """A fan at 23.5 Hz on the table, and a knock at 10 s."""
    rate_hz = 1000.0
    t = np.arange(0, 20, 1 / rate_hz)
    motion = np.tile([0, 0, 9.80665], (t.size, 1))
    motion[:, 2] += 0.01 * np.sin(2 * np.pi * 23.5 * t)
    motion[(t > 10) & (t < 10.005), 0] += 3.0
    with SimulatedBox(motion, rate_hz) as box:
        status, out, _err = run(
            "bench", "noise", "--port", box.port, "--seconds", 20, "--odr-hz", 1000, "--bench", tmp_path, "--json"
        )
    assert status == 1
    data = json.loads(out)
    assert not data["at_rest"]
    failed = {rule["name"]: rule["text"] for rule in data["rules"] if not rule["ok"]}
    assert "knocked in 1 s (at 10 s)" in failed["no_knock"]
    assert [tone["frequency_hz"] for tone in data["tones"]] == pytest.approx([23.5], abs=0.05)
    assert data["tones"][0]["name"].startswith("not mains; a fan, pump or motor at 14")
    assert data["tones"][0]["rms_ms2"][2] == pytest.approx(0.01 / 2**0.5, rel=0.1)
    with open_capture(data["capture"]) as capture:
        found = records.find(tmp_path, "noise", capture)
    assert found.record is None
    assert "was not fit for use" in found.words


def test_the_text_names_noise_floors_and_files(run, make_capture, by_hand):
    """White noise of 5 counts at 4 kHz, by hand."""
    capture = make_capture(by_hand.recording(14.0))
    status, out, _err = run("bench", "noise", capture)
    assert status == 0, out
    for words in (
        "noise density, 10 to 249 Hz",
        "velocity random walk",
        "jerk",
        "at rest",
        str(capture.parent / "bench"),
    ):
        assert words in out
    assert "  z  " in out


@pytest.mark.parametrize("seconds", [1.0, 11.0])
def test_a_short_recording_is_refused_with_the_length_needed(run, make_capture, by_hand, seconds):
    status, out, err = run("bench", "noise", make_capture(by_hand.recording(seconds)))
    assert status == 2
    assert "record 12 s or more" in err
    assert out == ""


def test_help_lists_the_bench(run):
    status, out, _err = run("bench", "--help")
    assert status == 0
    for name in ("noise", "tumble", "tap", "selftest"):
        assert f"\n  {name} " in out
