"""Every export format, read back by its own library, against the counts that plain h5py reads."""

from __future__ import annotations

import json
import math
import wave
from datetime import UTC, datetime

import h5py
import numpy as np
import pandas as pd
import pytest
from scipy.io import loadmat, wavfile
from towertap.capture.reading import open_capture
from towertap.errors import CallError
from towertap.exchange.exports import EXPORTS, export
from towertap.exchange.exports.form import ExportFormat
from towertap.exchange.samples import FORMAT, Samples

DAMAGED = "quarry-lane_rubber-bush_pass02"
"""The example with two gaps."""
AXES = [f"{quantity}_{axis}" for quantity in ("acceleration", "rotation") for axis in "xyz"]
NAMES = {
    "vehicle": [f"{axis}_{'ms2' if axis.startswith('acc') else 'rads'}" for axis in AXES],
    "counts": [f"{axis}_counts" for axis in AXES],
}


def write(examples, suffix, axes="vehicle", **options):
    path = examples / f"{DAMAGED}{suffix}"
    with open_capture(examples / f"{DAMAGED}.h5") as capture:
        return export(Samples(capture, axes, **options), path)


def without_gaps(time_s, values, plain):
    """The rows without gaps; each gap must be one row of NaN between its neighbours."""
    empty = np.isnan(values).any(axis=1)
    assert np.isnan(values[empty]).all()
    assert np.flatnonzero(empty).tolist() == [row + k for k, (row, _) in enumerate(plain.gaps)]
    assert np.all(np.diff(time_s) > 0)
    return time_s[~empty], values[~empty]


def metadata_holds(metadata, plain):
    assert metadata["rate_hz"] == plain.rate_hz
    assert metadata["conditions"] == plain.conditions
    assert [gap["missing"] for gap in metadata["first_gaps"]] == [missing for _, missing in plain.gaps]
    assert metadata["start_utc"].startswith("20")
    assert metadata["units"]["acceleration"] in ("m/s²", "counts")


@pytest.mark.parametrize("axes", ["vehicle", "counts"])
def test_csv_by_pandas(examples, plain, axes):
    """To nine digits and 0.1 µs."""
    (path,) = write(examples, ".csv", axes)
    table = pd.read_csv(path, comment="#")
    assert list(table) == ["time_s", *NAMES[axes]]
    time_s, values = without_gaps(table["time_s"].to_numpy(), table[NAMES[axes]].to_numpy(), plain)
    assert np.abs(time_s - plain.time_s).max() <= 0.5e-7 + 1e-12
    expected = plain.counts if axes == "counts" else np.vectorize(lambda x: float(f"{x:.9g}"))(plain.vehicle)
    assert np.array_equal(values, expected)
    lines = [line[2:].split(": ", 1) for line in path.read_text("utf-8").splitlines()[1:] if line.startswith("# ")]
    metadata_holds({key: json.loads(value) for key, value in lines}, plain)


@pytest.mark.parametrize("axes", ["vehicle", "counts"])
def test_parquet_by_pyarrow(examples, plain, axes):
    from pyarrow import parquet

    (path,) = write(examples, ".parquet", axes)
    table = parquet.read_table(path)
    assert table.schema.names == ["time_s", *NAMES[axes]]
    assert str(table.schema.field(3).type) == ("int32" if axes == "counts" else "double")
    assert table.schema.field(3).metadata[b"unit"].decode() == ("counts" if axes == "counts" else "m/s²")
    values = table.to_pandas().to_numpy(dtype=float, na_value=np.nan)
    assert table.column(1).null_count == 2
    time_s, values = without_gaps(values[:, 0], values[:, 1:], plain)
    assert time_s == pytest.approx(plain.time_s, abs=1e-12)
    assert np.array_equal(values, getattr(plain, axes))
    metadata_holds(json.loads(table.schema.metadata[b"towertap samples"]), plain)


def test_npz_by_numpy(examples, plain):
    (path,) = write(examples, ".npz")
    with np.load(path) as arrays:
        values = np.column_stack([arrays[name] for name in NAMES["vehicle"]])
        time_s, values = without_gaps(arrays["time_s"], values, plain)
        metadata_holds(json.loads(str(arrays["metadata"])), plain)
    assert time_s == pytest.approx(plain.time_s, abs=1e-12)
    assert np.array_equal(values, plain.vehicle)


def test_mat_by_scipy(examples, plain):
    (path,) = write(examples, ".mat")
    variables = loadmat(path)
    values = np.hstack([variables[name] for name in NAMES["vehicle"]])
    assert variables["time_s"].shape == (len(values), 1)
    time_s, values = without_gaps(variables["time_s"][:, 0], values, plain)
    assert time_s == pytest.approx(plain.time_s, abs=1e-12)
    assert np.array_equal(values, plain.vehicle)
    metadata_holds(json.loads(variables["metadata"][0]), plain)


def test_mdf_by_asammdf(examples, plain):
    from asammdf import MDF

    (path,) = write(examples, ".mf4")
    with MDF(path) as file:
        signals = [file.get(name) for name in NAMES["vehicle"]]
        assert [signal.unit for signal in signals] == 3 * ["m/s²"] + 3 * ["rad/s"]
        values = np.column_stack([signal.samples for signal in signals])
        time_s, values = without_gaps(signals[0].timestamps, values, plain)
        metadata = json.loads(file.header.description)
        metadata_holds(metadata, plain)
        assert file.start_time.astimezone(UTC) == datetime.fromisoformat(metadata["start_utc"])
    assert time_s == pytest.approx(plain.time_s, abs=1e-12)
    assert np.array_equal(values, plain.vehicle)


def pieces_of(plain):
    return np.split(np.arange(len(plain.vehicle)), [row for row, _ in plain.gaps])


def test_uff_58_by_pyuff(examples, plain):
    """Values are doubles; start and step of the abscissa have six digits."""
    import pyuff

    (path,) = write(examples, ".uff")
    sets = pyuff.UFF(str(path)).read_sets()
    assert len(sets) == 3 * 6
    for number, rows in enumerate(pieces_of(plain)):
        for axis in range(6):
            function = sets[6 * number + axis]
            assert (function["type"], function["func_type"], function["rsp_dir"]) == (58, 1, axis + 1)
            assert np.array_equal(function["data"], plain.vehicle[rows, axis])
            assert function["abscissa_min"] == pytest.approx(plain.time_s[rows[0]], rel=5e-6)
            assert function["abscissa_inc"] == pytest.approx(1 / plain.rate_hz, rel=5e-6)
            assert function["ordinate_axis_units_lab"] == ("m/s^2" if axis < 3 else "rad/s")
    assert f"rate {plain.rate_hz!r} Hz" in sets[0]["id2"]
    assert plain.conditions["part"] in sets[0]["id4"]


def test_uff_58_ends_a_piece_at_an_invalid_reading(make_capture, by_hand, tmp_path):
    import pyuff

    counts = np.tile([100, 200, 2048, 1, 2, 3], (4000, 1))
    counts[1000, 1] = -32768  # data sheet of the chip: no valid reading
    with open_capture(make_capture(by_hand.recording(1, counts=counts))) as capture:
        (path,) = export(Samples(capture, "counts"), tmp_path / "exported.uff")
        n_rows, rate_hz = capture.n_samples, capture.rate_hz
    sets = pyuff.UFF(str(path)).read_sets()
    assert [len(function["data"]) for function in sets] == 6 * [1000] + 6 * [n_rows - 1001]
    assert sets[6]["abscissa_min"] == pytest.approx(1001 / rate_hz, rel=5e-6)
    assert all(np.array_equal(np.unique(function["data"]), [counts[0, k % 6]]) for k, function in enumerate(sets))


@pytest.mark.parametrize("suffix", [".wav", ".uff"])
def test_too_many_pieces_are_refused(examples, monkeypatch, suffix):
    monkeypatch.setattr("towertap.exchange.samples.MOST_PIECES", 2)
    with pytest.raises(CallError, match="3 pieces between gaps"):
        write(examples, suffix)
    assert not list(examples.glob(f"*{suffix}"))


@pytest.mark.parametrize("axes", ["vehicle", "counts"])
def test_wav_by_scipy_and_wave(examples, plain, axes):
    """Integers of the stated full scale: √3 times ±16 g and ±2000 °/s; a count is 2^16."""
    paths = write(examples, ".wav", axes)
    assert [path.stem for path in paths] == [f"{DAMAGED}_{number:02d}" for number in (1, 2, 3)]
    for path, rows in zip(paths, pieces_of(plain), strict=True):
        rate_hz, levels = wavfile.read(path)
        assert rate_hz == 4033
        if axes == "counts":
            assert np.array_equal(levels, plain.counts[rows] * 2**16)
        else:
            full_scale = math.sqrt(3) * np.repeat([16 * 9.80665, math.radians(2000)], 3)
            assert np.array_equal(levels, np.rint(plain.vehicle[rows] / full_scale * 2**31))
        with wave.open(str(path)) as file:
            assert (file.getnframes(), file.getnchannels(), file.getsampwidth()) == (len(rows), 6, 4)
        tail = path.read_bytes().split(b"INFOICMT")[1][4:].rstrip(b"\0")
        metadata = json.loads(tail)
        metadata_holds(metadata, plain)
        assert metadata["channels"] == NAMES[axes]
        assert metadata["starts_at_s"] == pytest.approx(plain.time_s[rows[0]], abs=1e-12)


def test_chip_axes_and_other_units(examples, plain):
    (path,) = write(examples, ".npz", "chip", units="g")
    with np.load(path) as arrays:
        z_g, turning = arrays["acceleration_z_g"], arrays["rotation_x_dps"]
    assert z_g[~np.isnan(z_g)] == pytest.approx(plain.chip[:, 2] / 9.80665, rel=1e-12)
    assert turning[~np.isnan(turning)] == pytest.approx(np.degrees(plain.chip[:, 3]), rel=1e-12)


def test_a_valid_calibration_is_applied_in_vehicle_axes_only(examples, plain):
    """As in an analysis; a record's matrix maps the truth to the reading (`bench/tumble.py`)."""
    with h5py.File(examples / f"{DAMAGED}.h5") as file:
        hello = json.loads(bytes(file.attrs["hello"]))
    matrix, offset = np.diag([1.01, 1.02, 0.99]), np.array([0.1, -0.2, 0.3])
    record = {
        "schema": "towertap bench record",
        "version": 1,
        "kind": "calibration",
        "subject": {
            "serial": hello["serial"],
            "chip": hello["chip"],
            "odr_hz": hello["odr_hz"],
            "range_g": hello["accel_range_g"],
            "anti_alias_hz": hello["anti_alias_hz"],
        },
        "measured_utc": "2026-11-25T08:00:00+00:00",
        "temperature_c": None,
        "source": "made for this test",
        "result": {
            "offset_ms2": offset.tolist(),
            "matrix": matrix.tolist(),
            "expanded": {"matrix": np.full((3, 3), 1e-3).tolist()},
        },
    }
    (examples / "bench").mkdir()
    (examples / "bench" / "box-calibration-20261125.json").write_text(json.dumps(record))
    with open_capture(examples / f"{DAMAGED}.h5") as capture:
        vehicle, chip = (next(iter(Samples(capture, axes).blocks()))[1] for axes in ("vehicle", "chip"))
        assert "calibration record" in Samples(capture).metadata["calibration"]
    truth = (plain.chip[: len(chip), :3] - offset) / matrix.diagonal()
    assert vehicle[:, 0] == pytest.approx(truth[:, 1], rel=1e-12)
    assert vehicle[:, 1] == pytest.approx(-truth[:, 0], rel=1e-12)
    assert np.array_equal(chip[:, :3], plain.chip[: len(chip), :3])


def test_an_invalid_reading_is_nan_and_not_full_scale(make_capture, by_hand):
    counts = np.tile([100, 200, 2048, 0, 0, 0], (4000, 1))
    counts[1000, 1] = -32768  # data sheet of the chip: no valid reading
    with open_capture(make_capture(by_hand.recording(1, counts=counts))) as capture:
        values = np.concatenate([block for _, block in Samples(capture, "chip").blocks()])
    assert np.isnan(values[1000]).tolist() == [True, True, True, False, False, False]
    assert not np.isnan(np.delete(values, 1000, axis=0)).any()


def test_a_gap_of_unknown_length_is_a_row_of_nan(make_capture, by_hand):
    frames = by_hand.recording(1)
    again = by_hand.recording(1, seed=2)
    again[0] = by_hand.hello(boot_id="another")
    with open_capture(make_capture([*frames[:-1], *again])) as capture:
        samples = Samples(capture, "counts")
        rows = np.concatenate([block for _, block in samples.blocks()])
        assert samples.metadata["first_gaps"][0]["missing"] is None
    assert np.flatnonzero(np.isnan(rows[:, 0])).tolist() == [capture_rows := len(rows) // 2]
    assert capture_rows > 0


@pytest.mark.parametrize("suffix", EXPORTS)
def test_only_an_export_is_replaced(examples, suffix):
    first = write(examples, suffix)
    assert write(examples, suffix) == first
    for content in (b"", b"something else\n" * 100, (examples / f"{DAMAGED}.h5").read_bytes()):
        for path in first:
            path.write_bytes(content)
        with pytest.raises(CallError, match="not replaced"):
            write(examples, suffix)
        assert first[0].read_bytes() == content
    assert not list(examples.glob(".*.part"))


def test_a_new_format_takes_one_line_and_replaces_only_its_own_files(examples, run, monkeypatch):
    rows = ExportFormat(lambda samples, path: path.write_text(f"{FORMAT}: {samples.n_rows} rows, {samples.axes}\n"))
    monkeypatch.setitem(EXPORTS, ".count", rows)
    capture = examples / f"{DAMAGED}.h5"
    table, foreign = examples / "drive.count", examples / "foreign.count"
    for option, axes in (("--counts", "counts"), ("--chip-axes", "chip")):
        assert run("export", capture, "--to", table, option)[0] == 0
        assert table.read_text().endswith(f" rows, {axes}\n")
    foreign.write_text("a shopping list\n")
    status, _, err = run("export", capture, "--to", foreign)
    assert (status, foreign.read_text()) == (2, "a shopping list\n")
    assert "not replaced" in err


def test_an_invalid_export_is_one_line(examples, run, monkeypatch, refused):
    capture = examples / f"{DAMAGED}.h5"
    for words, says in (
        (["--to", "x.docx"], "cannot be written as '.docx'; give one of .csv, .parquet"),
        (["--to", "nowhere/x.csv"], "no folder 'nowhere'"),
        (["--to", ".csv", "--counts", "--mounting", "x=+X,y=+Y,z=+Z"], "--mounting is for vehicle axes"),
        (["--to", ".csv", "--mounting", "x=+X"], "is not a mounting"),
    ):
        err = refused("export", capture, *words)
        assert says in err
    monkeypatch.setattr("towertap.exchange.exports.find_spec", lambda name: None)
    status, _, err = run("export", capture, "--to", ".parquet")
    assert (status, "pip install 'towertap[export]'" in err) == (2, True)
    assert run("export", capture, "--to", ".csv")[0] == 0  # needs no library


def test_the_command_says_what_it_wrote(examples, run, answer, plain):
    status, out, err = run("export", examples / f"{DAMAGED}.h5", "--to", ".npz", "--chip-axes")
    assert (status, err) == (0, "")
    assert out == f"{examples / DAMAGED}.npz: 39904 samples at 4032.8565 Hz, m/s² and rad/s, chip axes, gaps 2\n"
    data = answer("export", examples / f"{DAMAGED}.h5", "--to", examples / "again.npz")
    assert data["files"] == [str(examples / "again.npz")]
    assert data["rate_hz"] == plain.rate_hz
