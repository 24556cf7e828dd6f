"""The plan: the order of drives, its file, and what is refused."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict, replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from towertap.compare.plan.order import drive_order, protection, shared_alike
from towertap.compare.plan.plan import HeldConditions, Plan, PlannedRoad, read_plan, write_plan
from towertap.errors import CallError, FileError

ROADS = ("quarry-lane", "moor-road", "bypass")


def order(passes=6, blocks=2, seed=1):
    return drive_order("rubber", "polyurethane", ROADS, passes, blocks, seed)


def a_plan(**changes):
    fields = {
        "question": "Does it ride otherwise?",
        "vehicle": "minibus",
        "before": "rubber",
        "after": "polyurethane",
        "smooth": "bypass",
        "roads": (PlannedRoad("quarry-lane", 40.0), PlannedRoad("moor-road", 50.0), PlannedRoad("bypass", 80.0)),
        "metrics": ("jerk_z",),
        "margin": 0.1,
        "power": 0.8,
        "spread_cv": 0.035,
        "spread_from": "said: 3.5 %",
        "blocks": 2,
        "seed": 1,
        "hold": HeldConditions("300, 300, 350, 350", (5.0, 15.0), "strut tower", "x=+X,y=+Y,z=+Z"),
        "drives": order(),
        "written_utc": "2026-05-04T08:00:00+00:00",
    }
    return Plan(**(fields | changes))


@pytest.mark.parametrize(("blocks", "changes"), [(1, {1}), (2, {2}), (3, {3, 4}), (6, {6, 7, 8, 9, 10})])
def test_the_part_is_changed_as_often_as_the_blocks_say(blocks, changes):
    plans = [a_plan(drives=order(blocks=blocks, seed=seed), blocks=blocks) for seed in range(10)]
    assert {len(plan.installations) - 1 for plan in plans} <= changes
    assert {plan.installations[0][0] for plan in plans} == {"rubber"}


def test_two_blocks_are_a_b_b_a():
    assert [(part, len(drives)) for part, drives in a_plan().installations] == [
        ("rubber", 9),
        ("polyurethane", 18),
        ("rubber", 9),
    ]


@pytest.mark.parametrize("blocks", [2, 4, 6])
def test_a_steady_drift_cancels_with_even_blocks(blocks):
    """A drift in proportion to the place in the day adds the same to both parts: their places have one mean."""
    drives = order(passes=12, blocks=blocks)
    rounds = {"rubber": [], "polyurethane": []}
    for place in range(0, len(drives), len(ROADS)):
        assert {drive.road for drive in drives[place : place + len(ROADS)]} == set(ROADS)
        rounds[drives[place].part].append(place)
    assert sum(rounds["rubber"]) == sum(rounds["polyurethane"])


def test_one_change_lets_a_drift_through_and_says_so():
    places = [place for place, drive in enumerate(order(blocks=1)) if drive.part == "rubber"]
    assert max(places) < len(order()) / 2
    assert "no protection" in protection(1)


@pytest.mark.parametrize("blocks", [1, 2, 3])
def test_every_road_is_driven_alike_in_every_block(blocks):
    drives = order(blocks=blocks)
    assert set(Counter((d.block, d.part, d.road) for d in drives).values()) == {6 // blocks}
    for part in ("rubber", "polyurethane"):
        for road in ROADS:
            assert [d.pass_number for d in drives if (d.part, d.road) == (part, road)] == [1, 2, 3, 4, 5, 6]


def test_the_draw_is_the_seeds():
    assert order(seed=3) == order(seed=3)
    assert order(seed=3) != order(seed=4)


def test_passes_that_blocks_cannot_share_are_refused_or_rounded_up():
    with pytest.raises(CallError, match="multiple of 2"):
        order(passes=5)
    assert [shared_alike(5, blocks) for blocks in (1, 2, 3)] == [5, 6, 6]


def test_the_primary_metrics_findings_share_the_error_rate():
    """Bonferroni's share, which Holm (1979) shows his own steps never to fall below; secondary metrics take none."""
    assert a_plan().alpha == pytest.approx(0.05 / 2)
    assert a_plan(metrics=("jerk_z", "weighted_z")).alpha == pytest.approx(0.05 / 2)


def test_the_file_gives_the_plan_back_and_is_not_overwritten(tmp_path):
    plan, path = a_plan(), tmp_path / "plan.json"
    write_plan(plan, path)
    assert read_plan(path) == plan
    assert json.loads(path.read_text("utf-8"))["version"] == 1
    with pytest.raises(CallError, match="not changed afterwards"):
        write_plan(plan, path)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"schema": "other"}, "does not say schema"),
        ({"version": 2}, "version 2"),
        ({"after": "rubber"}, "two parts"),
        ({"smooth": "motorway"}, "not among the roads"),
        ({"vehicle": ""}, "need"),
        ({"before": "two\nlines"}, "one line"),
        ({"margin": 10}, "margin must lie between"),
        ({"spread_cv": "3"}, "spread_cv must be a number"),
        ({"metrics": ["comfort"]}, "metrics must be"),
        ({"metrics": []}, "metrics must be"),
        ({"blocks": 1.5}, "blocks must be a whole number"),
        ({"drives": []}, "1 to 2000 drives"),
        ({"drives": [{"block": 1, "part": "rubber", "road": "bypass", "pass_number": 1}]}, "cover both parts"),
        ({"drives": [{"part": "rubber"}]}, r"drives\[0\] lacks the entry block"),
        ({"roads": [{"name": "bypass", "speed_kmh": 80.0}]}, "only road"),
        ({"written_utc": "yesterday"}, "ISO 8601"),
        ({"hold": {"air_temperature_c": [20, 10]}}, "is above"),
        ({"hold": asdict(HeldConditions(air_temperature_c=(20, 10)))}, "is above"),
        (
            {"hold": asdict(HeldConditions()) | {"air_temperature_c": 5}},
            "air_temperature_c must be a list or nothing",
        ),
        ({"drives": 3}, "drives must be a list"),
        ({"margim": 0.1}, 'unknown entry "margim": mend it'),
    ],
)
def test_a_bad_plan_is_refused_in_one_line(tmp_path, changes, says):
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(a_plan().to_dict() | changes), "utf-8")
    with pytest.raises(FileError, match=says) as refused:
        read_plan(path)
    assert "\n" not in str(refused.value)
    assert str(path) in str(refused.value)


def test_a_file_that_is_no_json_is_refused(tmp_path):
    path = tmp_path / "plan.json"
    for content in (b"", b"\xff\xfe", b"[" * 100_000, b"[]", b"3", b" " * 2_000_000):
        path.write_bytes(content)
        with pytest.raises(FileError, match=f"^{path}:? ") as refused:
            read_plan(path)
        assert "codec" not in str(refused.value)
    path.write_bytes(b'{\n "schema" 3}')
    with pytest.raises(FileError, match=r"not JSON \(.*\(byte 12\)\)"):
        read_plan(path)


def test_a_plan_that_is_not_there_says_what_to_name(tmp_path):
    for path in (tmp_path, tmp_path / "none.json"):
        with pytest.raises(FileError, match=r"give the plan\.json that"):
            read_plan(path)


junk = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5,
)


@settings(deadline=None, max_examples=150)
@given(st.sampled_from(sorted(a_plan().to_dict())), junk)
def test_whatever_stands_in_a_field_it_is_a_plan_or_a_call_error(field, value):
    try:
        plan = Plan.from_dict(a_plan().to_dict() | {field: value})
    except (CallError, FileError):
        return
    assert Plan.from_dict(plan.to_dict()) == plan


def test_a_spread_too_wide_for_the_passes_has_little_strength():
    strong, weak = a_plan().strength(), replace(a_plan(), spread_cv=0.2).strength()
    assert strong.difference > 0.9 > 0.2 > weak.difference
    assert strong.needed <= 6 < weak.needed
