"""Plan files from outside: those of earlier versions are read, and hostile ones are refused at once in one line."""

from __future__ import annotations

import copy
import json
import os
import time

import pytest
from towertap.compare.drives.slots import Slot
from towertap.compare.plan.plan import Plan, read_plan
from towertap.errors import CallError, FileError

from tests import plans

WRITTEN = """{
 "schema": "towertap-plan", "version": 2,
 "question": "Does it ride otherwise with stiff than with soft?", "vehicle": "minibus",
 "before": "soft", "after": "stiff", "smooth": "bypass",
 "roads": [{"name": "quarry-lane", "speed_kmh": 40.0}, {"name": "bypass", "speed_kmh": 80}],
 "metrics": ["jerk_z", "weighted_z"], "margin": 0.1, "power": 0.8, "spread": 0.04000000000000001,
 "spread_from": "4 %, as said and not measured; a pilot would know better", "design": "AB", "seed": 3,
 "hold": {"tyre_pressures_kpa": "", "air_temperature_c": [5, 12.5], "box_position": "", "mounting": "x=+X,y=+Y,z=+Z"},
 "drives": [
  {"block": 1, "part": "soft", "road": "quarry-lane", "pass_number": 1},
  {"block": 1, "part": "soft", "road": "bypass", "pass_number": 1},
  {"block": 1, "part": "stiff", "road": "bypass", "pass_number": 1},
  {"block": 1, "part": "stiff", "road": "quarry-lane", "pass_number": 1}],
 "written_utc": "2026-05-04T08:00:00+10:00"}"""
AT_ONCE_S = 2.0
"""Far more than any refusal takes on a busy machine, far less than reading on does."""


def refusal(path):
    started = time.perf_counter()
    with pytest.raises(FileError) as refused:
        read_plan(path)
    assert time.perf_counter() - started < AT_ONCE_S
    words = str(refused.value)
    assert words.startswith(f"{path}: ")
    assert "\n" not in words
    assert len(words) < 500
    return words


def test_a_plan_is_read_as_it_was_written(tmp_path):
    path = tmp_path / "plan.json"
    path.write_text(WRITTEN, "utf-8")
    plan = read_plan(path)
    assert (plan.hold.air_temperature_c, plan.speed_kmh("bypass"), plan.passes) == ((5.0, 12.5), 80.0, 1)
    assert plan.written.isoformat() == "2026-05-03T22:00:00+00:00"
    assert plan.to_dict() == Plan.from_dict(plan.to_dict()).to_dict()
    assert (plan.design, plan.spread, plan.control, plan.refit_sd) == ("AB", 0.04000000000000001, None, None)
    assert set(plan.slots.values()) == {Slot(1, 1), Slot(1, 2)}


def places(value, here=()):
    """The path of every entry and item within."""
    for key, inner in value.items() if isinstance(value, dict) else enumerate(value):
        yield (*here, key)
        if isinstance(inner, dict | list):
            yield from places(inner, (*here, key))


@pytest.mark.parametrize(
    "hostile",
    [
        "9" * 400,
        "1" + "0" * 5000,
        "1e999",
        "NaN",
        "-Infinity",
        "[" * 900 + "]" * 900,
        '{"a":' * 900 + "1" + "}" * 900,
        '"\\u0000"',
        '"\\ud800"',
        json.dumps("x" * 100_000),
    ],
    ids=lambda text: text[:12],
)
def test_a_hostile_value_in_any_place_is_refused_in_one_line(tmp_path, hostile):
    path, plan = tmp_path / "plan.json", json.loads(WRITTEN)
    for place in places(plan):
        spoilt = copy.deepcopy(plan)
        inner = spoilt
        for key in place[:-1]:
            inner = inner[key]
        inner[place[-1]] = "HERE"
        path.write_text(json.dumps(spoilt).replace('"HERE"', hostile), "utf-8")
        refusal(path)


def test_depth_size_and_binary_are_refused(tmp_path):
    path = tmp_path / "plan.json"
    for content in (b"[" * 900_000, b'{"a":' * 150_000, b" " * 50_000_000, os.urandom(1000), b"\x00" * 1000):
        path.write_bytes(content)
        refusal(path)


def test_what_is_no_regular_file_is_refused_and_not_waited_for(tmp_path):
    pipe = tmp_path / "plan.json"
    os.mkfifo(pipe)
    for path in (pipe, tmp_path, tmp_path / "none.json"):
        assert "give the plan.json that `towertap plan` wrote" in refusal(path)


def test_more_passes_than_a_plan_holds_are_refused_before_they_are_drawn():
    started = time.perf_counter()
    with pytest.raises(CallError, match=r"6000000 drives, and a plan has 2000 at most: plan fewer"):
        plans.order(roads=("quarry-lane", "moor-road", "bypass"), passes=1_000_000)
    assert time.perf_counter() - started < AT_ONCE_S
