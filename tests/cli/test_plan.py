"""`towertap plan` and `compare --plan`: what they print and write, and what they refuse."""

from __future__ import annotations

import io
import json
import shlex
import sys
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from towertap.compare.plan.plan import read_plan
from towertap.compare.stats.power import difference_power, given_spread

CALL = (
    *("--vehicle", "minibus", "--before", "soft", "--after", "stiff", "--smooth", "bypass=40"),
    *("--road", "quarry-lane=40", "--road", "moor-road=40"),
    *("--mounting", "x=+X,y=+Y,z=+Z"),
)


class Page(HTMLParser):
    """Counts what of a page is tested."""

    def __init__(self, text):
        super().__init__()
        self.rows, self.outside = 0, []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.rows += tag == "tr"
        self.outside += [value for name, value in attrs if name in ("src", "href")]


def test_plan_and_run_sheet_are_written_and_told(run, tmp_path):
    status, out, err = run("plan", tmp_path / "p", *CALL, "--spread", "4", "--seed", "3", "--json")
    data = json.loads(out)
    assert (status, err) == (0, "")
    plan = read_plan(tmp_path / "p" / "plan.json")
    assert data["plan"] == json.loads(json.dumps(plan.to_dict()))
    assert (plan.seed, plan.blocks, plan.margin) == (3, 2, 0.1)
    assert plan.passes == data["passes"] == 6
    assert data["strength"]["difference"] == pytest.approx(
        difference_power(1.1, given_spread(0.04).value, 6, 0.05 / 2, blocks=2), rel=1e-6
    )
    assert [(order["blocks"], order["changes"]) for order in data["orders"]][:2] == [(1, 1), (2, 2)]


def test_the_run_sheet_has_a_line_for_every_drive_and_needs_no_other_file(run, tmp_path):
    run("plan", tmp_path, *CALL, "--spread", "4", "--question", "Is <it> harsher?", "--air-temperature-c", "5", "12")
    plan = read_plan(tmp_path / "plan.json")
    html = (tmp_path / "run_sheet.html").read_text("utf-8")
    page = Page(html)
    assert page.rows == len(plan.drives) + len(plan.installations) + 1  # and the head
    assert page.outside == []
    assert "Is &lt;it&gt; harsher?" in html
    text = (tmp_path / "run_sheet.txt").read_text("utf-8")
    assert sum(line.startswith("[ ]") and " pass " in line for line in text.splitlines()) == len(plan.drives)
    for told in ("Is <it> harsher?", "CAUTIONS", "air 5 to 12 °C", "INSTALLATION 3 OF 3: soft"):
        assert told in text


def test_the_run_sheet_says_how_to_record_with_names_that_a_shell_reads_back(run, tmp_path):
    words = ("--before", "it's a soft bush", "--road", "the lane=40")
    run("plan", tmp_path, *CALL, *words, "--spread", "4", "--seed", "3")
    drive = read_plan(tmp_path / "plan.json").drives[0]
    commands = [
        line for line in (tmp_path / "run_sheet.txt").read_text("utf-8").splitlines() if "towertap record" in line
    ]
    assert [shlex.split(command)[6:] for command in commands] == [
        [],
        ["--part", "it's a soft bush", "--road", drive.road, "--pass", "1"],
    ]


def test_people_are_told_passes_power_and_orders(run, tmp_path):
    status, out, _ = run("plan", tmp_path, *CALL, "--spread", "4", "--blocks", "1")
    assert status == 0
    for words in ("no protection", "What more passes give", "--plan"):
        assert words in out


def test_a_pilot_gives_the_spread_and_its_uncertainty(run, tmp_path, drive_folder):
    """Passes of the folder stray by about 1 %; two passes in each of four groups leave 4 degrees of freedom."""
    status, out, err = run("plan", tmp_path, *CALL, "--pilot", drive_folder, "--metric", "acceleration_z", "--json")
    assert status == 0, err
    spread = json.loads(out)["spread"]
    assert spread["df"] == 4
    assert 0.001 < spread["cv"] < 0.03
    # 1.649 is the lower 20 % point of chi-square with 4 degrees of freedom in printed tables.
    assert spread["cv_upper"] == pytest.approx(spread["cv"] * (4 / 1.649) ** 0.5, rel=1e-3)


class Terminal(io.StringIO):
    """Standard input at which a person sits."""

    def isatty(self):
        return True


def test_what_is_not_given_is_asked_for_on_a_terminal(run, tmp_path, monkeypatch):
    answers = ("minibus", "soft", "stiff", "bypass=80", "quarry-lane=40 moor-road=50", "4", "12")
    monkeypatch.setattr(sys, "stdin", Terminal("".join(f"{answer}\n" for answer in answers)))
    status, _, err = run("plan", tmp_path, "--json")
    assert status == 0, err
    plan = read_plan(tmp_path / "plan.json")
    assert (plan.vehicle, plan.before, plan.after, plan.smooth) == ("minibus", "soft", "stiff", "bypass")
    assert {road.name: road.speed_kmh for road in plan.roads} == {"bypass": 80, "quarry-lane": 40, "moor-road": 50}
    assert (plan.spread_cv, plan.margin) == (pytest.approx(0.04), 0.12)
    assert "felt" not in err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--vehicle", "minibus"), "--before, --after, --smooth, --road, --pilot or --spread"),
        ((*CALL, "--passes", "2"), "--pilot or --spread; give them as options (the spread, how far passes"),
        ((*CALL, "--spread", "4", "--pilot", "x"), "either --spread or --pilot"),
        ((*CALL, "--spread", "0"), "between 0 and 100"),
        ((*CALL, "--spread", "nan"), "--spread: nan is no finite number"),
        ((*CALL, "--pilot", "nowhere"), "no captures"),
        ((*CALL, "--spread", "4", "--margin", "0"), "margin must lie between 0 and 100 %, not 0 %"),
        ((*CALL, "--spread", "4", "--power", "100"), "power must lie between 0 and 100 %, not 100 %"),
        ((*CALL, "--spread", "4", "--margin", "nan"), "--margin: nan is no finite number"),
        ((*CALL, "--spread", "4", "--passes", "1"), "1 is not in the range x>=2"),
        ((*CALL, "--spread", "4", "--mounting", "x=+X,y=+X,z=+Z"), "uses one chip axis twice"),
        ((*CALL, "--spread", "4", "--tyre-pressures-kpa", "2.5,2.5"), "must be four numbers from 50 to 1200"),
        ((*CALL, "--spread", "60", "--margin", "5"), "100 passes a side would not do"),
        ((*CALL, "--spread", "4", "--passes", "5"), "multiple of 2"),
        ((*CALL, "--spread", "4", "--road", "lane"), "say NAME=KMH"),
        ((*CALL, "--spread", "4", "--road", "lane=fast"), "say NAME=KMH"),
        ((*CALL, "--spread", "4", "--road", "bypass=40"), "named twice"),
        ((*CALL, "--spread", "4", "--metric", "vdv_z"), "is not one of"),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(run, tmp_path, words, says):
    status, out, err = run("plan", tmp_path / "p", *words, "--json")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert says in err
    assert not (tmp_path / "p").exists()


def test_a_plan_without_a_mounting_warns_and_so_does_its_run_sheet(run, tmp_path):
    status, _, err = run("plan", tmp_path / "with", *CALL, "--spread", "4")
    assert (status, err) == (0, "")
    status, _, err = run("plan", tmp_path / "without", *CALL[:-2], "--spread", "4")
    assert status == 0
    assert err.startswith("Beware: the plan does not say how the box is mounted")
    sheets = [(tmp_path / name / "run_sheet.txt").read_text("utf-8") for name in ("with", "without")]
    assert ["how the box is mounted" in sheet for sheet in sheets] == [False, True]


def test_a_folder_that_cannot_be_made_is_refused_with_what_to_do(run, tmp_path):
    (tmp_path / "file").touch()
    status, out, err = run("plan", tmp_path / "file" / "p", *CALL, "--spread", "4")
    assert (status, out, err.count("\n"), "name another folder" in err) == (2, "", 1, True)


def test_a_plan_is_not_written_over(run, tmp_path):
    run("plan", tmp_path, *CALL, "--spread", "4")
    status, _, err = run("plan", tmp_path, *CALL, "--spread", "4", "--margin", "15")
    assert status == 2
    assert "not changed afterwards" in err
    assert read_plan(tmp_path / "plan.json").margin == 0.1


@pytest.fixture
def planned(run, tmp_path):
    """A plan of two passes for the folder of drives."""
    run("plan", tmp_path, *CALL, "--spread", "2", "--passes", "2", "--metric", "acceleration_z", "--margin", "12")
    return tmp_path / "plan.json"


def test_compare_takes_parts_margin_and_metrics_from_the_plan_and_tells_departures(run, planned, drive_folder):
    status, out, err = run("compare", drive_folder, "--plan", planned, "--json")
    assert (status, err) == (0, "")
    data = json.loads(out)
    assert (data["before"], data["after"], data["smooth"], data["margin"]) == ("soft", "stiff", "bypass", 0.12)
    assert {finding["metric"] for finding in data["findings"]} == {"acceleration_z"}
    assert data["plan"]["question"] == read_plan(planned).question
    assert [departure["kind"] for departure in data["departures"]] == ["order"]
    assert "do not say when they began" in data["departures"][0]["words"]


def test_what_the_options_change_is_told_as_chosen_afterwards(run, planned, drive_folder):
    status, out, _ = run(
        "compare",
        drive_folder,
        *("--plan", planned, "--margin", "20", "--metric", "acceleration_z", "--metric", "jerk_z", "--full"),
    )
    folded = " ".join(out.split())
    assert status == 0
    assert "Not as planned: the margin is 20 %, and 12 % was planned" in folded
    assert "Not as planned: vertical jerk was not planned: it may have been chosen after seeing the data" in folded
    assert "Vertical acceleration: Margin not as planned" in folded
    assert "Vertical jerk: Margin and metric not as planned" in folded


def test_compare_refuses_what_is_no_plan_in_one_line(run, tmp_path, drive_folder):
    (tmp_path / "bad.json").write_text("{}", "utf-8")
    for path, says in ((tmp_path / "bad.json", "not a plan"), (tmp_path / "none.json", "`towertap plan` wrote")):
        status, out, err = run("compare", drive_folder, "--plan", path)
        assert (status, out, err.count("\n")) == (2, "", 1)
        assert says in err


def test_a_plan_for_other_parts_is_refused_by_the_names_of_the_captures(run, planned, drive_folder):
    other = replace(
        read_plan(planned),
        after="hard",
        drives=tuple(
            replace(drive, part="hard") if drive.part == "stiff" else drive for drive in read_plan(planned).drives
        ),
    )
    planned.write_text(json.dumps(other.to_dict()), "utf-8")
    status, _, err = run("compare", drive_folder, "--plan", planned)
    assert (status, "parts are 'soft', 'stiff'" in err) == (2, True)
