"""`towertap plan` and `compare --plan`: output, files and errors."""

from __future__ import annotations

import io
import json
import shlex
import sys
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from towertap.compare.controls import Control, ControlValue, write_control
from towertap.compare.plan.plan import read_plan

CALL = (
    *("--vehicle", "minibus", "--before", "soft", "--after", "stiff", "--smooth", "bypass=40"),
    *("--road", "quarry-lane=40", "--road", "moor-road=40"),
    *("--mounting", "x=+X,y=+Y,z=+Z"),
)


class Page(HTMLParser):
    """Counts table rows and collects links."""

    def __init__(self, text):
        super().__init__()
        self.rows, self.outside = 0, []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.rows += tag == "tr"
        self.outside += [value for name, value in attrs if name in ("src", "href")]


def test_the_plan_is_written_and_reported(answer, tmp_path):
    data = answer("plan", tmp_path / "p", *CALL, "--spread", "4", "--seed", "3")
    plan = read_plan(tmp_path / "p" / "plan.json")
    assert data["plan"] == json.loads(json.dumps(plan.to_dict()))
    assert (plan.seed, plan.design, plan.margin) == (3, "AB|B'A", 0.1)
    assert plan.passes == data["passes"] == 8
    assert data["reach"]["part"]["told"][data["reach"]["changes"].index(0.1)] >= 0.8 > 0.7
    about_the_part = {design["planned"]["order"]: design["part"]["equivalent"] for design in data["designs"]}
    assert about_the_part["A;B"] == 0
    assert data["installation"]["source"] == data["day"]["source"] == "assumed"


def test_the_text_compares_designs_and_says_what_to_do_next(run, tmp_path):
    status, out, _ = run("plan", tmp_path / "p", *CALL, "--spread", "4")
    assert status == 0
    text = " ".join(out.split())
    for words in (
        "AB|B'A ← 48 3 1",
        "A;B 48 1 2",
        "A;B cannot answer whether a change of 10 % is the part's or the day's; it can rarely show equivalence",
        f"drive towertap record --plan {tmp_path / 'p' / 'plan.json'} --out drives after",
        f"after the last drive towertap compare drives --plan {tmp_path / 'p' / 'plan.json'}",
    ):
        assert words in text


def test_on_80_columns_no_cell_of_the_designs_is_folded(run, tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    out = run("plan", tmp_path / "p", *CALL, "--spread", "4", "--margin", "12")[1]
    table = out[out.index("About the part: how often") :].split("\n")[1:-1]
    rows = [line for line in table if line.endswith(" % ")]
    assert len(rows) == 10
    assert all(len(line) <= 80 and len(line.replace("←", "").split()) == 16 for line in rows)


def test_an_impossibly_small_spread_is_questioned(refused, tmp_path):
    err = refused("plan", tmp_path / "p", *CALL, "--spread", "0.04")
    assert "--spread is in percent, and passes differ by more than 0.04 %; did you mean 4?" in err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--passes", "2"), "--passes 44 --design four-blocks."),
        (("--spread", "40", "--passes", "2"), "no design of up to 48 passes is enough."),
        (("--spread", "4", "--design", "A;B"), "--passes 8 --design there-and-back-anew, or a change of 20 %."),
    ],
)
def test_a_plan_with_little_power_warns_first_and_says_what_would_help(run, tmp_path, words, says):
    out = run("plan", tmp_path / "p", *CALL, "--spread", "12", *words)[1].splitlines()
    assert out[1].startswith("Caution: this plan will most likely find nothing. A change of 10 % shows in ")
    assert "For 80 % it takes " in out[1]
    assert out[1].endswith(says)
    out = run("plan", tmp_path / "q", *CALL, "--spread", "4", "--control", "refit", "--passes", "2")[1]
    assert "Caution" not in out


def test_controls_are_taken_from_the_bench_folder_that_is_set(answer, tmp_path, monkeypatch):
    """Four refit and four day controls with equal results: far less than the 3 % that is otherwise assumed."""
    for kind in ("refit", "day"):
        for number in range(4):
            value = ControlValue("vertical jerk", 1.0, (0.98, 1.02), (0.985, 1.015), "equivalent", 0.01**2)
            date, captures = f"2026-05-0{number + 1}", (f"{kind}-{number}",)
            write_control(Control(kind, "minibus", "soft", "again", date, 0.1, captures, {"jerk_z": value}), tmp_path)
    monkeypatch.setenv("TOWERTAP_BENCH", str(tmp_path))
    data = answer("plan", tmp_path / "p", *CALL, "--spread", "4")
    for spread in (data["installation"], data["day"]):
        assert (spread["source"], spread["df"], spread["sd"]) == ("controls", 4, pytest.approx(0.01))
    assert data["plan"]["design"] == "AB|BA"


def test_a_control_gets_its_own_design_and_folder(run, tmp_path):
    status, out, _ = run("plan", tmp_path / "p", *CALL[:4], *CALL[6:], "--control", "refit", "--spread", "2")
    assert status == 0
    plan = read_plan(tmp_path / "p" / "plan.json")
    assert (plan.control, plan.design, plan.after) == ("refit", "AB", "soft-refitted")
    assert "towertap compare refit-control --plan" in out
    assert "--bench drives/bench" in out


@pytest.mark.parametrize(
    ("kind", "design", "says"),
    [
        ("refit", "A;B", "a refit control is driven on one day, not as A;B"),
        ("day", "AB", "a no-change day has each side on its own days, as A;B, not as AB"),
        ("day", "AB;BA", "each side on its own days"),
    ],
)
def test_a_control_that_compare_would_refuse_is_not_planned(refused, tmp_path, kind, design, says):
    call = (*CALL[:4], *CALL[6:], "--control", kind, "--spread", "2", "--passes", "4", "--design", design)
    assert says in refused("plan", tmp_path / "p", *call)


def test_the_run_sheet_has_a_line_for_every_drive_and_needs_no_other_file(run, tmp_path):
    run("plan", tmp_path, *CALL, "--spread", "4", "--question", "Is <it> harsher?", "--air-temperature-c", "5", "12")
    plan = read_plan(tmp_path / "plan.json")
    html = (tmp_path / "run_sheet.html").read_text("utf-8")
    page = Page(html)
    assert page.rows == len(plan.drives) + 4 + 1, "one more for each installation, and the header"
    assert page.outside == []
    assert "Is &lt;it&gt; harsher?" in html
    text = (tmp_path / "run_sheet.txt").read_text("utf-8")
    assert sum(line.startswith("[ ]") and " pass " in line for line in text.splitlines()) == len(plan.drives)
    for words in ("Is <it> harsher?", "CAUTIONS", "air 5 to 12 °C", "INSTALLATION 4 OF 4: soft"):
        assert words in text
    (first,) = (line for line in text.splitlines() if line.startswith("[ ] fitted"))
    checks = [text.index(f"\n{check}") for check in ("torques", "tyres", "driven in", "box", "warm")]
    assert checks == sorted(checks), "pressures are set cold, before the car is driven in"
    assert first.split("[ ]")[2].strip() == "torques"


def test_the_designs_are_shown_with_their_names(run, tmp_path):
    _, out, _ = run("plan", tmp_path, *CALL, "--spread", "4")
    assert "Names for --design: A;B is a-day-each, AB is one-change," in " ".join(out.split())


def test_the_run_sheet_says_how_to_record_with_names_that_a_shell_reads_back(run, tmp_path):
    words = ("--before", "it's a soft bush", "--road", "the lane=40")
    run("plan", tmp_path, *CALL, *words, "--spread", "4", "--seed", "3")
    drive = read_plan(tmp_path / "plan.json").drives[0]
    head = ["towertap", "record", "--plan", str(tmp_path / "plan.json"), "--out", "drives"]
    commands = [
        line for line in (tmp_path / "run_sheet.txt").read_text("utf-8").splitlines() if "towertap record" in line
    ]
    assert [shlex.split(command[command.index("towertap") :]) for command in commands] == [
        head,
        [*head, "--part", "it's a soft bush", "--road", drive.road, "--pass", "1"],
    ]


def test_a_pilot_gives_the_spread_and_its_uncertainty(answer, tmp_path, drive_folder):
    """Passes of the folder vary by about 1 %; two passes in each of four groups leave 4 degrees of freedom."""
    spread = answer("plan", tmp_path, *CALL, "--pilot", drive_folder, "--metric", "acceleration_z")["spread"]
    assert spread["df"] == 4
    assert 0.001 < spread["sd"] < 0.03
    # 3.357 is the median of chi-square with 4 degrees of freedom in printed tables.
    assert spread["planned"] == pytest.approx(spread["sd"] * (4 / 3.357) ** 0.5, rel=1e-3)


class Terminal(io.StringIO):
    """Standard input of a terminal."""

    def isatty(self):
        return True


@pytest.fixture
def user_types(monkeypatch):
    """A function that simulates a user with these answers at the terminal."""
    return lambda *answers: monkeypatch.setattr(sys, "stdin", Terminal("".join(f"{answer}\n" for answer in answers)))


def test_what_is_not_given_is_asked_for_on_a_terminal(run, tmp_path, user_types):
    """Names with spaces, units as people type them, and the conditions that `record` would ask for."""
    roads = "bypass=50 mph", "quarry lane=40, moor road = 50"
    user_types("minibus", "soft bush", "stiff", *roads, "4", "12", "x=+X,y=+Y,z=+Z", "sill, left", "2.5, 2.5, 3, 3 bar")
    status, _, err = run("plan", tmp_path, "--json")
    assert status == 0, err
    plan = read_plan(tmp_path / "plan.json")
    assert (plan.vehicle, plan.before, plan.after, plan.smooth) == ("minibus", "soft bush", "stiff", "bypass")
    assert {road.name: road.speed_kmh for road in plan.roads} == {"bypass": 80.5, "quarry lane": 40, "moor road": 50}
    assert (plan.hold.mounting, plan.hold.box_position) == ("x=+X,y=+Y,z=+Z", "sill, left")
    assert plan.hold.tyre_pressures_kpa == "250, 250, 300, 300"
    assert plan.margin == 0.12
    assert "felt" not in err
    assert "Caution" not in err


def test_an_invalid_answer_is_asked_for_again(run, tmp_path, user_types):
    user_types(
        *("minibus", "soft", "soft", "stiff", "bypass", "bypass=fast", "bypass=80", "bypass=40", "lane=40"),
        *("many", "120", "", "", "x=up", "", "", "2 bar, 3", "36 psi"),
    )
    status, _, err = run("plan", tmp_path, "--json")
    assert status == 0, err
    plan = read_plan(tmp_path / "plan.json")
    assert ([road.name for road in plan.roads], plan.after, plan.margin) == (["lane", "bypass"], "stiff", 0.1)
    assert plan.spread == 0.04
    assert plan.hold.tyre_pressures_kpa == "248, 248, 248, 248"
    for words in (
        "two parts are named 'soft': give each a name of its own",
        "'bypass' is no road with a speed",
        "'fast' is not a speed",
        "two roads are named 'bypass'",
        "'many' is not a percentage",
        "120 % is out of range",
        "'2 bar, 3' is not one tyre pressure or four",
    ):
        assert words in err
    assert err.count("Error: ") == 8


def test_what_is_given_is_refused_before_anything_is_asked(run, tmp_path, user_types):
    user_types("minibus")
    status, _, err = run("plan", tmp_path, "--before", "soft", "--after", "soft")
    assert (status, err.count("\n"), "two parts are named" in err) == (2, 1, True)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--vehicle", "minibus"), "--before, --after, --smooth, --road, --pilot or --spread"),
        ((*CALL, "--passes", "2"), "--pilot or --spread; give them as options (the spread is how far passes"),
        ((*CALL, "--spread", "4", "--pilot", "x"), "either --spread or --pilot"),
        ((*CALL, "--spread", "0"), "between 0 and 100"),
        ((*CALL, "--spread", "nan"), "nan % is out of range: give a number between 0 and 100"),
        ((*CALL, "--pilot", "nowhere"), "no folder 'nowhere'"),
        ((*CALL, "--spread", "4", "--margin", "0"), "0 % is out of range: give a number between 0 and 100"),
        ((*CALL, "--spread", "4", "--power", "100"), "100 % is out of range: give a number between 0 and 100"),
        ((*CALL, "--spread", "4", "--margin", "ten"), "'ten' is not a percentage"),
        ((*CALL, "--spread", "4", "--refit-sd", "-1"), "-1 % is out of range"),
        ((*CALL, "--spread", "4", "--design", "BA"), "'BA' is no design"),
        ((*CALL, "--spread", "4", "--design", "ABA"), "as many stretches"),
        ((*CALL, "--spread", "4", "--passes", "1"), "1 is not in the range 2<=x<=500"),
        ((*CALL, "--spread", "4", "--mounting", "x=+X,y=+X,z=+Z"), "uses one chip axis twice"),
        ((*CALL, "--spread", "4", "--tyre-pressures", "2.5,2.5"), "not one tyre pressure or four"),
        ((*CALL, "--spread", "60", "--margin", "5"), "even 48 passes per side would not do"),
        ((*CALL, "--spread", "4", "--passes", "5"), "multiple of 2"),
        ((*CALL, "--spread", "4", "--road", "lane"), "give NAME=SPEED"),
        ((*CALL, "--spread", "4", "--road", "lane=fast"), "'fast' is not a speed"),
        ((*CALL, "--spread", "4", "--road", "bypass=40"), "two roads are named 'bypass'"),
        ((*CALL, "--spread", "4", "--metric", "vdv_z"), "is not one of"),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(refused, tmp_path, words, says):
    err = refused("plan", tmp_path / "p", *words, "--json")
    assert says in err
    assert not (tmp_path / "p").exists()


def test_a_plan_without_a_mounting_warns_and_so_does_its_run_sheet(run, tmp_path):
    status, _, err = run("plan", tmp_path / "with", *CALL, "--spread", "4")
    assert (status, err) == (0, "")
    status, _, err = run("plan", tmp_path / "without", *CALL[:-2], "--spread", "4")
    assert status == 0
    assert err.startswith("Caution: the plan does not say how the box is mounted")
    sheets = [(tmp_path / name / "run_sheet.txt").read_text("utf-8") for name in ("with", "without")]
    assert ["how the box is mounted" in sheet for sheet in sheets] == [False, True]


def test_a_folder_that_cannot_be_created_is_refused_with_what_to_do(run, tmp_path):
    (tmp_path / "file").touch()
    status, out, err = run("plan", tmp_path / "file" / "p", *CALL, "--spread", "4")
    assert (status, out, err.count("\n"), "name another folder" in err) == (2, "", 1, True)


def test_a_plan_is_not_overwritten(run, tmp_path, refused):
    run("plan", tmp_path, *CALL, "--spread", "4")
    err = refused("plan", tmp_path, *CALL, "--spread", "4", "--margin", "15")
    assert "not changed afterwards" in err
    assert read_plan(tmp_path / "plan.json").margin == 0.1


@pytest.fixture
def planned(run, tmp_path):
    """A plan of two passes for the folder of drives."""
    run("plan", tmp_path, *CALL, "--spread", "2", "--passes", "2", "--metric", "acceleration_z", "--margin", "12")
    return tmp_path / "plan.json"


def test_compare_takes_parts_margin_and_metrics_from_the_plan_and_reports_departures(answer, planned, drive_folder):
    data = answer("compare", drive_folder, "--plan", planned)
    assert (data["before"], data["after"], data["smooth"], data["margin"]) == ("soft", "stiff", "bypass", 0.12)
    assert {finding["metric"] for finding in data["findings"]} == {"acceleration_z"}
    assert data["plan"]["question"] == read_plan(planned).question
    assert [departure["kind"] for departure in data["departures"]] == ["order"]
    assert "do not say when they began" in data["departures"][0]["words"]


def test_options_that_override_the_plan_are_reported_as_departures(run, planned, drive_folder):
    status, out, _ = run(
        "compare", drive_folder, "--plan", planned, "--margin", "20", "--metric", "acceleration_z", "--metric", "jerk_z"
    )
    assert status == 0
    text = " ".join(out.replace("\u00a0", " ").split())
    assert "Not as planned in 3 points" in text
    assert "so a lead and not a decision: the margin is 20 %, and 12 % was planned; vertical jerk" in text


def test_compare_refuses_a_file_that_is_no_plan(refused, tmp_path, drive_folder):
    (tmp_path / "bad.json").write_text("{}", "utf-8")
    for path, says in ((tmp_path / "bad.json", "not a plan"), (tmp_path / "none.json", "`towertap plan` wrote")):
        err = refused("compare", drive_folder, "--plan", path)
        assert says in err


def test_a_plan_for_other_parts_is_refused_with_the_parts_of_the_captures(run, planned, drive_folder):
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
