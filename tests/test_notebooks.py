"""The notebooks next to the example captures run completely and show the expected output."""

from __future__ import annotations

import ast
import json
import shutil
from pathlib import Path

import matplotlib as mpl
import pytest

EXAMPLES = Path(__file__).parents[1] / "example_captures"
SHOWS = {
    "capture_to_metric.ipynb": ["sound", "acceleration_z: ", "by hand", "by towertap"],
    "folder_to_verdict.ipynb": ["undecided", "was left out: not sound", "report.html"],
}
"""Notebook → some of its output."""


def run(path: Path) -> str:
    """Everything that the cells print, and the HTML of each cell's last value."""
    shown: list[str] = []
    names = {"print": lambda *values, end="\n": shown.append(" ".join(map(str, values)) + end)}
    for cell in json.loads(path.read_text("utf-8"))["cells"]:
        if cell["cell_type"] != "code":
            continue
        assert cell["outputs"] == []  # no stored output
        body = ast.parse("".join(cell["source"]))
        last = ast.Expression(body.body.pop().value) if isinstance(body.body[-1], ast.Expr) else None
        exec(compile(body, path.name, "exec"), names)
        if last is not None:
            value = eval(compile(last, path.name, "eval"), names)
            if hasattr(value, "_repr_html_"):
                shown.append(value._repr_html_())
    return "".join(shown)


@pytest.mark.parametrize("name", SHOWS)
def test_a_notebook_runs_and_shows_its_results(name, tmp_path, monkeypatch):
    for path in EXAMPLES.iterdir():
        if path.is_file():
            shutil.copy(path, tmp_path)
    monkeypatch.chdir(tmp_path)
    with mpl.rc_context({"backend": "agg"}):
        shown = run(tmp_path / name)
        mpl.pyplot.close("all")
    for words in SHOWS[name]:
        assert words in shown
    if name == "capture_to_metric.ipynb":
        by_hand, by_towertap = (float(shown.split(f" m/s² by {who}")[0].split()[-1]) for who in ("hand", "towertap"))
        assert by_hand == pytest.approx(by_towertap, rel=0.1)  # edges of a filter are not those of a ruler


def test_each_notebook_is_tested():
    assert {path.name for path in EXAMPLES.glob("*.ipynb")} == set(SHOWS)
