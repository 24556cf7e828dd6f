"""One rear corner of an invented minibus: tyre, trailing arm, spring, damper, and the bush between arm and body.

The arm is a rigid body with the wheel near one end and the bush at the other. There are six coordinates, zero for the
car at rest on a level road: the body's height, the arm's height at the wheel and at the bush, the arm's fore-aft
position, and two displacements of the hard point relative to the body. The hard point is a small mass on the body's
local stiffness. Its soft direction is inclined, as for a bracket on a sill, so a fore-aft push also moves it up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.wire.layouts import STANDARD_GRAVITY_MS2

BODY_Z, WHEEL_Z, EYE_Z, ARM_X, POINT_X, POINT_Z = range(6)
"""The coordinates. The eye is the arm's end in the bush; POINT_X and POINT_Z are relative to the body."""


@dataclass(frozen=True)
class Bush:
    """A trailing-arm bush, the same in every radial direction: stiffness, loss factor at 30 Hz and radial free play."""

    stiffness_n_m: float
    loss_factor: float = 0.2
    play_m: float = 0.0

    @property
    def damping_ns_m(self) -> float:
        """Viscous damping with the bush's loss factor at 30 Hz."""
        return self.loss_factor * self.stiffness_n_m / (2 * np.pi * 30.0)


@dataclass(frozen=True)
class Corner:
    """One rear corner; the masses and springs give the body 1.2 Hz and the wheel hop 11 Hz."""

    bush: Bush
    sprung_kg: float = 600.0
    arm_kg: float = 72.0
    arm_centre: float = 0.78  # centre of mass, from the bush towards the wheel, as a share of the arm's length
    arm_gyration: float = 0.40  # radius of gyration about it, same unit
    spring_at: float = 0.75  # where spring and damper sit, same unit
    spring_n_m: float = 78e3
    damper_ns_m: float = 5.0e3
    tyre_n_m: float = 220e3
    tyre_damping_ns_m: float = 150.0
    point_kg: float = 10.0
    point_stiff_n_m: float = 12e6
    point_soft_n_m: float = 4e6
    point_damping: float = 0.06  # of critical
    point_angle: float = np.radians(20.0)  # the stiff direction, above the horizontal

    @property
    def arm_mass(self) -> NDArray[np.float64]:
        """Mass matrix of the arm (2, 2) for the heights of wheel and eye, kg."""
        inertia = self.arm_gyration**2
        centre = np.array([self.arm_centre, 1 - self.arm_centre])
        return self.arm_kg * (np.outer(centre, centre) + inertia * np.array([[1.0, -1.0], [-1.0, 1.0]]))

    @property
    def static_load_n(self) -> NDArray[np.float64]:
        """Force of the arm on the hard point at rest (x, z), N: drag acts backwards, wheel and spring act down."""
        wheel_n = self.sprung_kg * STANDARD_GRAVITY_MS2
        return np.array([-0.02 * wheel_n, -wheel_n * (1 / self.spring_at - 1)])

    def matrices(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Mass, damping and stiffness, each (6, 6) in SI units, for a bush without free play."""
        mass, damping, stiffness = (np.zeros((6, 6)) for _ in range(3))
        mass[BODY_Z, BODY_Z] = self.sprung_kg
        mass[WHEEL_Z : EYE_Z + 1, WHEEL_Z : EYE_Z + 1] = self.arm_mass
        mass[ARM_X, ARM_X] = self.arm_kg
        point = _from(BODY_Z, 1.0, POINT_Z, 1.0)  # the hard point's height in space
        mass += self.point_kg * (np.outer(point, point) + np.outer(*[_from(POINT_X, 1.0)] * 2))

        spring = _from(BODY_Z, 1.0, WHEEL_Z, -self.spring_at, EYE_Z, self.spring_at - 1)
        bush_x, bush_z = bush_stretch()
        tyre = _from(WHEEL_Z, 1.0)
        for stretch, n_m, ns_m in (
            (spring, self.spring_n_m, self.damper_ns_m),
            (bush_x, self.bush.stiffness_n_m, self.bush.damping_ns_m),
            (bush_z, self.bush.stiffness_n_m, self.bush.damping_ns_m),
            (tyre, self.tyre_n_m, self.tyre_damping_ns_m),
            *self._point_springs(),
        ):
            stiffness += n_m * np.outer(stretch, stretch)
            damping += ns_m * np.outer(stretch, stretch)
        return mass, damping, stiffness

    def _point_springs(self) -> list[tuple[NDArray[np.float64], float, float]]:
        cos, sin = np.cos(self.point_angle), np.sin(self.point_angle)
        return [
            (direction, n_m, 2 * self.point_damping * np.sqrt(n_m * self.point_kg))
            for direction, n_m in (
                (_from(POINT_X, cos, POINT_Z, sin), self.point_stiff_n_m),
                (_from(POINT_X, -sin, POINT_Z, cos), self.point_soft_n_m),
            )
        ]

    def state_space(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """A, B, C, D of the corner without free play.

        State: the six coordinates and their rates. Input, N: force on the wheel along x and z, and an extra force in
        the bush along x and z (added to the hard point, subtracted from the arm). Output: absolute acceleration of the
        hard point along x and z, m/s², and the body's vertical speed, m/s.
        """
        mass, damping, stiffness = self.matrices()
        inputs = np.column_stack([_from(ARM_X, 1.0), _from(WHEEL_Z, 1.0), *(-bush_stretch())])
        inverse = np.linalg.inv(mass)
        a = np.block([[np.zeros((6, 6)), np.eye(6)], [-inverse @ stiffness, -inverse @ damping]])
        b = np.vstack([np.zeros((6, 4)), inverse @ inputs])
        points = np.vstack([_from(POINT_X, 1.0), _from(BODY_Z, 1.0, POINT_Z, 1.0)])
        speed = np.concatenate([np.zeros(6), _from(BODY_Z, 1.0)])
        return a, b, np.vstack([points @ a[6:], speed]), np.vstack([points @ b[6:], np.zeros(4)])


def bush_stretch() -> NDArray[np.float64]:
    """The bush's stretch (arm minus hard point) along x and z, as rows over the six coordinates, (2, 6)."""
    return np.vstack([_from(ARM_X, 1.0, POINT_X, -1.0), _from(EYE_Z, 1.0, BODY_Z, -1.0, POINT_Z, -1.0)])


def shake(
    corners: Sequence[Corner], push_n: NDArray[np.float64], rate_hz: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Simulate many corners at once: forces at the wheels in, motion of the hard points out.

    `push_n` is (n, corners, 2): along x and z at each wheel, in newtons, held between samples. Returns the hard points'
    acceleration (n, corners, 2) along x and z in m/s² and the bodies' vertical speed (n, corners) in m/s. The linear
    part is stepped exactly (matrix exponential). Free play reduces the linear force: the bush pushes with
    k·e·(1 − min(1, play/|e|)), where e is its stretch from the middle. The reduction, at most k·play, is held over a
    step.
    """
    corner_steps = zip(*(_step(corner, rate_hz) for corner in corners), strict=True)
    steps, stiffness, play, rest = (np.stack(arrays) for arrays in corner_steps)
    stretch = bush_stretch()
    state = np.zeros((len(corners), 12))
    reduction_at_rest = _reduction(rest, stiffness, play)
    outputs = np.empty((len(push_n), len(corners), 3))
    inputs = np.empty((len(corners), 16))
    for i, push in enumerate(push_n):
        inputs[:, :12] = state
        inputs[:, 12:14] = push
        inputs[:, 14:] = reduction_at_rest - _reduction(rest + state[:, :6] @ stretch.T, stiffness, play)
        stepped = np.matmul(steps, inputs[:, :, None])[:, :, 0]
        state, outputs[i] = stepped[:, :12], stepped[:, 12:]
    return outputs[:, :, :2], outputs[:, :, 2]


def _step(corner: Corner, rate_hz: float) -> tuple[NDArray[np.float64], ...]:
    """The step matrix (15, 16) of a corner, its bush stiffness, free play and stretch at rest."""
    a, b, c, d = corner.state_space()
    discrete = scipy.linalg.expm(np.block([[a, b], [np.zeros((4, 16))]]) / rate_hz)[:12]
    load = corner.static_load_n
    stretch = np.hypot(*load) / corner.bush.stiffness_n_m + corner.bush.play_m
    rest = stretch * load / np.hypot(*load)
    return (
        np.vstack([discrete, np.hstack([c, d])]),
        np.array(corner.bush.stiffness_n_m),
        np.array(corner.bush.play_m),
        rest,
    )


def _reduction(
    stretch: NDArray[np.float64], stiffness: NDArray[np.float64], play: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How much free play reduces the bush's linear force, (corners, 2), N."""
    return stretch * (stiffness * np.minimum(1.0, play / np.hypot(stretch[:, 0], stretch[:, 1]).clip(1e-12)))[:, None]


def _from(*entries: float) -> NDArray[np.float64]:
    """A row over the six coordinates, from pairs of coordinate and value."""
    row = np.zeros(6)
    row[np.array(entries[::2], int)] = entries[1::2]
    return row
