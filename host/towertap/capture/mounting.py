"""Vehicle axes from chip axes, after ISO 8855: x forward, y left, z up; at rest the specific force is +g on z.

A declared mounting is checked against gravity, which shows which axis is up but not which one is forward.
"""

import re
from collections.abc import Callable
from itertools import permutations, product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from towertap.errors import AnalysisError

EXAMPLE = "x=+X,y=+Y,z=+Z"

STEEPEST_FORWARD = 0.5
"""Smallest horizontal component of the forward chip axis, cos 60°; below it the heading is a guess."""


def parse_mounting(text: str, gravity_at_rest: Callable[[], NDArray[np.float64]] | None = None) -> NDArray[np.float64]:
    """Parse a mounting into the rotation R (3, 3) with vehicle = R @ chip.

    `text` gives the chip axis along each vehicle axis, as `x=-Y,y=+X,z=+Z`, or only the forward axis, as
    `x=-Y,z=gravity`. Only then `gravity_at_rest` is called, which returns the mean specific force at rest (3,) in chip
    axes. Raises AnalysisError for anything else, and for axes that are left-handed or not orthogonal.
    """
    parts = dict(re.findall(r"([xyz])=([+-][XYZ]|gravity)", text))
    if re.sub(r"\s", "", text) != ",".join(f"{axis}={chip}" for axis, chip in parts.items()):
        parts = {}
    if set(parts) == {"x", "z"} and parts["x"] != "gravity" and parts["z"] == "gravity" and gravity_at_rest:
        return mounting_from_gravity(gravity_at_rest(), parts["x"])
    if set(parts) != {"x", "y", "z"} or "gravity" in parts.values():
        raise AnalysisError(f"'{text}' is not a mounting: write it like {EXAMPLE}, or x=+X,z=gravity")
    rotation = np.array([_direction(parts[axis]) for axis in "xyz"])
    handedness = np.linalg.det(rotation)
    if handedness == 0:
        raise AnalysisError(f"mounting '{text}' uses one chip axis twice: give each vehicle axis its own")
    if handedness < 0:
        raise AnalysisError(f"mounting '{text}' is left-handed: one sign or two axes are wrong (y points left, z up)")
    return rotation


def mounting_from_gravity(mean_specific_force: ArrayLike, forward_chip_axis: str) -> NDArray[np.float64]:
    """The rotation R (3, 3), vehicle = R @ chip, from gravity and a forward axis.

    `mean_specific_force` (3,) is what the chip reads at rest on level ground, in any unit: it points up.
    `forward_chip_axis` is one of +X -X +Y -Y +Z -Z; its horizontal component is forward. Raises AnalysisError if that
    axis is within 30° of up or down.
    """
    up = np.asarray(mean_specific_force, float)
    up = up / np.linalg.norm(up)
    axis = _direction(forward_chip_axis)
    forward = axis - (axis @ up) * up
    length = np.linalg.norm(forward)
    if not length >= STEEPEST_FORWARD:
        raise AnalysisError(f"chip axis {forward_chip_axis} is too steep to be forward: name a horizontal one")
    forward = forward / length
    return np.array([forward, np.cross(up, forward), up])


def leaning_deg(rotation: NDArray[np.float64], mean_specific_force: ArrayLike) -> float:
    """Angle between the mean specific force (3,) in chip axes and a mounting's up, in degrees."""
    force = np.asarray(mean_specific_force, float)
    return float(np.degrees(np.arccos(np.clip(rotation[2] @ force / np.linalg.norm(force), -1.0, 1.0))))


def fitting_mounting(rotation: NDArray[np.float64], mean_specific_force: ArrayLike) -> str:
    """The mounting along the chip's axes that puts gravity on z and is closest to the declared one."""
    force = np.asarray(mean_specific_force, float)
    up = np.zeros(3)
    up[np.argmax(abs(force))] = np.sign(force[np.argmax(abs(force))])
    signs = list(product((1.0, -1.0), repeat=3))
    boxes = [np.diag(sign) @ np.eye(3)[list(order)] for order in permutations(range(3)) for sign in signs]
    upright = [box for box in boxes if np.linalg.det(box) > 0 and np.array_equal(box[2], up)]
    nearest = max(upright, key=lambda box: float(np.trace(rotation.T @ box)))
    return ",".join(f"{axis}={_name(chip)}" for axis, chip in zip("xyz", nearest, strict=True))


def _name(direction: NDArray[np.float64]) -> str:
    axis = int(np.argmax(abs(direction)))
    return f"{'+' if direction[axis] > 0 else '-'}{'XYZ'[axis]}"


def _direction(chip_axis: str) -> NDArray[np.float64]:
    return np.eye(3)["XYZ".index(chip_axis[1])] * (-1.0 if chip_axis[0] == "-" else 1.0)
