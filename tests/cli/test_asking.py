"""What `record` asks before a drive, and how a plan's next drive is chosen."""

from __future__ import annotations

import io
import sys

import pytest
from towertap.capture.conditions import Conditions, write_sidecar
from towertap.cli._asking import ask_for, gather, next_planned
from towertap.cli._conditions import QUESTIONS
from towertap.compare.plan.plan import HeldConditions, read_plan, write_plan
from towertap.errors import CallError

from tests import plans
from tests.by_hand import STRAIGHT


class Terminal(io.StringIO):
    """Standard input of a terminal."""

    def isatty(self):
        return True


@pytest.fixture
def recorded(tmp_path, by_hand):
    """A function that makes a recording with given conditions in the folder `drives`, and returns the folder."""
    folder = tmp_path / "drives"
    folder.mkdir()

    def leave(seconds=None, **conditions):
        """With a capture of that length, if given."""
        path, written = folder / str(len(list(folder.iterdir()))), Conditions(**conditions)
        if seconds is None:
            write_sidecar(by_hand.raw(path.with_suffix(".ttraw"), []), written, hello=by_hand.hello_fields)
        else:
            by_hand.capture(path, by_hand.recording(seconds, rate_hz=1000.0, rolls=True), written, {})
        return folder

    return leave


@pytest.fixture
def plan_path(tmp_path):
    """A plan of two passes per side on two roads."""
    roads, hold = {"quarry-lane": 40.0, "bypass": 80.0}, HeldConditions(mounting=STRAIGHT)
    write_plan(plans.plan(roads, ("soft", "stiff"), passes=2, hold=hold), tmp_path / "plan.json")
    return tmp_path / "plan.json"


def test_questions_name_the_unit_and_the_default(tmp_path, monkeypatch, capsys):
    answers = ("minibus", "soft", "bypass", "", "", "", "", "", "x=+X,y=+Y,z=+Z", "", "")
    monkeypatch.setattr(sys, "stdin", Terminal("".join(f"{answer}\n" for answer in answers)))
    conditions = gather({}, tmp_path)
    assert (conditions.vehicle, conditions.pass_number, conditions.speed_kmh) == ("minibus", 1, None)
    asked = capsys.readouterr().err
    for question in (
        "Vehicle: ",
        "with this part (Enter: 1): ",
        "Target speed, like 40 km/h or 25 mph (Enter: not known): ",
        "2.5, 2.5, 3, 3 bar (Enter: not known): ",
        "like x=+X,y=+Y,z=+Z: ",
        "Air temperature in °C, or with its unit like 54 °F (Enter: not known): ",
        "Notes (Enter: none): ",
        "Press Enter to begin recording, at speed",
    ):
        assert question in asked
    assert all(question in asked for question in QUESTIONS.values())


def test_a_recorded_pass_number_is_pointed_out_with_the_next_free_one(recorded, capsys):
    given = {"vehicle": "minibus", "part": "rubber-bush", "road": "workbench", "mounting": "x=+X,y=+Y,z=+Z"}
    folder = recorded(road="workbench", part="rubber-bush", pass_number=1)
    recorded(road="workbench", part="other", pass_number=2)
    assert gather({**given, "pass_number": 1}, folder).pass_number == 1
    asked = capsys.readouterr().err
    assert asked.startswith("pass 1 of workbench with rubber-bush is recorded already")
    assert "did you mean --pass 2?" in asked
    gather({**given, "pass_number": 2}, folder)
    assert capsys.readouterr().err == ""


def test_a_plan_offers_its_drives_in_order_until_all_are_recorded(plan_path, recorded, tmp_path, capsys):
    plan, folder = read_plan(plan_path), tmp_path / "drives"
    for number, drive in enumerate(plan.drives, start=1):
        offered = next_planned(plan, {}, folder)
        assert (offered["part"], offered["road"], offered["pass_number"]) == (drive.part, drive.road, drive.pass_number)
        assert (
            f"Drive {number} of {len(plan.drives)}: pass {drive.pass_number} of {drive.road}" in capsys.readouterr().err
        )
        offered |= {"vehicle": "minibus", "mounting": "x=+X,y=+Y,z=+Z"}
        assert gather(offered, folder).speed_kmh == plan.speed_kmh(drive.road)
        recorded(**offered, seconds=0.9 if number == 3 else 12.0)
        if number == 3:  # too short for a pass
            assert next_planned(plan, {}, folder)["pass_number"] == drive.pass_number
            capsys.readouterr()
            recorded(**offered, seconds=12.0)
    with pytest.raises(CallError, match="all 8 drives are recorded"):
        next_planned(read_plan(plan_path), {}, folder)


def test_a_planned_drive_can_be_named_and_driven_again(plan_path, recorded, tmp_path):
    plan, named = read_plan(plan_path), {"part": "stiff", "road": "bypass", "pass_number": 2}
    recorded(**named, seconds=12.0, mounting="x=+X,y=+Y,z=+Z")
    assert next_planned(plan, named, tmp_path / "drives").items() >= named.items()
    assert next_planned(plan, {"part": "stiff", "road": "bypass"}, tmp_path / "drives")["pass_number"] == 1
    with pytest.raises(CallError, match=r"the run sheet lists those that are; did you mean 'stiff'\?"):
        next_planned(plan, {"part": "stif"}, tmp_path / "drives")


def test_conditions_of_the_last_drive_are_offered_and_units_are_read(recorded, monkeypatch, capsys):
    folder = recorded(
        vehicle="minibus", part="soft", road="bypass", pass_number=1, mounting="x=+X,y=+Y,z=+Z", box_position="sill"
    )
    answers = ("", "soft", "bypass", "", "fast", "25 mph", "36", "36 psi", "54 F", "", "", "", "")
    monkeypatch.setattr(sys, "stdin", Terminal("".join(f"{answer}\n" for answer in answers)))
    conditions = gather({}, folder)
    assert (conditions.vehicle, conditions.pass_number, conditions.box_position) == ("minibus", 2, "sill")
    assert (conditions.speed_kmh, conditions.tyre_pressures_kpa, conditions.air_temperature_c) == (
        40.2,
        "248, 248, 248, 248",
        12.2,
    )
    asked = capsys.readouterr().err
    assert "'fast' is not a speed" in asked
    assert "give the unit" in asked


def test_offered_values_have_their_unit(recorded, monkeypatch, capsys):
    folder = recorded(tyre_pressures_kpa="250, 250, 300, 300", air_temperature_c=12)
    monkeypatch.setattr(sys, "stdin", Terminal("\n\n"))
    ask_for(["tyre_pressures_kpa", "air_temperature_c"], {}, folder)
    asked = capsys.readouterr().err
    assert "(Enter: 250, 250, 300, 300 kPa): " in asked
    assert "(Enter: 12 °C): " in asked


def test_a_name_similar_to_a_recorded_one_is_pointed_out(recorded, capsys):
    folder = recorded(vehicle="minibus", part="rubber-bush", road="quarry lane", pass_number=1)
    said = {
        "vehicle": "minibus",
        "part": "rubber-bsh",
        "road": "Quarry-Lane",
        "pass_number": 1,
        "mounting": "x=+X,y=+Y,z=+Z",
    }
    gather(said, folder)
    asked = capsys.readouterr().err
    assert "the part 'rubber-bsh' is new, and nearly 'rubber-bush'" in asked
    assert "the road 'Quarry-Lane' is new, and nearly 'quarry lane'" in asked
