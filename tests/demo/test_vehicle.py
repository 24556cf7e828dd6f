"""The corner has the frequencies of a textbook quarter-car, and its steps agree with scipy's integrators."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, linalg, signal
from towertap.demo.vehicle import ARM_X, BODY_Z, EYE_Z, POINT_X, POINT_Z, WHEEL_Z, Bush, Corner, bush_stretch, shake

RATE_HZ = 4000
SOFT, STIFF = Bush(400e3), Bush(800e3)


def random_push(n, corners=1, seed=5):
    """Forces as from a rough road, smooth on the scale of a step: (n, corners, 2) N."""
    white = np.random.default_rng(seed).standard_normal((n, corners, 2))
    sos = signal.butter(4, 150.0, fs=RATE_HZ, output="sos")
    return signal.sosfilt(sos, white, axis=0) * [800.0, 6000.0]


def frequencies_hz(mass, stiffness):
    return np.sqrt(linalg.eigh(stiffness, mass, eigvals_only=True)) / (2 * np.pi)


def test_body_bounce_and_wheel_hop_follow_the_textbook():
    # Handbook approximations for a quarter-car (e.g. Gillespie 1992, chapter 5): bounce on spring and tyre in series,
    # hop of the wheel between the two.
    corner = Corner(SOFT)
    wheel_rate = corner.spring_n_m * corner.spring_at**2
    ride_rate = wheel_rate * corner.tyre_n_m / (wheel_rate + corner.tyre_n_m)
    bounce = np.sqrt(ride_rate / (corner.sprung_kg + corner.point_kg)) / (2 * np.pi)
    hop = np.sqrt((wheel_rate + corner.tyre_n_m) / corner.arm_mass[0, 0]) / (2 * np.pi)
    mass, _, stiffness = corner.matrices()
    found = frequencies_hz(mass, stiffness)
    assert found[0] == pytest.approx(bounce, rel=0.03)
    assert found[1] == pytest.approx(hop, rel=0.03)
    assert 1.0 < found[0] < 1.5
    assert 10.0 < found[1] < 12.0


def test_with_rigid_bush_and_body_the_corner_is_a_two_mass_quarter_car():
    rigid = replace(
        Corner(Bush(1e9)), point_stiff_n_m=1e9, point_soft_n_m=1e9, point_kg=1e-3, arm_gyration=1e-2, arm_centre=1.0
    )
    wheel_rate = rigid.spring_n_m * rigid.spring_at**2
    quarter = frequencies_hz(
        np.diag([rigid.sprung_kg, rigid.arm_kg]),
        np.array([[wheel_rate, -wheel_rate], [-wheel_rate, wheel_rate + rigid.tyre_n_m]]),
    )
    mass, _, stiffness = rigid.matrices()
    assert frequencies_hz(mass, stiffness)[:2] == pytest.approx(quarter, rel=1e-3)


def test_without_free_play_the_steps_are_those_of_lsim():
    corners = [Corner(SOFT), Corner(STIFF)]
    push = random_push(RATE_HZ // 2, len(corners))
    acceleration, body = shake(corners, push, RATE_HZ)
    for i, corner in enumerate(corners):
        a, b, c, d = corner.state_space()
        _, expected, _ = signal.lsim(
            (a, b[:, :2], c, d[:, :2]), push[:, i], np.arange(len(push)) / RATE_HZ, interp=False
        )
        assert acceleration[:, i] == pytest.approx(expected[:, :2], abs=1e-6)
        assert body[:, i] == pytest.approx(expected[:, 2], abs=1e-9)


@pytest.mark.parametrize("frequency_hz", [1.2, 11.0, 30.0, 80.0])
def test_a_sine_follows_the_transfer_function(frequency_hz):
    time_s = np.arange(8 * RATE_HZ) / RATE_HZ
    push = np.zeros((len(time_s), 1, 2))
    push[:, 0, 1] = 1000.0 * np.sin(2 * np.pi * frequency_hz * time_s)
    settled = shake([Corner(SOFT)], push, RATE_HZ)[0][6 * RATE_HZ :, 0, 1]
    a, b, c, d = Corner(SOFT).state_space()
    response = c[1] @ np.linalg.solve(2j * np.pi * frequency_hz * np.eye(12) - a, b[:, 1]) + d[1, 1]
    assert settled.std() * np.sqrt(2) == pytest.approx(1000.0 * abs(response), rel=0.01)


def test_free_play_follows_its_own_equation_integrated_by_solve_ivp():
    corner = Corner(Bush(400e3, play_m=1e-3))
    push = random_push(RATE_HZ // 4)
    mass, damping, stiffness = corner.matrices()
    stretch, k, play = bush_stretch(), corner.bush.stiffness_n_m, corner.bush.play_m
    linear_bush = k * stretch.T @ stretch
    load = corner.static_load_n
    rest = load / np.hypot(*load) * (play + np.hypot(*load) / k)

    def bush_force(q):
        e = rest + stretch @ q
        reach = np.hypot(*e)
        return k * max(0.0, reach - play) / max(reach, 1e-12) * e - load  # F = k (|e| − play) once the gap is closed

    def motion(t, y):
        outside = np.zeros(6)
        outside[[ARM_X, WHEEL_Z]] = push[min(int(t * RATE_HZ + 1e-6), len(push) - 1), 0]
        forces = outside - (stiffness - linear_bush) @ y[:6] - damping @ y[6:] - stretch.T @ bush_force(y[:6])
        return np.concatenate([y[6:], np.linalg.solve(mass, forces)])

    times = np.arange(len(push)) / RATE_HZ
    solved = integrate.solve_ivp(motion, (0, times[-1]), np.zeros(12), t_eval=times, max_step=0.5 / RATE_HZ, rtol=1e-6)
    q_dd = np.array([motion(t, y)[6:] for t, y in zip(solved.t, solved.y.T, strict=True)])
    expected = np.column_stack([q_dd[:, POINT_X], q_dd[:, BODY_Z] + q_dd[:, POINT_Z]])

    def miss(bush, steps):
        """Relative error of the stepped solution against the integrated one, with the push held over `steps` steps."""
        found, _ = shake([replace(corner, bush=bush)], np.repeat(push, steps, axis=0), steps * RATE_HZ)
        return (found[::steps, 0] - expected).std() / expected.std()

    assert miss(corner.bush, steps=1) < 0.025
    assert miss(corner.bush, steps=4) < 0.01
    assert miss(Bush(400e3), steps=1) > 0.04  # free play matters


def test_a_car_at_rest_stays_at_rest():
    acceleration, body = shake([Corner(Bush(400e3, play_m=1e-3))], np.zeros((400, 1, 2)), RATE_HZ)
    assert np.abs(acceleration).max() < 1e-9
    assert np.abs(body).max() < 1e-9


def test_the_arm_is_a_rigid_body():
    # Kinetic energy of a rod that rises at 1 m/s at both ends is half its mass; with the eye at rest it is that of its
    # centre and of its rotation.
    corner = Corner(SOFT)
    both, wheel = np.array([1.0, 1.0]), np.array([1.0, 0.0])
    assert both @ corner.arm_mass @ both == pytest.approx(corner.arm_kg)
    assert wheel @ corner.arm_mass @ wheel == pytest.approx(
        corner.arm_kg * (corner.arm_centre**2 + corner.arm_gyration**2)
    )


def test_the_hard_point_carries_what_the_bush_gives_it():
    # A steady pull on the arm stretches the bush by F/k and the body by its own compliance: springs in series.
    corner = Corner(SOFT)
    _, _, stiffness = corner.matrices()
    pull = np.zeros(6)
    pull[ARM_X] = 1000.0
    q = np.linalg.solve(stiffness, pull)
    assert q[ARM_X] - q[POINT_X] == pytest.approx(1000.0 / 400e3)
    cos, sin = np.cos(corner.point_angle), np.sin(corner.point_angle)
    assert q[POINT_X] == pytest.approx(1000.0 * (cos**2 / corner.point_stiff_n_m + sin**2 / corner.point_soft_n_m))
    assert q[EYE_Z] == pytest.approx(q[BODY_Z] + q[POINT_Z])
