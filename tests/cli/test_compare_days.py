"""`towertap compare` on one part driven on two days under two names: never a verdict, whatever is falsified.

Also on drives that follow a plan except for one extra pass.
"""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta

import h5py
import numpy as np
import pytest
from towertap.capture.schema import set_attributes
from towertap.compare.plan.plan import HeldConditions, write_plan

from tests import plans
from tests.by_hand import STRAIGHT

SATURDAY = datetime(2026, 5, 2, 9, tzinfo=UTC)
DAY_EFFECT = 1.08
CALL = ("--before", "rubber", "--after", "rubber again", "--smooth", "bypass", "--metric", "acceleration_z")


@pytest.fixture(scope="module")
def two_days(tmp_path_factory, by_hand):
    """One part under two names: four passes over three roads on a Saturday, and four a week later.

    White noise at 1 kHz whose level differs by 1 % from pass to pass; on the second day everything shakes 8 % more.
    """
    folder = tmp_path_factory.mktemp("two-days")
    rng = np.random.default_rng(4)
    for day, part in enumerate(("rubber", "rubber again")):
        for number in range(1, 5):
            for place, (road, level) in enumerate({"bypass": 50, "lane": 120, "moor": 90}.items()):
                spread = level * DAY_EFFECT**day * np.exp(0.01 * rng.standard_normal())
                started = SATURDAY + timedelta(days=7 * day, minutes=10 * (3 * number + place))
                said, sidecar = by_hand.conditions(part, road, number), {"started_utc": started.isoformat()}
                by_hand.drive(folder / f"{road}-{day}-{number}", rng, spread, said, sidecar=sidecar)
    return folder


def as_driven(folder):
    """Nothing is falsified."""


def one_smooth_pass_redated(folder):
    """One pass over the smooth road on the first day is dated to the second."""
    with h5py.File(folder / "bypass-0-1.h5", "r+") as file:
        set_attributes(file, {"started_utc": (SATURDAY + timedelta(days=7, minutes=65)).isoformat()})


def one_without_a_start(folder):
    """One capture has no start time."""
    with h5py.File(folder / "lane-1-2.h5", "r+") as file:
        set_attributes(file, {"started_utc": ""})


@pytest.mark.parametrize("forge", [as_driven, one_smooth_pass_redated, one_without_a_start])
def test_one_part_on_two_days_gives_a_lead_but_no_verdict(run, answer, two_days, tmp_path, forge):
    """In text, JSON and report, which also name the smooth road that changed as well."""
    folder = tmp_path / "drives"
    shutil.copytree(two_days, folder, ignore=shutil.ignore_patterns("*.ttraw", "*.json"))
    forge(folder)
    status, out, err = run("compare", folder, *CALL, "--report", tmp_path / "report")
    assert status == 0, err
    page = " ".join((tmp_path / "report" / "report.html").read_text("utf-8").split())
    data = answer("compare", folder, *CALL)
    findings = [*data["overall"], *data["findings"]]
    assert [finding["road"] for finding in findings] == ["all rough roads", "lane", "moor"]
    for finding in findings:
        assert (finding["on_these_drives"], finding["verdict"], finding["about"]) == (
            "harsher",
            "undecided",
            "part or day",
        )
        assert finding["ratio"] == pytest.approx(DAY_EFFECT, abs=0.03)
        low, high = finding["part"]["interval"]
        assert low < 1 < high
        assert finding["over_smooth"]["reading"] == "moved alike"
        assert finding["words"].startswith(f"Vertical acceleration on {finding['road']}: undecided, +")
        lead = "These drives show more: the part, or box, tyres, weather or day, since the smooth road moved as well; "
        assert lead in finding["words"]
    for text in (" ".join(out.split()), page):
        assert "on these drives on both rough roads" in text
        assert "it may be the part, or box, tyres, weather or day, since the smooth road moved as well" in text
    assert data["answer"]["verdict"] == "undecided"
    assert not out.startswith("Harsher")
    assert any("One part was driven first and then the other" in caution["words"] for caution in data["cautions"])


def planned_folder(two_days, folder, started):
    """Two passes with each part over each road, dated to one day by the times in `started`."""
    folder.mkdir()
    for path in sorted(two_days.glob("*-[12].h5")):
        with h5py.File(shutil.copy(path, folder), "r+") as file:
            said = json.loads(bytes(file.attrs["conditions"]))
            key = said["part"], said["road"], said["pass_number"]
            set_attributes(file, {"started_utc": started[key].isoformat()})
    return folder


@pytest.fixture
def planned(two_days, tmp_path):
    """A plan in A B B A with drives ten minutes apart, the folder of its drives, and their times."""
    roads, hold = {"lane": 40.0, "moor": 40.0, "bypass": 40.0}, HeldConditions(mounting=STRAIGHT)
    plan = plans.plan(roads, ("rubber", "rubber again"), passes=2, metrics=("acceleration_z",), hold=hold)
    write_plan(plan, tmp_path / "plan.json")
    started = {
        (drive.part, drive.road, drive.pass_number): plan.written + timedelta(minutes=10 * (place + 1))
        for place, drive in enumerate(plan.drives)
    }
    return tmp_path / "plan.json", planned_folder(two_days, tmp_path / "planned", started), started


def further(two_days, folder, source, number, started):
    """Add a drive over a road in another recording, as pass `number`."""
    with h5py.File(shutil.copy(two_days / source, folder / "further.h5"), "r+") as file:
        said = json.loads(bytes(file.attrs["conditions"])) | {"pass_number": number}
        set_attributes(file, {"conditions": json.dumps(said), "started_utc": started.isoformat()})


def test_a_planned_drive_is_compared_by_block(answer, planned):
    plan, folder, _ = planned
    data = answer("compare", folder, "--plan", plan)
    assert [departure["words"] for departure in data["departures"]] == []
    assert [len(finding["block_ratios"]) for finding in (*data["overall"], *data["findings"])] == [2, 2, 2]


def test_an_extra_pass_is_left_out_and_blocks_are_still_used(answer, two_days, planned):
    plan, folder, started = planned
    last = max(started.values())
    further(two_days, folder, "lane-0-3.h5", 3, last + timedelta(minutes=10))
    data = answer("compare", folder, "--plan", plan)
    assert [len(finding["block_ratios"]) for finding in (*data["overall"], *data["findings"])] == [2, 2, 2]
    left_out = "Further on lane was not planned and is left out: the blocks hold."
    assert left_out.lower() in [caution["words"].lower() for caution in data["cautions"]]
    more = "lane with rubber: 3 passes, 2 planned; 1 more than planned"
    assert more in [departure["words"] for departure in data["departures"]]


@pytest.mark.parametrize("words", [(), ("--json",)])
def test_a_pass_driven_twice_under_one_number_is_reported(run, two_days, planned, words):
    plan, folder, started = planned
    further(two_days, folder, "lane-0-3.h5", 1, started["rubber", "lane", 1] + timedelta(minutes=1))
    status, out, err = run("compare", folder, "--plan", plan, *words)
    assert status == 0, err
    text = " ".join(out.split())
    assert "are the same planned pass" in text
    assert "ass 1 on lane exists more than once before the change" in text
    assert "not driven in their planned order" not in text
