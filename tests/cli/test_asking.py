"""What `record` asks before a drive, and how a plan's next drive is chosen."""

from __future__ import annotations

import io
import sys

import pytest
from towertap.capture.conditions import Conditions, write_sidecar
from towertap.cli._asking import QUESTIONS, gather, next_planned
from towertap.compare.plan.plan import read_plan
from towertap.errors import CallError


class Terminal(io.StringIO):
    """Standard input at which a person sits."""

    def isatty(self):
        return True


@pytest.fixture
def recorded(tmp_path):
    """A function that leaves a recording of these conditions in the folder `drives`, and gives the folder."""
    folder = tmp_path / "drives"
    folder.mkdir()

    def leave(**conditions):
        raw = folder / f"{len(list(folder.iterdir()))}.ttraw"
        raw.touch()
        write_sidecar(raw, Conditions(**conditions))
        return folder

    return leave


@pytest.fixture
def plan_path(run, tmp_path):
    """A plan of two passes a side on two roads."""
    words = ("--vehicle", "minibus", "--before", "soft", "--after", "stiff", "--smooth", "bypass=80", "--passes", "2")
    status, _, err = run(
        "plan", tmp_path, *words, "--road", "quarry-lane=40", "--mounting", "x=+X,y=+Y,z=+Z", "--spread", "4"
    )
    assert (status, err) == (0, "")
    return tmp_path / "plan.json"


def test_questions_have_name_and_unit_and_say_where_enter_is_an_answer(tmp_path, monkeypatch, capsys):
    answers = ("minibus", "soft", "bypass", "", "", "", "", "", "x=+X,y=+Y,z=+Z", "", "")
    monkeypatch.setattr(sys, "stdin", Terminal("".join(f"{answer}\n" for answer in answers)))
    conditions = gather({}, {}, tmp_path)
    assert (conditions.vehicle, conditions.pass_number, conditions.speed_kmh) == ("minibus", 1, None)
    told = capsys.readouterr().err
    for question in (
        "Vehicle: ",
        "with this part (Enter: 1): ",
        "Speed aimed at, km/h (Enter: not known): ",
        "like 250, 250, 300, 300 (Enter: not known): ",
        "like x=+X,y=+Y,z=+Z: ",
        "Notes (Enter: none): ",
        "Press Enter to begin recording: at speed",
    ):
        assert question in told
    assert all(question in told for question in QUESTIONS.values())


def test_a_pass_number_that_is_there_already_is_said_and_the_next_one_named(recorded, capsys):
    given = {"vehicle": "minibus", "part": "rubber-bush", "road": "workbench", "mounting": "x=+X,y=+Y,z=+Z"}
    folder = recorded(road="workbench", part="rubber-bush", pass_number=1)
    recorded(road="workbench", part="other", pass_number=2)
    assert gather({**given, "pass_number": 1}, {}, folder).pass_number == 1
    told = capsys.readouterr().err
    assert told.startswith("pass 1 of workbench with rubber-bush is there already; this one is recorded beside it")
    assert "did you mean --pass 2?" in told
    gather({**given, "pass_number": 2}, {}, folder)
    assert capsys.readouterr().err == ""


def test_a_plan_offers_its_drives_in_order_until_all_are_recorded(plan_path, recorded, tmp_path, capsys):
    plan, folder = read_plan(plan_path), tmp_path / "drives"
    for number, drive in enumerate(plan.drives, start=1):
        offered = next_planned(plan_path, {}, folder)
        assert (offered["part"], offered["road"], offered["pass_number"]) == (drive.part, drive.road, drive.pass_number)
        assert (offered["vehicle"], offered["speed_kmh"]) == ("minibus", plan.speed_kmh(drive.road))
        assert (
            f"Drive {number} of {len(plan.drives)}: pass {drive.pass_number} of {drive.road}" in capsys.readouterr().err
        )
        assert gather({}, offered, folder).mounting == "x=+X,y=+Y,z=+Z"
        recorded(**offered)
    with pytest.raises(CallError, match="all 8 drives are recorded"):
        next_planned(plan_path, {}, folder)


def test_a_planned_drive_can_be_named_and_driven_again(plan_path, recorded, tmp_path):
    named = {"part": "stiff", "road": "bypass", "pass_number": 2}
    recorded(**named)
    assert next_planned(plan_path, named, tmp_path / "drives").items() >= named.items()
    assert next_planned(plan_path, {"part": "stiff", "road": "bypass"}, tmp_path / "drives")["pass_number"] == 1
    with pytest.raises(CallError, match="no drive is planned with --part stif"):
        next_planned(plan_path, {"part": "stif"}, tmp_path / "drives")
