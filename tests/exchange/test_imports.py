"""The ways in: other recorders' files are read as told, found, or said to be assumed.

What other recorders would have written is made here, of tones and noise whose values are known.
"""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime

import h5py
import numpy as np
import pytest
from scipy.io import savemat, wavfile
from towertap.capture.integrity import check
from towertap.capture.reading import open_capture
from towertap.errors import AnalysisError, CallError, FileError
from towertap.exchange.imports import import_file
from towertap.exchange.imports.form import ImportOptions

from tests.by_hand import plain_counts

WHOLE, DAMAGED = "quarry-lane_rubber-bush_pass01", "quarry-lane_rubber-bush_pass02"
G = 9.80665
SIX = "t,ax,ay,az,gx,gy,gz"


def shaken(n=1000, seed=1):
    """A ride in m/s², (n, 3), smooth enough for its rate, gravity on z."""
    rng = np.random.default_rng(seed)
    white = rng.normal(0, 3, (n + 20, 3))
    return np.array([np.convolve(axis, np.hanning(9) / 4, "same")[10:-10] for axis in white.T]).T + np.array([0, 0, G])


def text_of(table, header="t,ax,ay,az", separator=",", form="%.9g"):
    lines = [separator.join(form % value for value in row) for row in table]
    return header + "\n" + "\n".join(lines) + "\n"


@pytest.fixture
def bring_in(tmp_path):
    """A function from a file's text or bytes and options to the open capture that the import made of it."""
    opened = []

    def bring(content, suffix=".csv", given=None, **options):
        path = tmp_path / f"recorded{suffix}"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        (tmp_path / "recorded.h5").unlink(missing_ok=True)
        import_file(path, tmp_path / "recorded.h5", ImportOptions(**options), given)
        opened.append(open_capture(tmp_path / "recorded.h5"))
        return opened[-1]

    yield bring
    for capture in opened:
        capture.close()


def acceleration(capture):
    return capture.counts("acceleration", 0, capture.n_samples) * capture.scale_ms2


def started_at(capture):
    return datetime.fromisoformat(capture.text("started_utc"))


def decisions(capture, how):
    return [decision.what for decision in capture.origin.decisions if decision.how == how]


# --- a capture that no box made


def test_it_says_for_ever_what_it_is(bring_in):
    times = np.arange(1000) / 200
    capture = bring_in(text_of(np.column_stack([times, shaken()]), "t (s),ax (m/s²),ay (m/s²),az (m/s²)"))
    assert capture.is_imported
    assert [*capture.layout.quantities] == ["acceleration"]
    assert capture.text("chip") == "not a box: another recorder"
    with h5py.File(capture.path) as file:  # as anyone opens it
        assert int(file.attrs["layout"]) == -1
        assert "rotation_differences" not in file
        content = plain_counts(file, "acceleration") * file.attrs["acceleration_scale_ms2"]
        imported = json.loads(bytes(file.attrs["host"]))["imported"]
    assert content == pytest.approx(shaken(), abs=1e-6)
    assert imported["file"] == "recorded.csv"
    assert {"how": "found", "what": "the unit of acceleration is m/s², beside the columns' names"} in imported[
        "decisions"
    ]


def test_check_says_what_it_cannot_prove(bring_in, run):
    still = np.tile([0.0, 0.0, G], (1000, 1)) + np.random.default_rng(2).normal(0, 0.01, (1000, 3))
    capture = bring_in(text_of(np.column_stack([np.arange(1000) / 200, still])), unit="m/s2")
    integrity = check(capture)
    assert integrity.sound
    assert not integrity.from_box
    judged = {rule.name: rule.ok for rule in integrity.rules}
    assert {name for name, ok in judged.items() if ok} == {"missing", "invalid", "stuck_axis", "gravity"}
    assert {ok for name, ok in judged.items() if name not in ("missing", "invalid", "stuck_axis", "gravity")} == {None}
    status, out, _ = run("check", capture.path)
    assert status == 0
    assert out.splitlines()[-1].startswith("sound as far as another recorder's file can show")
    assert "no second clock" in out


def test_the_same_file_and_options_make_the_same_capture(bring_in, tmp_path):
    content = text_of(np.column_stack([np.arange(1000) * 5.0, shaken()]))
    first = acceleration(bring_in(content, time_unit="ms"))
    kept = bring_in(content, time_unit="ms").origin
    import_file(tmp_path / "recorded.csv", tmp_path / "again.h5", ImportOptions(**kept.options))
    with open_capture(tmp_path / "again.h5") as again:
        assert np.array_equal(acceleration(again), first)


def test_only_an_import_of_the_same_file_is_replaced(make_capture, tmp_path, run, refused):
    loggers = [tmp_path / f"logger-{seed}.csv" for seed in (1, 2)]
    for seed, logger in enumerate(loggers):
        logger.write_text(text_of(np.column_stack([np.arange(300) / 200, shaken(300, seed)])))
    imported, of_box = tmp_path / "imported.h5", make_capture()
    assert run("import", loggers[0], "--out", imported)[0] == 0
    assert run("import", loggers[0], "--out", imported, "--part", "rubber")[0] == 0
    with open_capture(imported) as capture:
        assert capture.conditions.part == "rubber"
    damaged = tmp_path / "damaged.h5"
    damaged.write_bytes(of_box.read_bytes()[:2000])
    for there in (imported, of_box, damaged):
        before = there.read_bytes()
        assert f"{there}: there already" in refused("import", loggers[1], "--out", there)
        assert there.read_bytes() == before


# --- columns and units


@pytest.mark.parametrize(
    ("header", "how"),
    [
        ("t,ax,ay,az", "found"),
        ("Time (s),Acc X (g),Acc Y (g),Acc Z (g)", "found"),
        ("timestamp,accelerometer_x,accelerometer_y,accelerometer_z", "found"),
        ("time_s,acceleration_x_g,acceleration_y_g,acceleration_z_g", "found"),
        ('"seconds","gFx","gFy","gFz"', "found"),
        ("Elapsed time [s],x [g],y [g],z [g]", "assumed"),
        ("time,one,two,three", "assumed"),
    ],
)
def test_columns_are_found_by_their_names_or_said_to_be_assumed(bring_in, header, how):
    capture = bring_in(text_of(np.column_stack([np.arange(1000) / 200, shaken() / G]), header))
    assert acceleration(capture) == pytest.approx(shaken(), abs=1e-6)
    assert capture.rate_hz == pytest.approx(200, rel=1e-6)
    assert any("columns" in what for what in decisions(capture, how))
    assert any("unit of acceleration is g" in what for how in ("found", "assumed") for what in decisions(capture, how))


def test_six_axes_of_a_recorder_that_turns_in_degrees(bring_in):
    turning = np.random.default_rng(4).normal(0, 20, (1000, 3))
    table = np.column_stack([turning, shaken(), np.arange(1000) / 200])
    capture = bring_in(text_of(table, "gyro x [deg/s],gyro y [deg/s],gyro z [deg/s],a x,a y,a z,time"))
    rotation = capture.counts("rotation", 0, 1000) * capture.scale_rads
    assert rotation == pytest.approx(np.radians(turning), abs=1e-6)
    assert acceleration(capture) == pytest.approx(shaken(), abs=1e-6)
    assert decisions(capture, "assumed")[0].startswith("the unit of acceleration is m/s²: its magnitude has the median")


def test_what_is_told_goes_before_what_is_found(bring_in):
    table = np.column_stack([np.arange(1000) * 5, shaken() / 0.0048, np.zeros((1000, 3))])
    capture = bring_in(
        text_of(table, "n,p,q,r,ax,ay,az"),
        time="n",
        time_unit="ms",
        acceleration=("q", "p", "r"),
        unit="0.0048",
        given={"part": "rubber", "mounting": "x=+X,y=+Y,z=+Z"},
    )
    assert acceleration(capture) == pytest.approx(shaken()[:, [1, 0, 2]], abs=1e-5)
    assert capture.conditions.part == "rubber"
    assert len(decisions(capture, "told")) == 4


@pytest.mark.parametrize(
    ("one_g", "unit", "reads", "is_it"),
    [
        (G, "g", "9.8 g", "m/s²"),
        (1.0, "m/s2", "0.1 g", "g"),
        (1000.0, "g", "1000 g", "mg"),
        (1.0, "mg", "0.001 g", "g"),
        (G, "98.0665", "98 g", "m/s²"),
    ],
)
@pytest.mark.parametrize("shaking", [0.0, 1.0])
def test_a_unit_by_which_gravity_would_be_far_off_is_refused(bring_in, one_g, unit, reads, is_it, shaking):
    """Standing still or on the road, lying aslant, and with a fall of the recorder in it."""
    aslant = np.array([[1, 0, 0], [0, 0.8, -0.6], [0, 0.6, 0.8]])
    ride = ([0, 0, G] + shaking * (shaken(2000) - [0, 0, G])) @ aslant
    ride[700:720] = 150.0
    content = text_of(np.column_stack([np.arange(2000) / 200, ride * one_g / G]), "t,ax_ms2,ay_ms2,az_ms2")
    with pytest.raises(CallError) as refused:
        bring_in(content, unit=unit)
    assert f"1 g would read as {reads}: is it {is_it}?" in str(refused.value)
    assert "\n" not in str(refused.value)
    bring_in(content, unit=is_it)


@pytest.mark.parametrize("unit", ["g", "mg", "m/s2"])
def test_a_file_without_gravity_says_nothing_of_its_unit(bring_in, unit):
    """Its mean is the sensor's offset, here 10 mg and 1 of the unit: small beside the motion."""
    for offset in (0.0, 1.0, 9.8):
        motion = 20 * (shaken() - [0, 0, G]) + [offset, 0, 0]
        capture = bring_in(text_of(np.column_stack([np.arange(1000) / 200, motion])), unit=unit)
        assert capture.n_samples == 1000


def test_a_file_without_gravity_is_not_unsound_for_that(bring_in):
    """A piezo-electric sensor passes nothing that does not change (common practice: its band begins above 0 Hz)."""
    motion = 20 * (shaken() - [0, 0, G])
    integrity = check(bring_in(text_of(np.column_stack([np.arange(1000) / 200, motion])), unit="m/s2"))
    (gravity,) = [rule for rule in integrity.rules if rule.name == "gravity"]
    assert (gravity.ok, integrity.sound) == (None, True)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"acceleration": ("ax", "ax", "az")}, "the column 'ax' is named twice"),
        ({"acceleration": ("ax", "ay", "az"), "rotation": ("gx", "gy", "az")}, "the column 'az' is named twice"),
        ({"acceleration": ("t", "ay", "az"), "time": "t"}, "the column 't' is named twice"),
    ],
)
def test_no_column_stands_for_two_axes(bring_in, options, says):
    with pytest.raises(CallError) as refused:
        bring_in(text_of(np.column_stack([np.arange(300) / 200, shaken(300)[:, [0, 1, 2, 0, 1, 2]]]), SIX), **options)
    assert says in str(refused.value)


def test_columns_of_one_quantity_are_not_taken_for_another(bring_in):
    """What is called as a rotation rate may be told to be acceleration, in g: it is then no rotation as well."""
    table = np.column_stack([np.arange(1000) / 200, shaken() / G])
    with pytest.raises(CallError, match="not clear: name them x,y,z with --acceleration; there are gx, gy, gz"):
        bring_in(text_of(table, "t,gx,gy,gz"))
    capture = bring_in(text_of(table, "t,gx,gy,gz"), acceleration=("gx", "gy", "gz"), rotation_unit="deg/s")
    assert [*capture.layout.quantities] == ["acceleration"]
    assert acceleration(capture) == pytest.approx(shaken(), abs=1e-6)
    six = text_of(np.column_stack([table, np.zeros((1000, 3))]), SIX)
    swapped = {"rotation": ("ax", "ay", "az"), "rotation_unit": "rad/s", "unit": "g"}
    capture = bring_in(six, **swapped)
    assert not acceleration(capture).any()


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_lines_before_the_table_and_a_line_of_units(bring_in, separator):
    header = "recorder 7\nfirmware;3\n\n" + separator.join(["time", "ax", "ay", "az"])
    header += "\n" + separator.join(["ms", "g", "g", "g"])
    capture = bring_in(text_of(np.column_stack([np.arange(1000) * 5, shaken() / G]), header, separator))
    assert acceleration(capture) == pytest.approx(shaken(), abs=1e-6)
    assert capture.rate_hz == pytest.approx(200, rel=1e-6)
    assert decisions(capture, "assumed") == []


def test_a_decimal_comma(bring_in):
    content = text_of(np.column_stack([np.arange(1000) / 200, shaken()]), "t;ax;ay;az", ";").replace(".", ",")
    assert acceleration(bring_in(content)) == pytest.approx(shaken(), abs=1e-6)


@pytest.mark.parametrize(
    "above",
    [
        "logger\x0cpage 2\n",
        "a\x0bb\x1cc\x1dd\x1ee\n",
        "made\x85by\u2028no\u2029one\n",
        '"Note: new bush\nfitted today\ndry road"\n',
        'driver,"A\nB",x\n',
        '"logger\n',
        'a 3.5" disk, "half open\n',
        "one\rtwo\r\nthree\n\n",
        "\ufeff",
    ],
)
def test_every_row_is_read_whatever_stands_above(bring_in, above):
    """RFC 4180: lines end at CR LF, and a cell in quotation marks may go over several; other separators end none."""
    table = np.column_stack([np.arange(300) / 200, shaken(300)])
    for end in ("\n", "\r\n", "\r", "\r\r\n", "\n\n"):
        capture = bring_in(above + text_of(table).replace("\n", end), unit="m/s2")
        assert capture.n_samples == 300
        assert acceleration(capture) == pytest.approx(shaken(300), abs=1e-6)
    capture = bring_in("\ufeff" + text_of(shaken(300), "").lstrip(), rate_hz=200.0)  # numbers from the first byte on
    assert capture.n_samples == 300


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        ("0,1,2,3,", "line 55 has 5 cells, not 4"),
        ('0,1,2,"3', "a quotation mark is opened and never closed"),
        ('0,1,2,"3\n0,1,2,3"', "a cell of 'az' goes over several lines: remove its quotation marks"),
    ],
)
def test_lines_that_are_no_rows_are_refused_and_never_dropped(bring_in, spoil, says):
    rows = text_of(np.column_stack([np.arange(300) / 200, shaken(300)])).splitlines()
    rows[52] = spoil
    with pytest.raises(FileError) as refused:
        bring_in("logger\n\n" + "\n".join(rows) + "\n")
    assert says in str(refused.value)


def test_leading_rows_without_values_are_rows(bring_in):
    rows = text_of(np.column_stack([np.arange(1000) / 200, shaken()])).splitlines()
    rows[1:201] = [f"{n / 200},,," for n in range(200)]
    capture = bring_in("\n".join(rows) + "\n")
    assert acceleration(capture) == pytest.approx(shaken()[200:], abs=1e-6)


def test_quoted_names_keep_their_commas(bring_in):
    names = [f"acc,{axis}" for axis in "xyz"]
    content = text_of(np.column_stack([np.arange(1000) / 200, shaken()]), '"t", "acc,x","acc,y","acc,z"')
    assert f"acceleration is in the columns {', '.join(names)}" in decisions(
        bring_in(content, acceleration=tuple(names)), "told"
    )


def test_dates_tell_the_time_and_the_start(bring_in):
    """ISO 8601, as many loggers write it."""
    stamps = np.datetime64("2026-05-04T10:00:00.000") + 5 * np.arange(1000).astype("timedelta64[ms]")
    rows = [f"{stamp}Z,{x:.9g},{y:.9g},{z:.9g}" for stamp, (x, y, z) in zip(stamps, shaken(), strict=True)]
    capture = bring_in("date,ax,ay,az\n" + "\n".join(rows) + "\n", time="date", time_unit="s")
    assert capture.rate_hz == pytest.approx(200, rel=1e-6)
    assert capture.text("started_utc") == "2026-05-04T10:00:00+00:00"


@pytest.mark.parametrize(("step", "unit"), [(0.005, "s"), (5, "ms"), (5000, "µs"), (5_000_000, "ns")])
def test_the_unit_of_time_is_assumed_by_its_steps_and_said(bring_in, step, unit):
    capture = bring_in(text_of(np.column_stack([np.arange(1000) * step, shaken()]), form="%.12g"))
    assert capture.rate_hz == pytest.approx(200, rel=1e-6)
    assert any(f"the unit of time is {unit}" in what for what in decisions(capture, "assumed"))


@pytest.mark.parametrize(
    ("content", "options", "says"),
    [
        (text_of(np.column_stack([np.arange(1000) / 200, shaken() * 3.3])), {}, "say --unit"),
        (text_of(shaken(), "ax,ay,az"), {}, "say --rate"),
        (text_of(np.zeros((300, 5)), "t,p,q,r,s"), {}, "name them x,y,z with --acceleration; there are p, q, r, s"),
        (text_of(np.zeros((300, 4))), {"acceleration": ("ax", "ay")}, "names 2 columns"),
        (text_of(np.zeros((300, 4))), {"acceleration": ("ax", "ay", "no")}, "no column is called 'no'"),
        (text_of(shaken(), "ax,ay,az"), {"rate_hz": 100.0, "unit": "furlongs"}, "is no unit of acceleration"),
        (text_of(shaken(), "ax,ay,az"), {"rate_hz": 0.2, "unit": "m/s2"}, "none of a recorder"),
        (
            text_of(np.column_stack([np.arange(300) * 40.0, shaken(300)])),
            {"unit": "m/s2", "time_unit": "s"},
            "none of a recorder",
        ),
        (text_of(np.column_stack([np.arange(300) / 200, shaken(300) * 1e9])), {"unit": "g"}, "say another --unit"),
        (text_of(shaken() - [0, 0, G], "ax,ay,az"), {"rate_hz": 100.0, "unit": "1e-300"}, "say another --unit"),
        (
            text_of(np.column_stack([np.arange(300) / 200, shaken(300)[:, [0, 1, 2, 0, 1, 2]]]), SIX),
            {"rotation_unit": "1e-300"},
            "say another --unit or --rotation-unit",
        ),
        ("nothing here\n", {}, "is it a table of samples?"),
        (text_of(shaken(), "ax,ay,az").replace("\n", ",road\n"), {}, "take out columns of words"),
        (text_of(np.zeros((300, 3)), "a,a,a 2"), {}, "two columns are called 'a 2'"),
        ("t,ax,ay,az\n" + 300 * "2026-05-04T10:00:00Z,0,0,1\n" + "2026-99-99T10:00:00Z,0,0,1\n", {}, "'2026-99-99T10"),
        ("", {}, "is it a table of samples?"),
    ],
)
def test_what_is_not_clear_must_be_told(bring_in, content, options, says):
    with pytest.raises((CallError, FileError)) as refused:
        bring_in(content, **options)
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)


# --- times


def tones(time_s, below_hz, seed=5):
    """Thirty tones below a frequency on each axis, at any times (n,), and gravity: (n, 3)."""
    rng = np.random.default_rng(seed)
    hz, phases = rng.uniform(0.5, below_hz, (3, 30)), rng.uniform(0, 2 * np.pi, (3, 30))
    waves = np.cos(2 * np.pi * time_s[:, None, None] * hz + phases).sum(axis=2)
    return waves + np.array([0, 0, G])


def test_samples_that_stray_are_evened_out_to_the_error_that_is_told(bring_in):
    """A phone-like recorder at 100 Hz whose samples come up to a fifth of a period early or late: analytic tones."""
    rng = np.random.default_rng(6)
    times = (np.arange(4000) + rng.uniform(-0.2, 0.2, 4000)) / 100
    capture = bring_in(text_of(np.column_stack([times, tones(times, 40)]), form="%.10g"), unit="m/s2")
    (what,) = (what for what in decisions(capture, "assumed") if "evened out" in what)
    even, as_even = (float(what.split(words)[1].split(" %")[0]) / 100 for words in ("an error of ", "make one of "))
    # the grid is known to the mean of a thousand stamps, so that its own error is added to what is told
    truth = tones(np.arange(4000) / 100, 40)
    inside = slice(400, 3600)
    size = truth[inside].std(axis=0).mean()
    error = (acceleration(capture) - truth)[inside].std(axis=0).mean() / size
    not_evened = (tones(times, 40) - truth)[inside].std(axis=0).mean() / size
    assert not_evened == pytest.approx(as_even, rel=0.2)
    assert error < 0.01 < 0.1 < not_evened
    assert even < 0.001


def test_rounded_stamps_are_those_of_even_samples(bring_in):
    """400 Hz in whole milliseconds: every second stamp is half a millisecond off, a fifth of a period."""
    times = np.round(np.arange(4000) / 400, 3)
    capture = bring_in(text_of(np.column_stack([times, shaken(4000)])))
    assert acceleration(capture) == pytest.approx(shaken(4000), abs=1e-6)
    assert capture.rate_hz == pytest.approx(400, rel=1e-5)
    assert any("time is rounded to 0.001 s" in what for what in decisions(capture, "assumed"))


def test_stamps_too_irregular_are_refused_and_can_be_left_aside(bring_in):
    rng = np.random.default_rng(7)
    times = (np.arange(2000) + rng.uniform(-0.45, 0.45, 2000)) / 100
    content = text_of(np.column_stack([times, shaken(2000)]), form="%.10g")
    with pytest.raises(AnalysisError, match="too irregular to carry any band"):
        bring_in(content)
    capture = bring_in(content, rate_hz=100.0)
    assert acceleration(capture) == pytest.approx(shaken(2000), abs=1e-6)
    assert "the column of time, 't', is left aside" in decisions(capture, "told")


def test_unix_time_tells_the_start_and_says_so(bring_in):
    """1,780,000,000 s after 1970 is 2026-05-28 20:26:40 UTC (by `date -u -d @1780000000`)."""
    times = 1_780_000_000 + np.arange(1000) / 200
    capture = bring_in(text_of(np.column_stack([times, shaken()]), form="%.14g"))
    assert capture.text("started_utc") == "2026-05-28T20:26:40+00:00"
    assert any("counts from 1970" in what for what in decisions(capture, "assumed"))
    assert capture.rate_hz == pytest.approx(200, rel=1e-5)


def test_a_jump_of_days_is_another_recording(bring_in):
    times = np.arange(1000) / 200 + 1e7 * (np.arange(1000) > 600)
    with pytest.raises(AnalysisError, match=r"jump by 1e[+]07 s at sample 602"):
        bring_in(text_of(np.column_stack([times, shaken()]), form="%.14g"))


def test_stamps_that_go_back_are_refused(bring_in):
    times = np.arange(1000) / 200
    times[500] = times[499]
    with pytest.raises(AnalysisError, match="1 time stamps repeat or go back, the first at sample 501"):
        bring_in(text_of(np.column_stack([times, shaken()])))


def test_a_stamp_that_came_late_is_no_gap(bring_in):
    times = np.arange(4000) / 200
    times[1000] += 0.7 / 200
    capture = bring_in(text_of(np.column_stack([times, shaken(4000)])))
    assert len(capture.gaps) == 0
    assert any(what.startswith("1 samples are in time") for what in decisions(capture, "assumed"))


def test_missing_samples_are_counted_by_the_stamps(bring_in):
    index = np.delete(np.arange(4000), [*range(1000, 1007), 2500])
    capture = bring_in(text_of(np.column_stack([index / 200, shaken(4000)[index]])))
    assert capture.gaps[["row", "missing"]].tolist() == [(1000, 7), (2493, 1)]
    assert capture.rate_hz == pytest.approx(200, rel=1e-6)
    assert any("8 samples are missing in 2 gaps" in what for what in decisions(capture, "found"))
    assert [piece.n_rows for piece in capture.pieces()] == [1000, 1493, 1499]


@pytest.mark.parametrize("value", ["nan", "inf", "-", ""])
def test_rows_without_values_are_gaps(bring_in, value):
    rows = text_of(np.column_stack([np.arange(1000) / 200, shaken()])).splitlines()
    rows[501:511] = [f"{n / 200},,," for n in range(500, 510)]
    rows[801] = f"{800 / 200},{value},1,2"
    for options in ({}, {"rate_hz": 200.0}):
        capture = bring_in("\n".join(rows) + "\n", **options)
        assert capture.gaps[["row", "missing"]].tolist() == [(500, 10), (790, 1)]


# --- clipping


def test_flat_tops_are_counted_as_clipping_and_the_capture_is_not_sound(bring_in, run):
    ride = np.clip((shaken(4000) - [0, 0, G]) * 4 + [0, 0, G], -2 * G, 2 * G)
    capture = bring_in(text_of(np.column_stack([np.arange(4000) / 200, ride])), unit="m/s2")
    clipped = np.abs(ride) >= 2 * G
    assert capture.origin.clipped == tuple(clipped.sum(axis=0))
    integrity = check(capture)
    assert integrity.clipped_samples == clipped.any(axis=1).sum()
    assert any("clipped" in reason for reason in integrity.reasons)
    assert acceleration(capture) == pytest.approx(ride, abs=1e-6)  # counted, never changed
    assert any("flat at the very extreme" in what for what in decisions(capture, "found"))
    assert run("check", capture.path)[0] == 1


def test_a_range_that_is_told_lets_clipping_be_judged(bring_in):
    content = text_of(np.column_stack([np.arange(1000) / 200, shaken() / G]))
    (unknown,) = (rule for rule in check(bring_in(content, unit="g")).rules if rule.name == "clipping")
    assert (unknown.ok, "not known" in unknown.text) == (None, True)
    (known,) = (rule for rule in check(bring_in(content, unit="g", largest=16.0)).rules if rule.name == "clipping")
    assert (known.ok, known.value) == (True, 0)
    beyond = int((np.abs(shaken()) >= 1.2 * G).any(axis=1).sum())
    assert check(bring_in(content, unit="g", largest=1.2)).clipped_samples == beyond > 0


# --- other formats


@pytest.mark.parametrize("dtype", ["int16", "int32", "float32"])
def test_a_wav_of_another_recorder(bring_in, tmp_path, dtype):
    """Written by scipy; whole numbers are parts of a full scale that must be told."""
    full_scale = 50.0
    levels = shaken() / full_scale
    whole = dtype != "float32"
    content = np.round(levels * np.iinfo(dtype).max).astype(dtype) if whole else shaken().astype(dtype)
    wavfile.write(tmp_path / "made.wav", 200, content)
    raw = (tmp_path / "made.wav").read_bytes()
    if whole:
        with pytest.raises(CallError, match="say --full-scale"):
            bring_in(raw, ".wav")
    options = {"full_scale": full_scale, "unit": "m/s2"} if whole else {}
    capture = bring_in(raw, ".wav", **options)
    assert acceleration(capture) == pytest.approx(shaken(), abs=full_scale / 2**15)
    assert capture.rate_hz == 200
    assert math.isnan(capture.file.attrs["rate_interval_hz"][0])
    assert any("nothing shows how true it is" in what for what in decisions(capture, "found"))


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
    """Written by asammdf, with a group beside it."""
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


def mdf_of(path, channels, times, start=None):
    """An MDF file as bytes, written by asammdf: name and values of channels on one time, and when that is 0."""
    from asammdf import MDF, Signal

    with MDF(version="4.10") as file:
        if start:
            file.start_time = start
        signals = [Signal(values, times, unit="m/s²", name=name) for name, values in channels]
        file.append(signals, common_timebase=True)
        file.save(path, overwrite=True)
    return path.read_bytes()


def test_names_that_two_columns_have_are_refused(bring_in, tmp_path):
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


@pytest.mark.parametrize("options", [{}, {"rate_hz": 200.0}])
def test_the_start_is_that_of_the_first_sample_that_has_values(bring_in, options):
    stamps = np.datetime64("2026-05-04T10:00:00.000") + 5 * np.arange(1000).astype("timedelta64[ms]")
    rows = [f"{stamp}Z,{x:.9g},{y:.9g},{z:.9g}" for stamp, (x, y, z) in zip(stamps, shaken(), strict=True)]
    rows[:500] = [f"{stamp}Z,,0,{G}" for stamp in stamps[:500]]
    if not options:
        rows[0] = f",0,0,{G}"
    capture = bring_in("time,ax,ay,az\n" + "\n".join(rows) + "\n", **options)
    assert capture.text("started_utc") == "2026-05-04T10:00:02.500000+00:00"
    if not options:
        rows[0] = f"{stamps[0]}Z,,0,{G}"
        unix = [row.replace(row.split(",")[0], f"{1_780_000_000 + n / 200:.3f}") for n, row in enumerate(rows)]
        capture = bring_in("time,ax,ay,az\n" + "\n".join(unix) + "\n")
        assert capture.text("started_utc") == "2026-05-28T20:26:42.500000+00:00"


@pytest.mark.parametrize("suffix", [".csv", ".wav", ".mat", ".mf4"])
@pytest.mark.parametrize(
    "content", [b"", b"\0" * 400, b"RIFF\x10\0\0\0WAVEfmt ", b"MDF     4.10    ", bytes(range(256)) * 9]
)
def test_a_file_of_nothing_is_one_line_and_leaves_nothing(suffix, content, tmp_path, refused):
    path = tmp_path / f"broken{suffix}"
    path.write_bytes(content)
    err = refused("import", path)
    assert str(path) in err
    assert [*tmp_path.iterdir()] == [path]


def test_the_command_prints_every_decision(tmp_path, run, answer):
    path = tmp_path / "logger.csv"
    path.write_text(text_of(np.column_stack([np.arange(1000) / 200, shaken() / G])))
    words = ("import", path, "--part", "rubber", "--road", "bypass", "--pass", "1", "--mounting", "x=+X,y=+Y,z=+Z")
    status, out, err = run(*words)
    assert (status, err) == (0, "")
    *settled, summary = out.splitlines()
    assert {line.split()[0] for line in settled} == {"found", "assumed"}
    assert "1000 samples on 3 axes, 5.0 s at 200.000 Hz, gaps 0, clipped 0; not from a box" in summary
    data = answer(*words)
    assert [entry["what"] for entry in data["decisions"]] == [line[8:] for line in settled]
    other = tmp_path / "notes.h5"
    other.write_text("my notes")
    status, _, err = run(*words, "--out", other)
    assert (status, "not replaced" in err, other.read_text()) == (2, True, "my notes")
