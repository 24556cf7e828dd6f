"""The cost of adding and reading: a section is one class and one line; captures open and roads align once."""

from __future__ import annotations

import json
import sys
from collections import Counter
from dataclasses import dataclass

import h5py
import numpy as np
import pytest
from towertap.analysis import analyse_capture
from towertap.capture.reading import open_capture
from towertap.compare import compare, load_drives, sections
from towertap.compare.caution import Caution
from towertap.compare.drives.model import Reading
from towertap.compare.road import places
from towertap.compare.section import Evidence, Section
from towertap.drawing.picture import Picture
from towertap.drawing.style import new_figure
from towertap.report.report import write_report
from towertap.words.table import tabulate

from tests.by_hand import plain_counts

CALL = ("--before", "soft", "--after", "stiff", "--smooth", "bypass", "--metric", "acceleration_z")


@dataclass(frozen=True)
class Roll:
    """How fast one capture rolled, for the made-up section."""

    capture: str
    rms_counts: float


class RollSection(Section):
    """How far the body rolls: a complete section, made up for the test."""

    name = "roll"
    title = "Rolling"
    note = "Rotation about the chip's x axis, invented for a test."

    def measure(self, reading: Reading) -> Roll:
        counts = reading.capture.counts("rotation", 0, reading.capture.n_samples)
        return Roll(reading.capture.path.stem, float(np.std(counts[:, 0])))

    def compare(self, study, findings):
        rolls = [drive.measured[self.name] for road in study.roads for drive in road.passes]
        rows = [{"capture": roll.capture, "roll, counts": f"{roll.rms_counts:.1f}"} for roll in rolls]
        return Evidence(
            headline=f"{len(rolls)} passes rolled over {len(study.roads)} roads.",
            paragraphs=("The stiffer part <rolls> more.",),
            tables=(tabulate("Rolling by pass", rows),),
            cautions=(Caution("Rolling was invented."),),
            data=rolls,
            drawn=rolls,
        )

    def pictures(self, evidence):
        figure = new_figure(3.0)
        figure.subplots().plot([roll.rms_counts for roll in evidence.drawn])
        yield Picture("roll", "Rolling of each pass", "One point per pass.", (figure,), evidence.tables[0])


@pytest.fixture
def roll(monkeypatch):
    """The table of sections with the made-up one as its last line."""
    table, longer = sections.SECTIONS, (*sections.SECTIONS, RollSection())
    for module in [module for module in sys.modules.values() if getattr(module, "SECTIONS", None) is table]:
        monkeypatch.setattr(module, "SECTIONS", longer)


def test_a_section_is_one_class_and_one_line_from_the_open_capture_to_json_terminal_and_page(
    run, roll, drive_folder, tmp_path
):
    status, out, err = run("compare", drive_folder, *CALL, "--report", tmp_path, "--full")
    assert status == 0, err
    for words in (
        "8 passes rolled over 2 roads.",
        "The stiffer part <rolls> more.",
        "Rolling was invented.",
        "Rolling by pass",
    ):
        assert words in out
    page = (tmp_path / "report.html").read_text("utf-8")
    section = page.partition('<details id="roll" open>')[2].partition("</details>")[0]
    for words in (
        "<h3>Rolling</h3>",
        "8 passes rolled over 2 roads.",
        "invented for a test",
        "&lt;rolls&gt;",
        "<h4>Rolling by pass</h4>",
        "Rolling of each pass",
        "One point per pass.",
    ):
        assert words in section
    assert "<li>Rolling was invented.</li>" in page
    assert (tmp_path / "pictures" / "roll.png").is_file()
    assert (tmp_path / "data" / "roll.csv").is_file()
    _, out, _ = run("compare", drive_folder, *CALL, "--json")
    evidence = json.loads(out)["evidence"]
    assert list(evidence)[-1] == "roll"
    assert evidence["roll"]["headline"] == "8 passes rolled over 2 roads."
    by_capture = {entry["capture"]: entry["rms_counts"] for entry in evidence["roll"]["data"]}
    with h5py.File(drive_folder / "moor-road-stiff-1.h5") as file:
        assert by_capture["moor-road-stiff-1"] == pytest.approx(np.std(plain_counts(file, "rotation")[:, 0]))


def test_a_complete_run_with_its_report_opens_every_capture_once_and_aligns_every_road_once(
    monkeypatch, drive_folder, tmp_path
):
    opened, aligned, find_places = Counter(), Counter(), places.find_places

    class CountedFile(h5py.File):
        def __init__(self, name, *args, **kwargs):
            opened[str(name)] += 1
            super().__init__(name, *args, **kwargs)

    def counted(passes):
        aligned[passes[0].road] += 1
        return find_places(passes)

    monkeypatch.setattr(h5py, "File", CountedFile)
    for module in ("towertap.compare.study", "towertap.compare.road.places"):
        monkeypatch.setattr(f"{module}.find_places", counted)
    drives = load_drives(drive_folder, "soft", "stiff", "bypass", fresh=True)  # whatever another test has kept
    write_report(compare(drives, metrics=["acceleration_z"]), tmp_path)
    assert opened == {str(path): 1 for path in drive_folder.glob("*.h5")}
    assert aligned == {"moor-road": 1, "quarry-lane": 1}
    with open_capture(drives.passes[0].path) as capture:  # the counter counts
        analyse_capture(capture)
    assert opened[str(drives.passes[0].path)] == 2
