"""Speed logs: read as the page defines, refused in one line, and distances against a surveyor's example."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
from towertap.capture.speed_files import READERS, SPEEDS, TIMES
from towertap.capture.speed_log import SpeedLog, ground_m, read_speed_log, read_speed_logs
from towertap.errors import TowertapError

PAGE = Path(__file__).parents[2] / "hardware_notes" / "speed_log.md"
GPX = '<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{}</trkseg></trk></gpx>'


def point(second, latitude, longitude=0.0, inside=""):
    time = f"<time>2026-05-04T09:30:{second:02d}Z</time>"
    return f'<trkpt lat="{latitude:.8f}" lon="{longitude:.8f}">{time}{inside}</trkpt>'


@pytest.fixture
def write(tmp_path):
    def put(name, text):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return put


def test_distance_against_the_surveyors_worked_example():
    """Flinders Peak to Buninyong, 54,972.271 m on GRS 80 (Geocentric Datum of Australia technical manual; from memory).

    The formula is for steps of metres; at 55 km it is good to some millionths.
    """
    latitude = -np.array([37 + 57 / 60 + 3.72030 / 3600, 37 + 39 / 60 + 10.15610 / 3600])
    longitude = np.array([144 + 25 / 60 + 29.52440 / 3600, 143 + 55 / 60 + 35.38390 / 3600])
    assert ground_m(latitude, longitude)[0] == pytest.approx(54972.271, rel=2e-5)


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # obspy's own import warns
@pytest.mark.parametrize("latitude", [0.0, 52.0, -68.0])
def test_distance_against_the_geodesic_of_a_library(latitude):
    """obspy's inverse geodesic on WGS 84, steps of some 2 km, over the date line."""
    from obspy.geodetics import gps2dist_azimuth

    there = np.array([latitude, latitude + 0.01]), np.array([179.99, -179.99])
    expected, _, _ = gps2dist_azimuth(there[0][0], there[1][0], there[0][1], there[1][1])
    assert ground_m(*there)[0] == pytest.approx(expected, rel=1e-5)


def test_gpx_positions_become_speed(write):
    """10 m/s north: 111,319.49 m a degree of longitude on the equator (2π·6,378,137 m / 360)."""
    metre = 360 / (2 * np.pi * 6378137.0)
    path = write("a.gpx", GPX.format("".join(point(s, 0.0, 10 * s * metre) for s in range(10))))
    log = read_speed_log(path)
    assert log.speed_ms == pytest.approx(10.0, rel=1e-4)
    assert log.time_s[0] == pytest.approx(1777887000.5)


def test_gpx_speed_in_extensions_has_priority_over_positions(write):
    inside = "<extensions><x:speed xmlns:x='urn:x'>12.5</x:speed></extensions>"
    log = read_speed_log(write("a.gpx", GPX.format("".join(point(s, 0.0, 0.0, inside) for s in range(5)))))
    assert log.speed_ms.tolist() == [12.5] * 5


def test_a_gpx_point_without_speed_is_a_gap_and_the_others_keep_the_receivers(write):
    """Positions are constant, so they would give a speed of 0; two points lack a speed, as before a fix."""
    inside = {s: f"<speed>{10 + s}</speed>" for s in (1, 2, 3, 5, 6)}
    log = read_speed_log(write("a.gpx", GPX.format("".join(point(s, 0.0, 0.0, inside.get(s, "")) for s in range(7)))))
    assert log.speed_ms.tolist() == [11.0, 12.0, 13.0, 15.0, 16.0]
    assert (log.time_s - 1777887000).tolist() == [1.0, 2.0, 3.0, 5.0, 6.0]


def test_a_few_gpx_speeds_do_not_replace_the_positions(write):
    """A degree of the equator is 111.32 km on the ellipsoid, so that 10 m a second are 10 m/s."""
    inside = {0: "<speed>99</speed>"}
    metre = 1 / 111319.49
    log = read_speed_log(
        write("a.gpx", GPX.format("".join(point(s, 0.0, 10 * s * metre, inside.get(s, "")) for s in range(10))))
    )
    assert log.speed_ms == pytest.approx(10.0, rel=1e-3)


def test_gpx_points_without_speed_for_longer_are_not_spanned(write):
    inside = {s: "<speed>10</speed>" for s in range(20) if not 5 <= s < 12}
    log = read_speed_log(write("a.gpx", GPX.format("".join(point(s, 0.0, 0.0, inside.get(s, "")) for s in range(20)))))
    assert log.covers(0.0 + 1777887000, 4.0 + 1777887000)
    assert not log.covers(3.0 + 1777887000, 13.0 + 1777887000)


@pytest.mark.parametrize(
    "text",
    [
        "time_utc,speed_kmh\n2026-05-04T09:30:00Z,36\n2026-05-04T10:30:01+01:00,36\n2026-05-04T09:30:02,36\n",
        "other,unix_s,speed_ms\na,1777887000,10\nb,1777887001,10\nb,1777887001,10\nc,1777887002,10\n",
    ],
)
def test_csv_of_both_kinds(write, text):
    log = read_speed_log(write("a.csv", text))
    assert log.time_s.tolist() == [1777887000.0, 1777887001.0, 1777887002.0]
    assert log.speed_ms == pytest.approx(10.0)


def test_a_point_without_speed_is_a_gap_and_way_is_the_integral():
    """Speed 2t: way t², by calculus."""
    time_s = np.array([0.0, 1.0, 2.0, 3.0, 10.0, 11.0])
    log = SpeedLog("x", time_s, 2 * time_s)
    assert log.way_m(np.array([0.5, 2.5, 10.5])) == pytest.approx([0.25, 6.25, 110.25])
    assert log.covers(0.5, 2.5)
    assert not log.covers(0.5, 10.5)
    assert not log.covers(-0.5, 2.5)
    assert np.isnan(log.speed_at(np.array([5.0, 12.0]))).all()


HEAD = "unix_s,speed_ms\n"
REFUSED = {
    "empty.csv": ("", "empty: export"),
    "names.csv": (HEAD, "two or more"),
    "one.csv": (HEAD + "1777887000,1\n", "two or more"),
    "nan.csv": (HEAD + "1777887000,nan\n1777887001,\n", "two or more"),
    "unsorted.csv": (HEAD + "1777887001,1\n1777887000,1\n", "sort the points"),
    "twice.csv": (HEAD + "1777887001,1\n1777887001,2\n", "another speed"),
    "word.csv": (HEAD + "1777887000,1\n1777887001,fast\n", r"word\.csv: point 2: speed_ms 'fast' is not a number"),
    "semicolons.csv": ("unix_s;speed_ms\n1777887000;1\n1777887001;1\n", "separate them by commas"),
    "comma.csv": ("unix_s;speed_ms\n1777887000;1,5\n1777887001;1,5\n", "separate them by commas"),
    "fast.csv": (HEAD + "1777887000,400\n1777887001,1\n", "km/h"),
    "backwards.csv": (HEAD + "1777887000,-1\n1777887001,1\n", "km/h"),
    "inf.csv": (HEAD + "1777887000,inf\n1777887001,1\n", "not a number"),
    "millis.csv": (HEAD + "1777887000000,1\n1777887001000,1\n", "2000 to 2100"),
    "time.csv": ("time_utc,speed_ms\nnoon,1\nnoon,1\n", "ISO 8601"),
    "no_time.csv": ("speed_ms\n1\n", "no column of time"),
    "no_speed.csv": ("unix_s\n1777887000\n", "no column of speed"),
    "both.csv": ("unix_s,speed_ms,speed_kmh\n1777887000,1,3.6\n", "keep one"),
    "ragged.csv": (HEAD + "1777887000,1\n1777887001,1,7,7\n", "CSV"),
    "wide.csv": (HEAD + "1777887000,1,7\n1777887001,1,7\n", "CSV"),
    "binary.csv": (b"\x89HDF\r\n\x1a\n\x00\xff" * 50, "CSV"),
    "text.gpx": ("hello", "not valid XML"),
    "other.gpx": ("<html></html>", "not GPX"),
    "none.gpx": (GPX.format(""), "no points"),
    "cut.gpx": (GPX.format(point(0, 1.0))[:-20], "not valid XML"),
    "bad_latitude.gpx": (GPX.format(point(0, 100.0) + point(1, 100.0) + point(2, 100.0)), "degrees"),
    "no_position.gpx": (GPX.format("<trkpt><time>2026-05-04T09:30:00Z</time></trkpt>"), "not a number"),
    "entities.gpx": ('<!DOCTYPE gpx [<!ENTITY a "b">]><gpx>&a;</gpx>', "DOCTYPE"),
    "bomb.gpx": ('<!DOCTYPE g [<!ENTITY a "lol"><!ENTITY b "&a;&a;">]><gpx>&b;</gpx>', "DOCTYPE"),
    "utf7.gpx": ('<?xml version="1.0" encoding="utf-7"?><gpx/>', "not valid XML"),
    "unknown.gpx": ('<?xml version="1.0" encoding="klingon"?><gpx/>', "not valid XML"),
    "endless.gpx": ('<gpx><trkpt lat="' + "1" * 20_000_000, "more than a megabyte"),
    "deep.gpx": ("<gpx>" + "<a>" * 10000, "too deeply"),
    "log.txt": ("x", "not a speed log"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_anything_but_a_log_is_refused_in_one_line(write, name):
    text, said = REFUSED[name]
    path, began = write(name, text), time.process_time()
    with pytest.raises(TowertapError, match=said) as refused:
        read_speed_log(path)
    assert time.process_time() - began < 2
    assert "\n" not in str(refused.value)
    assert name in str(refused.value)


def test_a_missing_file_or_folder(tmp_path):
    with pytest.raises(TowertapError, match="no such file"):
        read_speed_logs(tmp_path / "none.gpx")
    with pytest.raises(TowertapError, match="no speed log in this folder"):
        read_speed_logs(tmp_path)


def test_the_page_names_every_column_and_suffix():
    page = PAGE.read_text("utf-8")
    for name in (*TIMES, *SPEEDS, "latitude", "longitude", *READERS):
        assert f"`{name}`" in page
