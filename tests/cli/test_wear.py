"""`towertap wear` on captures decoded from hand-built frames: folder and archive, answer, JSON and errors."""

from __future__ import annotations

import html
import json
import math
import re
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import h5py
import numpy as np
import pytest
from scipy import stats
from towertap.archive import adding
from towertap.capture.schema import set_attributes, text_attribute

from tests.archives import add
from tests.by_hand import plain_counts, put_counts

DAYS = ("2026-03-14", "2026-05-16", "2026-07-18", "2026-09-19")
"""First fit and three visits, nine weeks apart."""
RISE = 0.30
"""The rough road's level rises per visit by this fraction of the first level; hand-built noise."""
CALL = ("--part", "polyurethane-bush", "--smooth", "bypass")


@pytest.fixture(scope="session")
def garage(tmp_path_factory, by_hand):
    """Raw recordings, sidecars and captures: two passes per visit over a smooth and a rough road, 7 s at 1 kHz.

    Also one pass over each road with another part, before the first fit.
    """
    folder = tmp_path_factory.mktemp("garage")
    rng = np.random.default_rng(31)
    visits = [("rubber-bush", "2026-03-07", 1.0, (1,))]
    visits += [("polyurethane-bush", day, 1 + RISE * number, (1, 2)) for number, day in enumerate(DAYS)]
    for part, day, factor, numbers in visits:
        for number in numbers:
            for road, level, minutes in (("bypass", 20, 0), ("quarry-lane", 200 * factor, 10)):
                nine = datetime.fromisoformat(day).replace(hour=9, tzinfo=UTC)
                began = (nine + timedelta(minutes=minutes + 30 * number)).isoformat()
                said, spread = by_hand.conditions(part, road, number), level * rng.normal(1, 0.01)
                path = folder / f"{road}-{part}-{day}-{number}"
                by_hand.drive(path, rng, spread, said, seconds=7, sidecar={"started_utc": began})
    return folder


@pytest.fixture(scope="session")
def archive(garage, tmp_path_factory):
    """The same recordings in an archive."""
    folder = tmp_path_factory.mktemp("archive")
    for path in adding.recordings_of(garage):
        add(folder, path)
    return folder


@pytest.fixture(scope="session")
def cached_answer():
    """Holds the answer of `answered`, so that it is computed once."""
    return {}


@pytest.fixture
def answered(answer, archive, cached_answer, tmp_path_factory):
    """The JSON answer for the archive, with a report; tests must not change it."""
    if not cached_answer:
        cached_answer.update(answer("wear", archive, *CALL, "--report", tmp_path_factory.mktemp("report")))
    return cached_answer


@pytest.fixture
def changed(garage, tmp_path):
    """A function that copies the captures, applies changes of conditions, and returns the folder of the copies.

    A change is a text in the names of the captures to change, and new conditions, which may include `started_utc`.
    """

    def make(*changes):
        for path in garage.glob("*.h5"):
            with h5py.File(shutil.copy(path, tmp_path), "r+") as file:
                for change in (change for text, change in changes if text in path.name):
                    conditions = json.loads(text_attribute(file, "conditions")) | change
                    start = conditions.pop("started_utc", text_attribute(file, "started_utc"))
                    set_attributes(file, {"conditions": json.dumps(conditions), "started_utc": start})
        return tmp_path

    return make


@pytest.fixture
def damaged(archive, tmp_path):
    """A copy of the archive that a test may damage."""
    return shutil.copytree(archive, tmp_path / "archive")


def test_the_archive_and_the_folder_give_the_same_answer(answer, garage, answered):
    (in_folder,), (in_archive,) = answer("wear", garage, *CALL)["courses"], answered["courses"]
    assert [session["session"] for session in answered["sessions"]] == list(DAYS)
    assert answered["other_captures"] == 2
    assert in_archive["changes"] == in_folder["changes"]
    assert in_archive["trend"] == in_folder["trend"]


def test_a_level_that_rises_per_visit_leaves_the_margin(answered):
    """Hand-built noise of levels 1, 1.3, 1.6 and 1.9, so ratios and slope (scipy) are known."""
    (course,) = answered["courses"]
    assert [change["ratio"] for change in course["changes"]] == pytest.approx([1.3, 1.6, 1.9], rel=0.08)
    assert (course["verdict"], course["outside_since"], course["left"]) == ("harsher", DAYS[1], DAYS[1])
    months = np.arange(4) * 63 / (365.25 / 12)
    slope = stats.linregress(months, np.log([1.0, 1.3, 1.6, 1.9])).slope
    assert course["trend"]["percent_per_month"] == pytest.approx(100 * np.expm1(slope), rel=0.1)
    (check,) = answered["checks"]
    assert check["road"] == "bypass"
    assert all(0.95 < change["ratio"] < 1.05 for change in check["changes"])


def test_the_answer_starts_with_the_current_state(run, archive):
    status, out, error = run("wear", archive, *CALL)
    assert (status, error) == (0, "")
    folded = " ".join(out.split())
    assert folded.startswith(
        "Vertical jerk (how suddenly the force comes) on quarry-lane: harsher than at the first fit, and outside the "
        f"margin of 10 % since {DAYS[1]}; the trend rises, +"
    )
    (row,) = re.findall(r"^ *quarry-lane +(.*)$", out, re.M)
    assert re.match(r"\+\d+ % +\+\d+ to \+\d+ % +\+11\.\d % +\+\S+ to \+\S+ +harsher", row)
    assert re.search(r"bypass, the .*no change", out)
    assert "Vertical jerk on quarry-lane: the line reaches the margin of 10 % on 2026-04-" in folded
    assert "Only the trend compares days with days" in folded
    assert "Not used: 2 captures" in out


def test_full_adds_each_course_in_words_and_by_day(run, archive):
    _, out, _ = run("wear", archive, *CALL, "--full")
    folded = " ".join(out.split())
    for words in ("The line reaches the margin of 10 % on 2026-04-", "each counting once", "as a check", "Trends over"):
        assert words in folded


def test_since_moves_the_first_fit(answer, archive):
    data = answer("wear", archive, *CALL, "--since", DAYS[1])
    assert [session["session"] for session in data["sessions"]] == list(DAYS[1:])
    assert data["courses"][0]["changes"][-1]["ratio"] == pytest.approx(1.9 / 1.3, rel=0.08)


def test_an_altered_capture_is_left_out_and_named(answer, damaged):
    victim = next(damaged.glob(f"quarry-lane_polyurethane*{DAYS[3].replace('-', '')}*"))
    with (victim / "capture.h5").open("r+b") as file:
        file.seek(5000)
        byte = file.read(1)
        file.seek(5000)
        file.write(bytes([byte[0] ^ 1]))
    data = answer("wear", damaged, *CALL, "--since", DAYS[2])
    (left_out,) = data["excluded"]
    assert left_out["capture"] == victim.name
    assert "changed since it was added to the archive" in left_out["reason"]


def test_an_unreadable_record_is_left_out_and_named(answer, damaged):
    victim = next(damaged.glob("quarry-lane_polyurethane*"))
    (victim / "record.json").write_text("{")
    (damaged / "index.json").unlink()
    data = answer("wear", damaged, *CALL, "--since", DAYS[2])
    assert {capture["capture"]: capture["reason"] for capture in data["excluded"]} == {
        victim.name: "its record.json: damaged; restore it from a copy"
    }


def test_an_empty_archive_is_refused(refused, tmp_path):
    error = refused("wear", tmp_path, *CALL)
    assert "no captures" in error
    assert "archive" in error
    assert "no folder" in refused("wear", tmp_path / "none", *CALL)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--part", "wooden-bush", "--smooth", "bypass"), "no capture of the part 'wooden-bush': parts are 'poly"),
        (("--part", "polyurethane-bush", "--smooth", "motorway"), "no capture of the road 'motorway': roads are"),
        ((*CALL, "--vehicle", "lorry"), "no capture of the vehicle 'lorry': vehicles are 'minibus'"),
        ((*CALL, "--since", "14.3.2026"), "14.3.2026"),
        ((*CALL, "--since", "2026-02-30"), "2026-02-30"),
        ((*CALL, "--since", DAYS[-1]), f"driven on one day only since {DAYS[-1]} ({DAYS[-1]}, 4 passes)"),
        ((*CALL, "--since", "2030-01-01"), "no drive with 'polyurethane-bush' since 2030-01-01 can be used"),
        (("--part", "rubber-bush", "--smooth", "bypass"), "driven on one day only (2026-03-07, 2 passes)"),
        ((*CALL, "--since", DAYS[2], "--margin", "150"), "a margin of 150 % is impossible"),
        ((*CALL, "--since", DAYS[2], "--margin", "nan"), "--margin: nan is not a finite number"),
        ((*CALL, "--since", DAYS[2], "--metric", "comfort"), "no metric 'comfort'"),
        (("--part", "polyurethane-bush"), "--smooth"),
    ],
)
def test_a_wrong_call_is_one_line_and_status_2(refused, archive, words, says):
    assert says in refused("wear", archive, *words, "--json")


@pytest.mark.parametrize(
    ("vehicle", "says"),
    [
        ("lorry", "driven on more than one vehicle ('lorry', 'minibus'): choose one with --vehicle"),
        (
            "",
            "driven on more than one vehicle ('minibus' and captures that do not say which): choose one with --vehicle",
        ),
    ],
)
def test_two_vehicles_are_refused_until_one_is_named(refused, answer, changed, vehicle, says):
    folder = changed((f"polyurethane-bush-{DAYS[1]}", {"vehicle": vehicle}))
    assert says in refused("wear", folder, *CALL)
    sessions = answer("wear", folder, *CALL, "--vehicle", "minibus", "--since", DAYS[1])["sessions"]
    assert [session["session"] for session in sessions] == list(DAYS[2:])


def test_a_vehicle_that_drove_another_part_only_is_refused(refused, changed):
    folder = changed(("rubber-bush", {"vehicle": "lorry"}))
    error = refused("wear", folder, *CALL, "--vehicle", "lorry")
    assert "these passes were not driven on 'lorry', but on 'minibus'" in error


def test_a_struck_out_capture_does_not_count_as_a_second_box(run, answer, changed):
    folder = changed(("", {"box_position": "sill"}), (f"{DAYS[2]}-2", {"box_position": "arm"}))
    at_arm = sorted(folder.glob(f"*{DAYS[2]}-2.h5"))
    for path in at_arm:
        assert run("drop", path, "--reason", "recorded twice")[0] == 0
    left_out = {capture["capture"] for capture in answer("wear", folder, *CALL)["excluded"]}
    assert left_out == {path.stem for path in at_arm}


def test_two_box_positions_on_a_day_are_refused_until_one_is_named(refused, answer, changed):
    folder = changed(("", {"box_position": "sill"}), (f"{DAYS[2]}-2", {"box_position": "arm"}))
    words = f"on {DAYS[2]} there were boxes at more than one position ('arm', 'sill'): choose one with --position"
    assert words in refused("wear", folder, *CALL)
    error = refused("wear", folder, *CALL, "--position", "roof")
    assert "no capture of the box position 'roof'" in error
    assert "'arm', 'sill'" in error
    sessions = answer("wear", folder, *CALL, "--since", DAYS[2], "--position", "sill")["sessions"]
    assert [session["passes"] for session in sessions] == [2, 4]


def test_another_part_between_two_sessions_is_reported_as_a_refit(answer, changed, answered):
    """The answer is given with a warning. Another part before the first fit is no refit."""
    words = "also driven with 'rubber-bush', so 'polyurethane-bush' was removed and refitted"
    assert not any(words in caution["words"] for caution in answered["cautions"])
    folder = changed(("rubber-bush", {"started_utc": "2026-08-01T09:00:00+00:00"}))
    data = answer("wear", folder, *CALL, "--since", DAYS[2])
    assert any(words in caution["words"] for caution in data["cautions"])


@pytest.mark.parametrize("year", ["2001", "2043"])
def test_a_session_with_a_date_that_cannot_be_is_left_out_and_named(answer, changed, year):
    folder = changed((f"-bush-{DAYS[3]}", {"started_utc": f"{year}{DAYS[3][4:]}T09:00:00+00:00"}))
    data = answer("wear", folder, *CALL)
    assert [session["session"] for session in data["sessions"]] == list(DAYS[:3])
    assert {left_out["capture"][-12:-2] for left_out in data["excluded"]} == {DAYS[3]}
    assert all(f"the date {year}{DAYS[3][4:]} is" in left_out["reason"] for left_out in data["excluded"])


def test_a_part_nearly_alike_is_left_out_with_its_name_and_is_no_refit(answer, refused, changed):
    folder = changed((f"-bush-{DAYS[1]}", {"part": "Polyurethane bush"}))
    data = answer("wear", folder, *CALL)
    words = " ".join(caution["words"] for caution in data["cautions"])
    assert "'polyurethane-bush' and 'Polyurethane bush' are nearly one name" in words
    assert "refitted" not in words
    assert {left_out["capture"][-12:-2] for left_out in data["excluded"]} == {DAYS[1]}
    changed(*((f"-bush-{day}", {"part": "Polyurethane bush"}) for day in DAYS[2:]))
    assert "which is nearly 'polyurethane-bush'" in refused("wear", folder, *CALL, "--since", DAYS[1])


def test_a_box_that_leans_otherwise_in_a_later_session_gets_a_caution(answer, changed, answered):
    """8° is inside the 15° that a declared mounting may be off, so every capture stays sound."""
    assert not any("Gravity lies" in caution["words"] for caution in answered["cautions"])
    folder = changed()
    for path in folder.glob(f"*-bush-{DAYS[2]}*.h5"):
        with h5py.File(path, "r+") as file:
            counts = plain_counts(file, "acceleration")
            counts[:, 0] += round(2048 * math.tan(math.radians(8)))
            put_counts(file, "acceleration", counts)
    words = f"Gravity lies up to 8° from its direction in the first session ({DAYS[2]}; limit 3°)"
    assert any(words in caution["words"] for caution in answer("wear", folder, *CALL)["cautions"])


def test_the_report_is_written_and_named(answered):
    page = Path(answered["report"])
    assert page.name == "wear.html"
    text = html.unescape(page.read_text("utf-8")).replace("\u00a0", " ")
    for words in (
        answered["summary"],
        answered["courses"][0]["words"],
        answered["checks"][0]["words"],
        *(caution["words"] for caution in answered["cautions"]),
    ):
        assert words in text
    assert page.read_text("utf-8").count("<svg ") == 2
    assert not re.search(r'(src|href)="(?!#|data[:/])', text)
    assert (page.parent / "pictures" / "wear_1_1.png").read_bytes().startswith(b"\x89PNG")


def test_names_from_a_capture_are_text_on_the_page(run, tmp_path, by_hand):
    """Markup in the name of a part or road is escaped."""
    part, road = "<b>bush</b>", "<i>lane</i> & $x_"
    rng = np.random.default_rng(5)
    for day in DAYS[:2]:
        for name, level in (("bypass", 20), (road, 200)):
            for number in (1, 2):
                said, spread = by_hand.conditions(part, name, number), level * rng.normal(1, 0.01)
                began = {"started_utc": f"{day}T10:0{number}:00+00:00"}
                by_hand.drive(tmp_path / f"{level}-{day}-{number}", rng, spread, said, seconds=7, sidecar=began)
    status, _, error = run("wear", tmp_path, "--part", part, "--smooth", "bypass", "--report", tmp_path / "out")
    assert (status, error) == (0, "")
    page = (tmp_path / "out" / "wear.html").read_text("utf-8")
    assert part not in page
    assert road not in page
    assert html.escape(part) in page


def test_a_recording_that_the_archive_lost_is_named(answer, damaged):
    victim = next(damaged.glob(f"quarry-lane_polyurethane*{DAYS[3].replace('-', '')}*"))
    shutil.rmtree(victim)
    data = answer("wear", damaged, *CALL)
    assert any(victim.name in str(entry) and "its folder is gone" in str(entry) for entry in data["excluded"])
