"""The plan: the order of drives, its file, and what is refused."""

from __future__ import annotations

import json
from collections import Counter
from dataclasses import asdict

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from towertap.compare.drives.slots import Slot
from towertap.compare.plan.choice import drift
from towertap.compare.plan.plan import HeldConditions, Plan, read_plan, write_plan
from towertap.compare.stats.planning import PlannedDesign
from towertap.errors import CallError, FileError

from tests import plans

ROADS = {"quarry-lane": 40.0, "moor-road": 50.0, "bypass": 80.0}


def order(passes=6, **of_plan):
    return plans.order(roads=tuple(ROADS), passes=passes, **of_plan)


def a_plan(design="AB|BA"):
    hold = HeldConditions("300, 300, 350, 350", (5.0, 15.0), "strut tower", "x=+X,y=+Y,z=+Z")
    return plans.plan(ROADS, passes=6, design=design, hold=hold)


def test_the_middle_of_a_b_b_a_is_one_installation_unless_it_is_fitted_again():
    for design, middle in (("AB|BA", [2, 2]), ("AB|B'A", [2, 3])):
        slots = a_plan(design).slots
        after_slots = {slot for (part, _, _), slot in slots.items() if part == "polyurethane"}
        assert sorted((slot.block, slot.installation) for slot in after_slots) == [*zip((1, 2), middle, strict=True)]


@pytest.mark.parametrize("design", ["AB", "A;B"])
def test_installations_are_known_without_blocks_that_pair_the_parts(design):
    slots = a_plan(design).slots
    assert {(part, slot) for (part, _, _), slot in slots.items()} == {
        ("rubber", Slot(1, 1)),
        ("polyurethane", Slot(1, 2)),
    }


@pytest.mark.parametrize("design", ["AB|BA", "AB|B'A", "AB|BA|AB|BA"])
def test_a_steady_drift_cancels_if_the_plan_says_so(design):
    """A drift linear in the position adds the same to both parts, whose positions have one mean."""
    assert drift(PlannedDesign(design)) == "a steady drift cancels"
    drives = order(passes=12, design=design)
    rounds = {"rubber": [], "polyurethane": []}
    for place in range(0, len(drives), len(ROADS)):
        assert {drive.road for drive in drives[place : place + len(ROADS)]} == set(ROADS)
        rounds[drives[place].part].append(place)
    assert sum(rounds["rubber"]) == sum(rounds["polyurethane"])


def test_one_change_lets_a_drift_through_and_says_so():
    places = [place for place, drive in enumerate(order(design="AB")) if drive.part == "rubber"]
    assert max(places) < len(order()) / 2
    assert drift(PlannedDesign("AB")) == "any drift is in the ratio"


@pytest.mark.parametrize(("design", "each"), [("AB", 6), ("AB|BA", 3), ("AB|B'A|A'B", 2)])
def test_every_road_is_driven_equally_often_in_every_stretch(design, each):
    drives = order(design=design)
    assert set(Counter((d.block, d.part, d.road) for d in drives).values()) == {each}
    for part in ("rubber", "polyurethane"):
        for road in ROADS:
            assert [d.pass_number for d in drives if (d.part, d.road) == (part, road)] == [1, 2, 3, 4, 5, 6]


def test_the_seed_determines_the_order():
    assert order(seed=3) == order(seed=3)
    assert order(seed=3) != order(seed=4)


def test_passes_that_stretches_cannot_share_are_refused():
    with pytest.raises(CallError, match="multiple of 2"):
        order(passes=5)


def test_the_file_restores_the_plan_and_is_not_overwritten(tmp_path):
    plan, path = a_plan(), tmp_path / "plan.json"
    write_plan(plan, path)
    assert read_plan(path) == plan
    assert json.loads(path.read_text("utf-8"))["version"] == 2
    with pytest.raises(CallError, match="not changed afterwards"):
        write_plan(plan, path)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"schema": "other"}, "does not say schema"),
        ({"version": 3}, "version 3"),
        ({"after": "rubber"}, "two parts"),
        ({"smooth": "motorway"}, "not among the roads"),
        ({"vehicle": ""}, "need"),
        ({"before": "two\nlines"}, "one line"),
        ({"margin": 10}, "margin must lie between"),
        ({"spread": "3"}, "spread must be a number"),
        ({"metrics": ["comfort"]}, "metrics must be"),
        ({"metrics": []}, "metrics must be"),
        ({"design": 1.5}, "design must be text"),
        ({"design": "AB"}, "not in the blocks and parts of the design AB"),
        ({"design": "A,B"}, "is no design"),
        ({"control": "tyres"}, "control"),
        ({"refit_sd": 1.0}, "refit_sd must be"),
        ({"version": 1}, "a plan of version 1, but this one reads 2"),
        ({"drives": []}, "1 to 2000 drives"),
        ({"drives": [{"block": 1, "part": "rubber", "road": "bypass", "pass_number": 1}]}, "cover both parts"),
        ({"drives": [{"part": "rubber"}]}, r"drives\[0\] lacks the entry block"),
        ({"roads": [{"name": "bypass", "speed_kmh": 80.0}]}, "only road"),
        ({"written_utc": "yesterday"}, "ISO 8601"),
        ({"hold": {"air_temperature_c": [20, 10]}}, "is above"),
        ({"hold": asdict(HeldConditions(air_temperature_c=(20, 10)))}, "is above"),
        ({"hold": asdict(HeldConditions()) | {"air_temperature_c": 5}}, "air_temperature_c must be a list or nothing"),
        ({"drives": 3}, "drives must be a list"),
        ({"margim": 0.1}, 'unknown entry "margim": fix it'),
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


def test_a_missing_plan_file_says_what_to_name(tmp_path):
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
def test_any_field_value_gives_a_plan_or_a_call_error(field, value):
    try:
        plan = Plan.from_dict(a_plan().to_dict() | {field: value})
    except (CallError, FileError):
        return
    assert Plan.from_dict(plan.to_dict()) == plan
