"""What differs between the passes other than the part, and what the order of the drives leaves confounded."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from towertap.compare.drives.differences import DRIFT, differences


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


def test_passes_that_differ_only_in_the_part_give_no_warning(warnings):
    assert warnings() == []


@pytest.mark.parametrize(
    ("conditions", "says"),
    [
        ({"mounting": "x=+Y,y=-X,z=+Z"}, "mountings differ between captures"),
        ({"vehicle": "lorry"}, "vehicles differ"),
        ({"box_position": "left sill"}, "box positions differ"),
        ({"tyre_pressures_kpa": "200, 200, 200, 200"}, "tyre pressures differ"),
        ({"speed_kmh": 55.0}, "speed aimed at on quarry-lane differs: 40, 55 km/h before, 40 km/h after"),
        ({"pass_number": 2}, "pass 2 on quarry-lane exists more than once before"),
        ({"road": "new-road"}, "new-road was driven on one side only"),
    ],
)
def test_any_difference_other_than_the_part_gives_a_warning(warnings, conditions, says):
    (warning,) = warnings(conditions)
    assert says in warning


def test_with_many_tyre_pressures_the_first_capture_is_named_and_what_fixes_it(warnings):
    (warning,) = warnings(*({"tyre_pressures_kpa": text} for text in ("200", "210", "220")))
    assert warning == (
        "tyre pressures differ between captures: '' in 12, not in odd-0 and 2 more; that could be taken for a "
        "change of the part, and 'towertap correct' fixes a wrong entry"
    )


def test_a_warmer_day_after_the_change_gives_a_warning(warnings):
    (warning,) = warnings({"air_temperature_c": 4.0}, {"side": "after", "air_temperature_c": 19.0})
    assert "the air on quarry-lane was 4 °C before and 19 °C after the change" in warning


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
