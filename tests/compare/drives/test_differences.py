"""What differs between the passes other than the part, and what the order of the drives leaves confounded."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from math import cos, radians, sin

import numpy as np
import pytest
from towertap.bench.carried import BenchSummary
from towertap.compare.drives.differences import (
    AIR,
    DRIFT,
    changed_with_part,
    coincidences,
    differences,
    forward_disagrees,
)
from towertap.compare.drives.folder import load_passes
from towertap.compare.drives.model import Source
from towertap.motion import Moving


@pytest.fixture(scope="module")
def drives(make):
    """Two passes with each part over a smooth and two rough roads, under the same conditions."""
    return make.drives_of(
        make.one_pass({"jerk_z": [1.0]}, side, road, number)
        for road in ("bypass", "moor-road", "quarry-lane")
        for side in ("before", "after")
        for number in (1, 2)
    )


@pytest.fixture
def warnings(make, drives):
    """A function from conditions of further passes to the warnings; `side` is a condition like the others."""

    def warnings(*further):
        passes = list(drives.passes)
        for number, said in enumerate(further):
            base = make.one_pass({"jerk_z": [1.0]}, said.pop("side", "before"), "quarry-lane", 9 + number)
            path = base.path.with_name(f"odd-{number}.h5")
            passes.append(replace(base, path=path, conditions=replace(base.conditions, **said)))
        return list(differences(make.drives_of(passes)))

    return warnings


@pytest.fixture
def bench_of():
    """A function from a box's serial to what its bench records are."""
    return lambda serial: BenchSummary(serial, {}, {}, (0.005, 0.005, 0.005), None, None)


def test_passes_that_differ_only_in_the_part_give_no_warning(warnings):
    assert warnings() == []


@pytest.mark.parametrize(
    ("conditions", "says"),
    [
        ({"mounting": "x=+Y,y=-X,z=+Z"}, "the mounting differs between captures"),
        ({"vehicle": "lorry"}, "the vehicle differs"),
        ({"box_position": "left sill"}, "the box position differs"),
        ({"tyre_pressures_kpa": "200, 200, 200, 200"}, "the tyre pressure differs"),
        ({"speed_kmh": 55.0}, "speed aimed at on quarry-lane differs: 40, 55 km/h before, 40 km/h after"),
        ({"pass_number": 2}, "pass 2 on quarry-lane exists more than once before"),
        ({"road": "new-road"}, "new-road was not driven after the change, so it is not compared"),
    ],
)
def test_any_difference_other_than_the_part_gives_a_warning(warnings, conditions, says):
    (warning,) = warnings(conditions)
    assert says in warning


def test_every_value_that_differs_is_reported_with_its_captures_and_what_fixes_it(warnings):
    (warning,) = warnings(*({"tyre_pressures_kpa": text} for text in ("200", "210", "200")))
    assert warning == (
        "the tyre pressure differs between captures: not known in 12; '200' in odd-0, odd-2; '210' in odd-1. "
        "That could be taken for a change of the part, and 'towertap correct' fixes a wrong entry"
    )


def by_side(drives, before, after):
    """The drives with other conditions on each side; an attribute that is none of them is the source's."""
    passes = []
    for drive in drives.passes:
        changes = before if drive.side == "before" else after
        conditions = {name: value for name, value in changes.items() if hasattr(drive.conditions, name)}
        source = Source("chip", "1", "", "", anti_alias_hz=changes.get("anti_alias_hz"))
        passes.append(replace(drive, conditions=replace(drive.conditions, **conditions), source=source))
    return replace(drives, passes=tuple(passes))


@pytest.mark.parametrize(
    ("before", "after", "name", "says"),
    [
        ({"box_position": "sill"}, {"box_position": "floor"}, "box position", "box position (sill to floor)"),
        ({"vehicle": "minibus"}, {"vehicle": "van"}, "vehicle", "vehicle (minibus to van)"),
        ({"anti_alias_hz": 997.0}, {"anti_alias_hz": 42.0}, "anti-alias filter", "filter (997 Hz to 42 Hz)"),
        ({"air_temperature_c": 12.0}, {"air_temperature_c": -8.0}, AIR, "air (12 °C to −8 °C)"),
    ],
)
def test_what_changed_exactly_with_the_part_is_one_sentence_and_no_further_warning(drives, before, after, name, says):
    changed = by_side(drives, before, after)
    assert [*coincidences(changed)] == [name]
    assert says in changed_with_part(changed)
    assert list(differences(changed)) == []
    smooth_alike = replace(
        changed,
        passes=tuple(
            replace(drive, conditions=old.conditions, source=None) if drive.road == "bypass" else drive
            for drive, old in zip(changed.passes, drives.passes, strict=True)
        ),
    )
    assert [*coincidences(smooth_alike)] == [name], "the verdict is on the rough roads"


def test_all_that_changed_with_the_part_is_named_in_one_sentence(drives, bench_of):
    changed = by_side(
        drives, {"vehicle": "minibus", "box_position": "sill"}, {"vehicle": "van", "box_position": "floor"}
    )
    boxes = {"before": bench_of("e6605481"), "after": bench_of("ffff0001")}
    changed = replace(changed, passes=tuple(replace(drive, bench=boxes[drive.side]) for drive in changed.passes))
    assert changed_with_part(changed) == (
        "Changed with the part: vehicle (minibus to van), box position (sill to floor) and box (e6605481 to ffff0001)."
    )


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ({"vehicle": "minibus"}, {"vehicle": ""}),
        ({"anti_alias_hz": 997.0}, {}),
        ({"air_temperature_c": 12.0}, {"air_temperature_c": 16.9}),
        ({"notes": "dry"}, {"notes": "damp"}),
    ],
)
def test_what_is_not_known_to_have_changed_does_not_coincide(drives, before, after):
    assert changed_with_part(by_side(drives, before, after)) == ""


def test_what_varies_within_a_side_is_a_warning_and_no_coincidence(drives):
    changed = by_side(drives, {"box_position": "sill"}, {"box_position": "floor"})
    last = next(drive for drive in reversed(changed.passes) if drive.road == "quarry-lane")
    back = replace(last, conditions=replace(last.conditions, box_position="sill"))
    mixed = replace(changed, passes=(*changed.passes[:-1], back))
    assert changed.passes[-1] is last
    assert changed_with_part(mixed) == ""
    (warning,) = differences(mixed)
    assert "the box position differs between captures: 'sill' in 7; 'floor' in " in warning


def test_a_warmer_day_after_the_change_gives_a_warning(warnings):
    (warning,) = warnings(
        *({"air_temperature_c": air_c} for air_c in (3.0, 4.0, 5.0, 9.0)),
        *({"side": "after", "air_temperature_c": air_c} for air_c in (12.0, 26.0)),
    )
    assert "the air on quarry-lane was 5 °C before and 19 °C after the change" in warning


def test_air_that_varied_over_the_passes_gives_a_warning_without_a_plan(warnings):
    (warning,) = warnings(
        {"air_temperature_c": 7.9},
        {"side": "after", "air_temperature_c": 12.0},
        {"side": "after", "road": "moor-road", "air_temperature_c": 15.2},
    )
    assert warning == "the air went from 7.9 to 15.2 °C over the passes, more than 5 °C"


def test_the_order_of_the_drives_is_checked_against_before_and_after(drives):
    """All of one part in the morning, all of the other an hour later; then one pass of that before the morning's."""

    def dated(first):
        hours = {first: 9, {"before": "after", "after": "before"}[first]: 10}
        started = {side: datetime(2026, 5, 4, hour, tzinfo=UTC) for side, hour in hours.items()}
        return tuple(replace(drive, started=started[drive.side]) for drive in drives.passes)

    assert list(differences(replace(drives, passes=dated("before")))) == [DRIFT]
    assert list(differences(replace(drives, passes=dated("after")))) == [
        'rubber ("before") was driven after polyurethane ("after"); if that is not what was done, swap --before and '
        "--after",
        DRIFT,
    ]
    *others, last = dated("before")
    stray = (replace(last, started=datetime(2026, 5, 4, 8, tzinfo=UTC)), replace(last, started=None))
    assert [list(differences(replace(drives, passes=(*others, drive)))) for drive in stray] == [[DRIFT], [DRIFT]]
    half = [replace(drive, started=None) if drive.road == "moor-road" else drive for drive in dated("before")]
    assert list(differences(replace(drives, passes=tuple(half)))) == [DRIFT]
    none = [replace(drive, started=None) if drive.road != "bypass" else drive for drive in dated("before")]
    assert list(differences(replace(drives, passes=tuple(none)))) == []


def test_a_requested_capture_that_is_not_sound_is_reported(drives):
    first, *others = drives.passes
    unsound = replace(first, integrity=replace(first.integrity, sound=False, reasons=["37 samples missing", "clipped"]))
    (warning,) = differences(replace(drives, passes=(unsound, *others)))
    assert warning == "bypass-rubber-1 is not sound but was asked for: 37 samples missing; clipped"


def leaning(drives, *by_side_deg):
    """The drives, gravity turned by an angle about y on each side, (degrees, whether at rest)."""
    passes = []
    for drive in drives.passes:
        deg, at_rest = by_side_deg[drive.side == "after"]
        gravity = (9.8 * sin(radians(deg)), 0.0, 9.8 * cos(radians(deg)))
        integrity = replace(drive.integrity, gravity_ms2=9.8 if at_rest else None, gravity_in_vehicle_ms2=gravity)
        passes.append(replace(drive, integrity=integrity))
    return replace(drives, passes=tuple(passes))


@pytest.mark.parametrize(
    ("before", "after", "limit"),
    [
        ((0, True), (4, True), 3),
        ((0, False), (4, False), 3),
        ((0, True), (4, False), None),
        ((0, False), (4, True), None),
        ((0, True), (11, False), 10),
        ((0, True), (2, True), None),
    ],
)
def test_gravity_at_rest_is_compared_with_gravity_at_rest(drives, before, after, limit):
    """Pulling away to 50 km/h in a drive of 20 s alone tilts the mean force by atan(13.9 / 20 / 9.8) = 4°."""
    warnings = list(differences(leaning(drives, before, after)))
    assert [f"(limit {limit}°)" in words for words in warnings] == [True] * (limit is not None)


def pulling_away(drives, *by_side):
    """The drives, each from a stand of 2 s on a slope; (push for 3 s in m/s², degrees by which the box is turned)."""
    passes = []
    for drive in drives.passes:
        push_ms2, turned_deg = by_side[drive.side == "after"]
        forward_ms2 = np.repeat([0.3, 0.3 + push_ms2 * cos(radians(turned_deg)), 0.3], [20, 30, 50])
        no_cell = np.zeros(100, bool)
        moving = Moving(np.arange(100) < 20, no_cell, no_cell, no_cell)
        passes.append(replace(drive, forward_ms2=forward_ms2, moving=moving))
    return replace(drives, passes=tuple(passes))


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ((2.0, 0), (2.0, 90), "by 2.0 m/s² with rubber and by 0.0 with polyurethane: one mounting"),
        ((2.0, 0), (2.0, 180), "by 2.0 m/s² with rubber and by −2.0 with polyurethane: one mounting"),
        ((2.0, 90), (1.0, 0), "by 1.0 m/s² with polyurethane and by 0.0 with rubber: one mounting"),
        ((2.0, 0), (0.8, 0), ""),
        ((2.0, 0), (2.0, 30), ""),
        ((0.4, 0), (0.4, 90), ""),
        ((2.0, 180), (2.0, 180), ""),
    ],
)
def test_pulling_away_shows_an_axis_that_is_not_forward(drives, before, after, words):
    """A component along an axis turned by an angle is the push times its cosine."""
    assert words in forward_disagrees(pulling_away(drives, before, after))
    assert words or not forward_disagrees(pulling_away(drives, before, after))


def test_without_a_stand_nothing_is_said_of_the_forward_axis(drives):
    rolling = pulling_away(drives, (2.0, 0), (2.0, 90))
    passes = tuple(
        replace(drive, moving=replace(drive.moving, standing=np.zeros(100, bool))) if drive.side == "after" else drive
        for drive in rolling.passes
    )
    assert forward_disagrees(replace(rolling, passes=passes)) == ""


def test_an_anti_alias_filter_that_changed_with_the_part_is_read_from_the_captures(tmp_path, by_hand):
    """A lower filter takes power out of the metrics, so a harsher part may look gentler."""
    rng = np.random.default_rng(3)
    for part, filter_hz in {"rubber": 258, "polyurethane": 42}.items():
        for road in ("bypass", "quarry-lane"):
            frames = by_hand.recording(rate_hz=1000.0, counts=by_hand.noise(rng, 60, 5000), rolls=True)
            frames[0] = by_hand.hello(odr_hz=1000, anti_alias_hz=filter_hz)
            by_hand.capture(tmp_path / f"{road}-{part}", frames, by_hand.conditions(part, road, 1))
    drives = load_passes(tmp_path, "rubber", "polyurethane", "bypass")
    assert changed_with_part(drives) == "Changed with the part: anti-alias filter (258 Hz to 42 Hz)."
