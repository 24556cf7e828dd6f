"""`towertap wear` counts days in the driver's local time, by the UTC offset in the capture."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta

import h5py
import numpy as np
import pytest
from towertap.archive import adding
from towertap.capture.schema import set_attributes, text_attribute
from towertap.wear import follow
from towertap.wear.drives import load_sessions
from towertap.wear.report import write_wear

from tests.archives import add

CALL = ("--part", "polyurethane-bush", "--smooth", "bypass")
STARTS = ("2026-03-01T09:00:00+10:00", "2026-05-04T08:00:00+10:00", "2026-07-01T23:50:00+10:00")
"""Times at UTC+10. In UTC the second day began on 3 May; local midnight divides the passes of the third."""
MINUTES = timedelta(minutes=20)


@pytest.fixture(scope="session", params=["in UTC, and the offset beside it", "with its offset"])
def far_east(request, tmp_path_factory, by_hand):
    """Captures of three days: each a pass over the smooth road, and one over a rough road 20 minutes later.

    Their times are written as the recorder writes them, or as another program may.
    """
    folder = tmp_path_factory.mktemp("drives")
    rng = np.random.default_rng(8)
    for number, start in enumerate(map(datetime.fromisoformat, STARTS), start=1):
        for road, level, began in (("bypass", 20, start), ("quarry-lane", 200, start + MINUTES)):
            said = by_hand.conditions("polyurethane-bush", road, number)
            when = {"started_utc": began.isoformat()}
            if request.param != "with its offset":
                when = {"started_utc": began.astimezone(UTC).isoformat(), "utc_offset_s": 36_000}
            by_hand.drive(folder / f"{road}-{number}", rng, level, said, seconds=7, sidecar=when)
    return folder


def days_of(answer):
    return [(session["session"], session["passes"]) for session in answer["sessions"]]


def test_a_day_has_its_local_date_and_midnight_does_not_divide_it(answer, far_east):
    assert days_of(answer("wear", far_east, *CALL)) == [("2026-03-01", 2), ("2026-05-04", 2), ("2026-07-01", 2)]


def test_since_keeps_the_morning_of_its_day(run, answer, far_east):
    assert days_of(answer("wear", far_east, *CALL, "--since", "2026-05-04")) == [("2026-05-04", 2), ("2026-07-01", 2)]
    status, _, error = run("wear", far_east, *CALL, "--since", "2026-05-05")
    assert (status, "one day only since 2026-05-05 (2026-07-01, 2 passes)" in error) == (2, True)


def test_an_archive_keeps_the_local_date(answer, far_east, tmp_path):
    for path in adding.recordings_of(far_east):
        add(tmp_path / "archive", path)
    days = days_of(answer("wear", tmp_path / "archive", *CALL, "--since", "2026-05-04"))
    assert days == [("2026-05-04", 2), ("2026-07-01", 2)]


def test_a_time_without_an_offset_is_utc(answer, far_east, tmp_path):
    for path in far_east.glob("*.h5"):
        with h5py.File(shutil.copy(path, tmp_path), "r+") as file:
            set_attributes(file, {"started_utc": text_attribute(file, "started_utc")[:19], "host": "{}"})
    session = answer("wear", tmp_path, *CALL)["sessions"][1]
    began = session["began_utc"]
    assert session["session"] == began[:10]
    assert began.endswith(":00+00:00")


def test_the_page_is_a_function_of_the_answer(far_east, tmp_path):
    """The captures are not needed when the page is written."""
    folder = shutil.copytree(far_east, tmp_path / "drives")
    wear = follow(load_sessions(folder, "polyurethane-bush", "bypass"))
    shutil.rmtree(folder)
    page = write_wear(wear, tmp_path / "report").read_text("utf-8").replace("\u00a0", " ")
    assert wear.summary in page
    assert "2026-05-04" in page
