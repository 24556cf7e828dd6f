"""Binary files of other recorders: WAV, MATLAB and MDF."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from scipy.io import savemat, wavfile
from towertap.errors import CallError, FileError

from tests.exchange.rides import G, acceleration, decisions, shaken


def mdf_of(path, channels, times, start=None):
    """An MDF file as bytes, written by asammdf, from names and values of channels, their times, and the start."""
    from asammdf import MDF, Signal

    with MDF(version="4.10") as file:
        if start:
            file.start_time = start
        signals = [Signal(values, times, unit="m/s²", name=name) for name, values in channels]
        file.append(signals, common_timebase=True)
        file.save(path, overwrite=True)
    return path.read_bytes()


@pytest.mark.parametrize("dtype", ["int16", "int32", "float32"])
def test_a_wav_of_another_recorder(bring_in, tmp_path, dtype):
    """Written by scipy; integers need a full scale."""
    full_scale = 50.0
    levels = shaken() / full_scale
    whole = dtype != "float32"
    content = np.round(levels * np.iinfo(dtype).max).astype(dtype) if whole else shaken().astype(dtype)
    wavfile.write(tmp_path / "made.wav", 200, content)
    raw = (tmp_path / "made.wav").read_bytes()
    if whole:
        with pytest.raises(CallError, match="with --full-scale"):
            bring_in(raw, ".wav")
    options = {"full_scale": full_scale, "unit": "m/s2"} if whole else {}
    capture = bring_in(raw, ".wav", **options)
    assert acceleration(capture) == pytest.approx(shaken(), abs=full_scale / 2**15)
    assert capture.rate_hz == 200
    assert math.isnan(capture.file.attrs["rate_interval_hz"][0])
    assert any("its accuracy is not known" in what for what in decisions(capture, "found"))


def test_a_mat_of_vectors_and_one_of_a_matrix(bring_in, tmp_path):
    """Written by scipy."""
    times = np.arange(1000)[:, None] / 200
    for variables in (
        {"t": times, "ax": shaken()[:, :1], "ay": shaken()[:, 1:2], "az": shaken()[:, 2:], "note": "x", "k": 3.0},
        {"time": times.T, "acc": shaken()},
    ):
        savemat(tmp_path / "made.mat", variables)
        capture = bring_in((tmp_path / "made.mat").read_bytes(), ".mat")
        assert acceleration(capture) == pytest.approx(shaken(), abs=1e-6)
        assert capture.rate_hz == pytest.approx(200, rel=1e-9)


def test_an_mdf_of_another_recorder(bring_in, tmp_path):
    """Written by asammdf, with a second, smaller group."""
    from asammdf import MDF, Signal

    times = np.arange(1000) / 200
    with MDF() as file:
        axes = [Signal(shaken()[:, k] / G, times, unit="g", name=f"Acc_{'XYZ'[k]}") for k in range(3)]
        file.append([Signal(np.arange(10.0), np.arange(10.0), name="speed")])
        file.append(axes, common_timebase=True)
        file.save(tmp_path / "made.mf4")
    capture = bring_in((tmp_path / "made.mf4").read_bytes(), ".mf4")
    assert acceleration(capture) == pytest.approx(shaken(), abs=1e-6)
    assert decisions(capture, "assumed") == []


def test_two_columns_of_one_name_are_refused(bring_in, tmp_path):
    """Written by scipy and asammdf."""
    ride, times = shaken(300), np.arange(300) / 200
    savemat(tmp_path / "made.mat", {"t": times, "a": ride, "a_x": ride[:, 0]})
    with pytest.raises(FileError, match="two columns are called 'a_x'"):
        bring_in((tmp_path / "made.mat").read_bytes(), ".mat")
    axes = list(zip(("ax", "ay", "az"), ride.T, strict=True))
    for name in ("ax", "time"):
        content = mdf_of(tmp_path / "made.mf4", [*axes, (name, ride[:, 1])], times)
        with pytest.raises(FileError, match=f"two channels are called '{name}'"):
            bring_in(content, ".mf4")


@pytest.mark.parametrize("options", [{}, {"rate_hz": 200.0}])
def test_an_mdf_starts_with_its_first_sample(bring_in, tmp_path, options):
    """ASAM MDF 4: time stamps count from the start time in the header."""
    axes = zip(("ax", "ay", "az"), shaken().T, strict=True)
    start = datetime(2026, 5, 4, 10, tzinfo=UTC)
    content = mdf_of(tmp_path / "made.mf4", axes, 100 + np.arange(1000) / 200, start)
    assert bring_in(content, ".mf4", **options).text("started_utc") == "2026-05-04T10:01:40+00:00"
