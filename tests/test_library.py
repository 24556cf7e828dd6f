"""`import towertap as tt`: the public names, what they return, and that importing them loads nothing."""

from __future__ import annotations

import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import h5py
import numpy as np
import pandas as pd
import pytest
import towertap as tt
from towertap.compare.controls import Control, ControlValue, write_control

from tests.by_hand import plain_counts

EXAMPLES = Path(__file__).parents[1] / "example_captures"
WHOLE, DAMAGED = EXAMPLES / "quarry-lane_rubber-bush_pass01.h5", EXAMPLES / "quarry-lane_rubber-bush_pass02.h5"


def test_the_public_names():
    assert tt.__all__ == ["BeforeAfter", "OpenCapture", "TowertapError", "__version__", "compare", "open"]
    assert dir(tt) == sorted(tt.__all__)
    for name in tt.__all__:
        assert getattr(tt, name).__doc__
    with pytest.raises(AttributeError, match="no attribute 'record'"):
        tt.record  # noqa: B018
    assert files("towertap").joinpath("py.typed").is_file()


def test_importing_it_loads_nothing_else():
    code = "import sys, towertap; print([m for m in ('numpy', 'pandas', 'h5py', 'scipy', 'click') if m in sys.modules])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True).stdout == "[]\n"


@pytest.mark.parametrize("first", ["import towertap.compare.comparison", "pass"])
def test_compare_is_a_function_whatever_was_imported_before(first):
    """Importing the package `towertap.compare` replaces the function by the module, which can be called too."""
    attempt = "try: tt.compare('nowhere')\nexcept tt.TowertapError as error: print(error)\n"
    code = f"{first}\nimport towertap as tt\n{attempt}{attempt}"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.stdout == 2 * "missing: before, after, smooth; give them, or a plan\n", done.stderr


def test_a_capture_as_a_table_and_as_arrays():
    """Against plain h5py and the mounting of the examples, x=+Y,y=-X,z=+Z."""
    with h5py.File(DAMAGED) as file:
        counts, scale = plain_counts(file, "acceleration"), file.attrs["acceleration_scale_ms2"]
        rate_hz = float(file.attrs["rate_hz"])
    with tt.open(DAMAGED) as capture:
        table, up, forward = capture.frame(), capture.signal("z"), capture.signal("x")
        assert (capture.rate_hz, capture.from_box, capture.path) == (rate_hz, True, DAMAGED)
        assert capture.conditions.part == "rubber-bush"
        with pytest.raises(tt.TowertapError, match="no rotation u"):
            capture.signal("u", "rotation")
    assert isinstance(table, pd.DataFrame)
    assert (table.index.name, table.columns[2]) == ("time_s", "acceleration_z_ms2")
    assert table.attrs["rate_hz"] == rate_hz
    there = table["acceleration_z_ms2"].notna().to_numpy()
    assert np.flatnonzero(~there).tolist() == [8064, 20097]
    assert np.array_equal(up[there], counts[:, 2] * scale)
    assert np.array_equal(table["acceleration_x_ms2"][there], counts[:, 1] * scale)
    assert np.array_equal(forward[there], counts[:, 1] * scale)
    assert table.index[there][-1] == pytest.approx((39903 + 37 + 96) / rate_hz, abs=1e-9)


def test_check_and_analyse_are_those_of_the_command_line(answer, tmp_path):
    data = answer("analyse", WHOLE, "--window-s", 0.5, "--out", tmp_path / "windows.csv")
    with tt.open(WHOLE) as whole, tt.open(DAMAGED) as damaged:
        assert (whole.check().sound, damaged.check().sound) == (True, False)
        analysis = whole.analyse(window_s=0.5)
        assert analysis.windows["weighted_z"].tolist() == data["windows"]["weighted_z"]
        assert analysis.whole["weighted_z"] == data["whole"]["weighted_z"]["value"]
        html = whole._repr_html_()
    assert "<td>rubber-bush</td>" in html
    assert "9.9 s, 1 without a gap" in html


def test_a_folder_gives_an_answer(tmp_path):
    result = tt.compare(EXAMPLES, "rubber-bush", "polyurethane-bush", "bypass", metrics=["weighted_z"])
    assert isinstance(result, tt.BeforeAfter)
    assert result.answer == str(result.comparison.answer)
    findings = result.findings
    assert findings["verdict"].unique().tolist() == ["undecided"]
    lane = findings[~findings["over_all"]].iloc[0]
    assert (lane["road"], lane["metric"], lane["passes_before"]) == ("quarry-lane", "weighted_z", 1)
    assert lane["ratio"] == pytest.approx(lane["after"] / lane["before"])
    assert result.cautions
    assert "undecided" in result._repr_html_()
    page = result.report(tmp_path / "report", sounds=False)
    assert page == tmp_path / "report" / "report.html"
    assert "polyurethane-bush" in page.read_text("utf-8")


def test_controls_of_the_vehicle_are_used_as_on_the_command_line(answer, tmp_path):
    value = ControlValue("weighted", 1.02, (0.98, 1.06), (0.99, 1.05), "equivalent", 0.0004)
    of_control = ("rubber-bush", "rubber-bush-refitted", "2026-05-01", 0.1, ("a", "b"), {"weighted_z": value})
    write_control(Control("refit", "community minibus (invented)", *of_control), tmp_path)
    sides = {"before": "rubber-bush", "after": "polyurethane-bush", "smooth": "bypass"}
    evidence = tt.compare(EXAMPLES, **sides, metrics=["weighted_z"], bench=tmp_path).comparison.evidence
    options = [word for name, value in sides.items() for word in (f"--{name}", value)]
    told = answer("compare", EXAMPLES, *options, "--metric", "weighted_z", "--bench", tmp_path)["evidence"]
    assert evidence["controls"].headline == told["controls"]["headline"]


def test_names_are_escaped_in_a_notebook(make_capture):
    from towertap.capture.conditions import Conditions

    path = make_capture(conditions=Conditions(vehicle="<script>alert(1)</script>"))
    with tt.open(path) as capture:
        assert "<script>" not in capture._repr_html_()
