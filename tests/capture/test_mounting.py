"""Vehicle axes after ISO 8855: x forward, y left, z up, right-handed."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.spatial.transform import Rotation
from towertap.capture.mounting import mounting_from_gravity, parse_mounting
from towertap.errors import AnalysisError


def test_a_declared_mounting_rotates_chip_axes_into_vehicle_axes():
    rotation = parse_mounting("x=-Y, y=+X, z=+Z")
    assert rotation @ [1.0, 2.0, 3.0] == pytest.approx([-2.0, 1.0, 3.0])


@pytest.mark.parametrize("text", ["x=+X,y=-Y,z=+Z", "x=+Y,y=+X,z=+Z"])
def test_left_handed_mountings_are_refused(text):
    with pytest.raises(AnalysisError, match="left-handed"):
        parse_mounting(text)


def test_an_axis_used_twice_is_refused():
    with pytest.raises(AnalysisError, match="twice"):
        parse_mounting("x=+X,y=-X,z=+Z")


@pytest.mark.parametrize(
    "text", ["", "flat on the floor", "x=+X,y=+Y", "x=X,y=Y,z=Z", "x=+X,y=+Y,z=+Z,", "x=+X,x=+Y,z=+Z", "x=gravity,z=+Z"]
)
def test_anything_but_a_mounting_is_refused(text):
    with pytest.raises(AnalysisError, match="is not a mounting"):
        parse_mounting(text, lambda: np.array([0.0, 0.0, 9.8]))


@given(angles=arrays(float, 3, elements=st.floats(-np.pi, np.pi)))
def test_gravity_and_a_horizontal_forward_axis_recover_any_mounting(angles):
    # scipy's rotation is the truth: a box turned by it reads gravity in its own axes.
    truth = Rotation.from_euler("zyx", angles).as_matrix()
    chip_up, chip_forward = truth[2], truth[0]
    named = int(np.abs(chip_forward).argmax())
    level = np.eye(3)[named] - chip_up[named] * chip_up
    if np.linalg.norm(level) < 0.6:
        return
    sign = "+" if chip_forward[named] > 0 else "-"
    found = mounting_from_gravity(9.81 * chip_up, f"{sign}{'XYZ'[named]}")
    assert found @ found.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.linalg.det(found) == pytest.approx(1.0)
    assert found @ chip_up == pytest.approx([0.0, 0.0, 1.0], abs=1e-12)
    # The named chip axis is level and forward: no part of it points left.
    assert (found @ np.eye(3)[named])[1] == pytest.approx(0.0, abs=1e-12)
    assert (found @ np.eye(3)[named])[0] * chip_forward[named] > 0


def test_gravity_is_computed_only_for_a_mounting_that_needs_it():
    rotation = parse_mounting("x=-Y,z=gravity", lambda: np.array([0.0, 0.0, -9.8]))
    assert rotation == pytest.approx(parse_mounting("x=-Y,y=-X,z=-Z"))


def test_a_vertical_forward_axis_is_refused():
    with pytest.raises(AnalysisError, match="too steep"):
        mounting_from_gravity([0.0, 1.0, 9.8], "+Z")
