"""Vehicle axes from chip axes, after ISO 8855: x forward, y left, z up; at rest the specific force is +g on z.

What is declared is held against gravity, which shows the axis that is up and says nothing of the one that is forward.
"""

import re
from collections.abc import Callable
from itertools import permutations, product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from towertap.errors import AnalysisError

EXAMPLE = "x=+X,y=+Y,z=+Z"

STEEPEST_FORWARD = 0.5
"""Least part of the forward chip axis that must lie level, cos 60°; below it the heading is a guess."""


def parse_mounting(text: str, gravity_at_rest: Callable[[], NDArray[np.float64]] | None = None) -> NDArray[np.float64]:
    """Read a mounting: the rotation R (3, 3) with vehicle = R @ chip.

    `text` says for each vehicle axis which chip axis points along it, as `x=-Y,y=+X,z=+Z`; or it gives the forward
    axis alone and leaves the rest to gravity, as `x=-Y,z=gravity`. Only then `gravity_at_rest` is called; it returns
    the mean specific force at rest (3,) in chip axes. Raises AnalysisError for a text that is not a mounting, and for
    axes that are left-handed or not orthogonal.
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
    `forward_chip_axis` is one of +X −X +Y −Y +Z −Z with an ASCII sign; its level part is forward. Raises AnalysisError
    when that axis points within 30° of up or down.
    """
    up = np.asarray(mean_specific_force, float)
    up = up / np.linalg.norm(up)
    along = _direction(forward_chip_axis)
    forward = along - (along @ up) * up
    level = np.linalg.norm(forward)
    if not level >= STEEPEST_FORWARD:
        raise AnalysisError(f"chip axis {forward_chip_axis} stands too steep to be forward: name one that lies level")
    forward = forward / level
    return np.array([forward, np.cross(up, forward), up])


def leaning_deg(rotation: NDArray[np.float64], mean_specific_force: ArrayLike) -> float:
    """How far gravity, by the mean specific force (3,) in chip axes, lies from the up of a mounting, in degrees."""
    force = np.asarray(mean_specific_force, float)
    return float(np.degrees(np.arccos(np.clip(rotation[2] @ force / np.linalg.norm(force), -1.0, 1.0))))


def fitting_mounting(rotation: NDArray[np.float64], mean_specific_force: ArrayLike) -> str:
    """The mounting along the chip's axes that has gravity on its z and is the nearest to what was declared."""
    force = np.asarray(mean_specific_force, float)
    up = np.zeros(3)
    up[np.argmax(abs(force))] = np.sign(force[np.argmax(abs(force))])
    turned = (np.diag(signs) @ np.eye(3)[list(order)] for order in permutations(range(3)) for signs in _SIGNS)
    upright = [box for box in turned if np.linalg.det(box) > 0 and np.array_equal(box[2], up)]
    nearest = max(upright, key=lambda box: float(np.trace(rotation.T @ box)))
    return ",".join(f"{axis}={_name(chip)}" for axis, chip in zip("xyz", nearest, strict=True))


_SIGNS = tuple(product((1.0, -1.0), repeat=3))


def _name(direction: NDArray[np.float64]) -> str:
    along = int(np.argmax(abs(direction)))
    return f"{'+' if direction[along] > 0 else '-'}{'XYZ'[along]}"


def _direction(chip_axis: str) -> NDArray[np.float64]:
    return np.eye(3)["XYZ".index(chip_axis[1])] * (-1.0 if chip_axis[0] == "-" else 1.0)
