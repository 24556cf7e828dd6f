"""Which columns are which axis, in which unit: as told, found by their names, or assumed and reported."""

from __future__ import annotations

import numpy as np
import pytest
from towertap.capture.integrity import check
from towertap.errors import CallError

from tests.exchange.rides import SIX, G, acceleration, decisions, shaken, text_of


@pytest.mark.parametrize(
    ("header", "how"),
    [
        ("t,ax,ay,az", "found"),
        ("Time (s),Acc X (g),Acc Y (g),Acc Z (g)", "found"),
        ("timestamp,accelerometer_x,accelerometer_y,accelerometer_z", "found"),
        ("time_s,acceleration_x_g,acceleration_y_g,acceleration_z_g", "found"),
        ('"seconds","gFx","gFy","gFz"', "found"),
        ("Elapsed time [s],x [g],y [g],z [g]", "assumed"),
        ("time,one,two,three", "assumed"),
    ],
)
def test_columns_are_found_by_their_names_or_reported_as_assumed(bring_in, header, how):
    capture = bring_in(text_of(np.column_stack([np.arange(1000) / 200, shaken() / G]), header))
    assert acceleration(capture) == pytest.approx(shaken(), abs=1e-6)
    assert capture.rate_hz == pytest.approx(200, rel=1e-6)
    assert any("columns" in what for what in decisions(capture, how))
    assert any("unit of acceleration is g" in what for how in ("found", "assumed") for what in decisions(capture, how))


def test_six_axes_with_rotation_in_degrees(bring_in):
    turning = np.random.default_rng(4).normal(0, 20, (1000, 3))
    table = np.column_stack([turning, shaken(), np.arange(1000) / 200])
    capture = bring_in(text_of(table, "gyro x [deg/s],gyro y [deg/s],gyro z [deg/s],a x,a y,a z,time"))
    rotation = capture.counts("rotation", 0, 1000) * capture.scale_rads
    assert rotation == pytest.approx(np.radians(turning), abs=1e-6)
    assert acceleration(capture) == pytest.approx(shaken(), abs=1e-6)
    assert decisions(capture, "assumed")[0].startswith("the unit of acceleration is m/s²: the median of its magnitude")


def test_options_override_what_is_found(bring_in):
    table = np.column_stack([np.arange(1000) * 5, shaken() / 0.0048, np.zeros((1000, 3))])
    capture = bring_in(
        text_of(table, "n,p,q,r,ax,ay,az"),
        time="n",
        time_unit="ms",
        acceleration=("q", "p", "r"),
        unit="0.0048",
        given={"part": "rubber", "mounting": "x=+X,y=+Y,z=+Z"},
    )
    assert acceleration(capture) == pytest.approx(shaken()[:, [1, 0, 2]], abs=1e-5)
    assert capture.conditions.part == "rubber"
    assert len(decisions(capture, "told")) == 4


@pytest.mark.parametrize(
    ("one_g", "unit", "reads", "is_it"),
    [
        (G, "g", "9.8 g", "m/s²"),
        (1.0, "m/s2", "0.1 g", "g"),
        (1000.0, "g", "1000 g", "mg"),
        (1.0, "mg", "0.001 g", "g"),
        (G, "98.0665", "98 g", "m/s²"),
    ],
)
@pytest.mark.parametrize("shaking", [0.0, 1.0])
def test_a_unit_that_makes_gravity_wrong_is_refused(bring_in, one_g, unit, reads, is_it, shaking):
    """At rest or on the road, with the recorder tilted, and once dropped."""
    aslant = np.array([[1, 0, 0], [0, 0.8, -0.6], [0, 0.6, 0.8]])
    ride = ([0, 0, G] + shaking * (shaken(2000) - [0, 0, G])) @ aslant
    ride[700:720] = 150.0
    content = text_of(np.column_stack([np.arange(2000) / 200, ride * one_g / G]), "t,ax_ms2,ay_ms2,az_ms2")
    with pytest.raises(CallError) as refused:
        bring_in(content, unit=unit)
    assert f"1 g would read as {reads}: is it {is_it}?" in str(refused.value)
    assert "\n" not in str(refused.value)
    bring_in(content, unit=is_it)


@pytest.mark.parametrize("unit", ["g", "mg", "m/s2"])
def test_a_file_without_gravity_is_accepted_in_any_unit(bring_in, unit):
    """Its mean is the sensor's offset, small next to the motion."""
    for offset in (0.0, 1.0, 9.8):
        motion = 20 * (shaken() - [0, 0, G]) + [offset, 0, 0]
        capture = bring_in(text_of(np.column_stack([np.arange(1000) / 200, motion])), unit=unit)
        assert capture.n_samples == 1000


def test_a_file_without_gravity_can_be_sound(bring_in):
    """A piezoelectric sensor has no response at 0 Hz (common practice)."""
    motion = 20 * (shaken() - [0, 0, G])
    integrity = check(bring_in(text_of(np.column_stack([np.arange(1000) / 200, motion])), unit="m/s2"))
    (gravity,) = [rule for rule in integrity.rules if rule.name == "gravity"]
    assert (gravity.ok, integrity.sound) == (None, True)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"acceleration": ("ax", "ax", "az")}, "the column 'ax' is named twice"),
        ({"acceleration": ("ax", "ay", "az"), "rotation": ("gx", "gy", "az")}, "the column 'az' is named twice"),
        ({"acceleration": ("t", "ay", "az"), "time": "t"}, "the column 't' is named twice"),
    ],
)
def test_a_column_named_twice_is_refused(bring_in, options, says):
    with pytest.raises(CallError) as refused:
        bring_in(text_of(np.column_stack([np.arange(300) / 200, shaken(300)[:, [0, 1, 2, 0, 1, 2]]]), SIX), **options)
    assert says in str(refused.value)


def test_columns_of_one_quantity_are_not_taken_for_another(bring_in):
    """Columns named as rotation may be given as acceleration in g; they are then not rotation as well."""
    table = np.column_stack([np.arange(1000) / 200, shaken() / G])
    with pytest.raises(
        CallError,
        match="name them x,y,z with --acceleration; there are gx, gy, gz",
    ):
        bring_in(text_of(table, "t,gx,gy,gz"))
    capture = bring_in(text_of(table, "t,gx,gy,gz"), acceleration=("gx", "gy", "gz"), rotation_unit="deg/s")
    assert [*capture.layout.quantities] == ["acceleration"]
    assert acceleration(capture) == pytest.approx(shaken(), abs=1e-6)
    six = text_of(np.column_stack([table, np.zeros((1000, 3))]), SIX)
    swapped = {"rotation": ("ax", "ay", "az"), "rotation_unit": "rad/s", "unit": "g"}
    capture = bring_in(six, **swapped)
    assert not acceleration(capture).any()
