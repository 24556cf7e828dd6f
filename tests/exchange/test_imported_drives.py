"""From other recorders' files to a verdict that names its sources.

The drives are invented: a road is noise of varying level, the same in every pass except for a few percent.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from towertap.compare import compare
from towertap.compare.sections.captures import recorders, unproved
from towertap.exchange.imports import import_file

G = 9.80665
SECONDS = 16
LEVELS = {
    ("bypass", "rubber"): 0.3,
    ("bypass", "poly"): 0.3,
    ("quarry-lane", "rubber"): 1.2,
    ("quarry-lane", "poly"): 2.2,
}
"""R.m.s. of the vertical acceleration, m/s², by road and part."""


def passes(rate_hz, axes):
    """Road, part, number and samples (n, axes) in m/s² and rad/s of three passes for each."""
    rng = np.random.default_rng(11)
    n = round(SECONDS * rate_hz)
    at = np.arange(n) / rate_hz
    for (road, part), level in LEVELS.items():
        profile = np.random.default_rng(len(road)).normal(size=(n, axes))
        profile *= (1 + 0.5 * np.sin(at * 1.3) + 0.3 * np.sin(at * 0.37 + len(road)))[:, None]
        for number in (1, 2, 3):
            motion = level * (1 + 0.03 * rng.normal()) * (profile + 0.2 * rng.normal(size=(n, axes)))
            motion[:, [0, 1]] *= 0.3
            motion[:, 2] += G
            yield road, part, number, motion


def phone(path, motion, rate_hz, rng):
    """Three axes in g, nanoseconds since the start, samples up to a tenth of a period early or late."""
    time_ns = (np.arange(len(motion)) + rng.uniform(-0.1, 0.1, len(motion))) / rate_hz * 1e9
    rows = (f"{t:.0f},{x:.6f},{y:.6f},{z:.6f}" for t, (x, y, z) in zip(time_ns, motion / G, strict=True))
    path.write_text("timestamp (ns),x (g),y (g),z (g)\n" + "\n".join(rows) + "\n")


def logger(path, motion, rate_hz, rng):
    """Six axes, separated by semicolons, with a line of units and whole milliseconds."""
    rows = (
        ";".join([f"{t * 1000:.0f}", *(f"{value:.5f}" for value in row)])
        for t, row in zip(np.arange(len(motion)) / rate_hz, motion, strict=True)
    )
    head = "time;ax;ay;az;gx;gy;gz\nms;m/s²;m/s²;m/s²;rad/s;rad/s;rad/s\n"
    path.write_text(head + "\n".join(rows) + "\n")


TOO_SLOW = "a rate of 100 Hz carries nothing to hear: it takes more than 100 Hz"
RECORDERS = {"phone": (phone, 100.0, 3), "logger": (logger, 500.0, 6)}


@pytest.fixture(scope="module", params=RECORDERS)
def folder(request, tmp_path_factory):
    """The recorder's name, and a folder with the captures imported from its twelve files."""
    write, rate_hz, axes = RECORDERS[request.param]
    folder = tmp_path_factory.mktemp(request.param)
    rng = np.random.default_rng(3)
    for road, part, number, motion in passes(rate_hz, axes):
        path = folder / f"{road}-{part}-{number}.csv"
        write(path, motion, rate_hz, rng)
        conditions = {"vehicle": "minibus", "part": part, "road": road, "pass_number": number}
        import_file(path, path.with_suffix(".h5"), given=conditions | {"mounting": "x=+X,y=+Y,z=+Z"})
    return request.param, folder


def test_imported_drives_go_through_compare_to_a_verdict(folder, run, tmp_path):
    recorder, drives = folder
    words = ("compare", drives, "--before", "rubber", "--after", "poly", "--smooth", "bypass")
    status, out, err = run(*words, "--json", "--report", tmp_path / "report")
    assert status == 0
    assert err == ("" if recorder == "logger" else f"no sound of quarry-lane: {TOO_SLOW}\n")
    answer = json.loads(out)
    (finding,) = (entry for entry in answer["findings"] if entry["metric"] == "acceleration_z")
    assert finding["verdict"] == "harsher"
    assert finding["ratio"] == pytest.approx(2.2 / 1.2, rel=0.05)
    assert any("12 captures of 12 not from a box" in caution["words"] for caution in answer["cautions"])
    metrics = {entry["metric"] for entry in answer["findings"]}
    if recorder == "phone":  # its rate is too low for jerk up to 100 Hz and weighting up to 80 Hz
        assert metrics == {"acceleration_z"}
        left_out = [caution["words"] for caution in answer["cautions"] if "is left out" in caution["words"]]
        assert [words.split(" is left out")[0] for words in left_out] == [
            "Vertical jerk",
            "Weighted vertical acceleration",
        ]
    else:
        assert metrics == {"acceleration_z", "jerk_z", "weighted_z"}
    page = (tmp_path / "report" / "report.html").read_text("utf-8")
    assert "rubber rests on 6 captures imported from another recorder" in page
    assert "nothing speaks against it" in page
    assert "make them with" not in page  # no bench knows such a recorder
    assert "nan" not in page.lower().split()


def test_sides_from_different_recorders_get_a_warning(recorded):
    """Captures of a box; those before the change are marked as imported."""
    assert recorders(recorded) == []
    assert [*unproved(recorded)] == []
    passes = [replace(drive, source=replace(drive.source, from_box=drive.side == "after")) for drive in recorded.passes]
    mixed = replace(recorded, passes=tuple(passes))
    (sentence,) = recorders(mixed)
    assert sentence == (
        "rubber rests on 6 captures imported from another recorder; polyurethane rests on 6 captures of a box."
    )
    not_proved, differing = unproved(mixed)
    assert not_proved.words.startswith("6 captures of 12 not from a box")
    assert "do not come from the same recorders" in differing.words
    cautions = compare(mixed).cautions
    assert {not_proved, differing} <= set(cautions)
    assert any("Missing for all 6 captures: bench records of" in caution.words for caution in cautions)
