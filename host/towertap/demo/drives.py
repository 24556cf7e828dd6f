"""The invented drives: which part over which road, and the motion of the hard point that the chip measures."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from itertools import product

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.capture.conditions import Conditions
from towertap.capture.mounting import parse_mounting
from towertap.compare.plan.choice import STANDARD, drive_order
from towertap.compare.plan.pilot import said
from towertap.compare.plan.plan import DEFAULT_METRICS, HeldConditions, Plan, PlannedRoad
from towertap.compare.stats.planning import design_of
from towertap.demo.road import ROADS, InventedRoad, bends, surface, under_tyre
from towertap.demo.vehicle import Bush, Corner, shake
from towertap.wire.layouts import STANDARD_GRAVITY_MS2

RUBBER = Bush(stiffness_n_m=400e3, play_m=0.1e-3)
POLYURETHANE = Bush(stiffness_n_m=800e3, play_m=0.1e-3)
PARTS = {"rubber-bush": RUBBER, "rubber-bush-refitted": RUBBER, "polyurethane-bush": POLYURETHANE}
"""Part name → bush: the only difference between "before" and "after"."""

VEHICLE = "community minibus (invented)"
TYRE_PRESSURES_KPA = "300, 300, 350, 350"
BOX_POSITION = "sill beside the rear left trailing-arm bracket"
MOUNTING = "x=+Y,y=-X,z=+Z"
RATE_HZ = 4000
REST_S, PULL_AWAY_MS2, GEAR_S, SHIFT_S = 1.2, 3.5, 1.6, 0.3
"""Each recording begins at rest, which shows gravity, and pulls away through the gears while the filters settle."""

WHEELBASE_M = 3.0
ROLL_RAD_PER_MS2 = 0.009
TOE_SHARE = 0.2
"""Share of the arm's fore-aft push that acts sideways on the hard point, because the arm is not quite straight."""
ENGINE_HZ, IDLE_HZ, ENGINE_MS2 = 62.0, 27.0, 0.03
"""Firing frequencies at target speed and at idle, and the amplitude at the hard point."""

SEED = 1
PLANNED_BEFORE = timedelta(days=1)
"""Age of the plan at the first drive."""
EVERY, REFIT, AT = timedelta(minutes=8), timedelta(hours=2), time(6)
"""Time between drives, extra time for a refit, and time of the first drive. It is yesterday's, so that all drives are
of one day."""


@dataclass(frozen=True)
class Drive:
    """One pass: road, part fitted, number, air temperature, and the seed of all random variation.

    `started` is when it was driven, if the scenario has a time for it.
    """

    road: InventedRoad
    part: str
    number: int
    air_temperature_c: float
    seed: int
    started: datetime | None = None

    @property
    def name(self) -> str:
        """The name of its recording."""
        return f"{self.road.name}_{self.part}_pass{self.number:02d}"

    @property
    def conditions(self) -> Conditions:
        """The conditions as written down before the drive."""
        return Conditions(
            vehicle=VEHICLE,
            part=self.part,
            road=self.road.name,
            pass_number=self.number,
            speed_kmh=self.road.speed_kmh,
            tyre_pressures_kpa=TYRE_PRESSURES_KPA,
            air_temperature_c=self.air_temperature_c,
            box_position=BOX_POSITION,
            mounting=MOUNTING,
            notes="Invented by the towertap demo: no such vehicle, road or drive exists.",
        )

    def corner(self) -> Corner:
        """The car in this pass: load, tyres, damper and bush vary a little; the bush also with air temperature."""
        rng = np.random.default_rng([self.seed, 1])
        corner = Corner(PARTS[self.part])
        softening = 1 - 0.005 * (self.air_temperature_c - 12.0)
        return replace(
            corner,
            bush=replace(corner.bush, stiffness_n_m=corner.bush.stiffness_n_m * softening * rng.normal(1.0, 0.01)),
            sprung_kg=corner.sprung_kg * rng.normal(1.0, 0.015),
            damper_ns_m=corner.damper_ns_m * rng.normal(1.0, 0.03),
            tyre_n_m=corner.tyre_n_m * rng.normal(1.0, 0.01),
        )


def make_plan(before: str, after: str, passes: int) -> Plan:
    """The plan of the demo: `passes` over every road with each part, two or more.

    An even number gets the design that can answer about the part; an odd one has a single change of the part.
    """
    design = STANDARD if passes % 2 == 0 else design_of("AB")
    first_day = datetime.combine(datetime.now().astimezone().date() - timedelta(days=1), AT).astimezone(UTC)
    return Plan(
        question=f"Does the minibus ride differently with {after} than with {before}?",
        vehicle=VEHICLE,
        before=before,
        after=after,
        smooth=ROADS[-1].name,
        roads=tuple(PlannedRoad(road.name, road.speed_kmh) for road in ROADS),
        metrics=DEFAULT_METRICS,
        margin=0.10,
        power=0.80,
        spread=said(0.03, len(ROADS) - 1).planned,
        spread_from="invented, as the demo's passes are",
        design=design.order,
        seed=SEED,
        hold=HeldConditions(TYRE_PRESSURES_KPA, (8.0, 16.0), BOX_POSITION, MOUNTING),
        drives=drive_order(before, after, [road.name for road in ROADS], passes, design, SEED),
        written_utc=(first_day - PLANNED_BEFORE).isoformat(timespec="seconds"),
    )


def drives_of(plan: Plan) -> list[Drive]:
    """Every pass of the plan in its order, with its random temperature and seed; those do not depend on the order."""
    rng = np.random.default_rng(plan.seed)
    air_c, seeds = {}, {}
    for key in product((plan.before, plan.after), range(1, plan.passes + 1), (road.name for road in ROADS)):
        air_c[key], seeds[key] = round(float(rng.normal(12.0, 0.8)), 1), int(rng.integers(2**31))
    roads = {road.name: road for road in ROADS}
    started, drives = plan.written + PLANNED_BEFORE, []
    for stretch, slots in plan.stretches:
        for slot in slots:
            key = slot.part, slot.pass_number, slot.road
            at = started + (stretch.installation - 1) * REFIT
            drives.append(Drive(roads[slot.road], slot.part, slot.pass_number, air_c[key], seeds[key], at))
            started += EVERY
    return drives


def motions(drives: Sequence[Drive], seconds: float) -> NDArray[np.float64]:
    """What the chip measures in each drive: (drives, n, 6) in chip axes at RATE_HZ.

    The columns are specific force x, y, z in m/s², gravity included, and rotation rate x, y, z in rad/s.
    """
    corners = [drive.corner() for drive in drives]
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    courses = [_course(drive, corner, time_s) for drive, corner in zip(drives, corners, strict=True)]
    point_ms2, body_m_s = shake(corners, np.stack([push for push, _ in courses], axis=1), RATE_HZ)
    motion = np.stack([car_motion for _, car_motion in courses])
    del courses  # frees as much memory again
    motion[:, :, 0] += point_ms2[:, :, 0].T
    motion[:, :, 1] += TOE_SHARE * point_ms2[:, :, 0].T
    motion[:, :, 2] += point_ms2[:, :, 1].T
    motion[:, :, 4] = body_m_s.T / WHEELBASE_M  # the rear rises about the front axle: nose down is positive
    vehicle_from_chip = parse_mounting(MOUNTING)
    return (motion.reshape(*motion.shape[:2], 2, 3) @ vehicle_from_chip).reshape(motion.shape)


def _course(
    drive: Drive, corner: Corner, time_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """One pass along its road: force at the wheel (n, 2) in N, and the car's rigid motion (n, 6) in vehicle axes."""
    rng = np.random.default_rng([drive.seed, 2])
    target_m_s, speed = drive.road.speed_kmh / 3.6, _speed(drive, time_s, rng)
    distance = rng.uniform(1.0, 3.0) + scipy.integrate.cumulative_trapezoid(speed, time_s, initial=0.0)
    height = under_tyre(surface(drive.road, line=rng))
    slope = height.derivative()(distance) - height.derivative()(distance[0])  # no force while the car is at rest
    wheel_n = corner.sprung_kg * STANDARD_GRAVITY_MS2
    tyre_n = corner.tyre_n_m * (height(distance) - height(distance[0])) + corner.tyre_damping_ns_m * speed * slope
    yaw = speed * bends(drive.road)(distance)
    firing_hz = np.maximum(IDLE_HZ, ENGINE_HZ * speed / target_m_s)
    motion = np.zeros((len(time_s), 6))
    motion[:, 0] = np.gradient(speed, time_s)
    motion[:, 1] = speed * yaw
    motion[:, 2] = STANDARD_GRAVITY_MS2 + ENGINE_MS2 * np.sin(
        2 * np.pi * scipy.integrate.cumulative_trapezoid(firing_hz, time_s, initial=0.0)
    )
    motion[:, 3] = ROLL_RAD_PER_MS2 * np.gradient(motion[:, 1], time_s)
    motion[:, 5] = yaw
    return np.column_stack([-wheel_n * slope, tyre_n]), motion


def true_speed(drive: Drive, seconds: float) -> NDArray[np.float64]:
    """The speed of a pass in m/s at RATE_HZ."""
    return _speed(drive, np.arange(round(seconds * RATE_HZ)) / RATE_HZ, np.random.default_rng([drive.seed, 2]))


def _speed(drive: Drive, time_s: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    target_m_s = drive.road.speed_kmh / 3.6
    return target_m_s * (rng.normal(1.0, 0.015) + 0.012 * _wander(time_s, rng)) * _pull_away(time_s, target_m_s)


def _pull_away(time_s: NDArray[np.float64], target_m_s: float) -> NDArray[np.float64]:
    """From 0 at rest to 1 at target speed, gear by gear; acceleration sets in and fades over half a second."""
    in_gear = (time_s > REST_S) & ((time_s - REST_S) % GEAR_S < GEAR_S - SHIFT_S)
    pulled_m_s = scipy.integrate.cumulative_trapezoid(np.where(in_gear, PULL_AWAY_MS2, 0.0), time_s, initial=0.0)
    return np.convolve(np.minimum(pulled_m_s / target_m_s, 1.0), np.full(RATE_HZ // 2, 2 / RATE_HZ))[: len(time_s)]


def _wander(time_s: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """A slow variation of r.m.s. 1: three sines with periods of 4 to 20 s and random phases."""
    periods_s = rng.uniform(4.0, 20.0, 3)
    phases = rng.uniform(0.0, 2 * np.pi, 3)
    return np.sin(2 * np.pi * time_s[:, None] / periods_s + phases).sum(axis=1) / np.sqrt(1.5)
