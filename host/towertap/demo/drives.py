"""The invented drives: who drives what over which road, and the motion of the hard point that the chip then feels."""

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
"""Part names and what they are: the only difference between "before" and "after"."""

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
"""How much of the arm's fore-aft push the hard point feels sideways, the arm not standing quite straight."""
ENGINE_HZ, IDLE_HZ, ENGINE_MS2 = 62.0, 27.0, 0.03
"""Firing frequencies at the speed aimed at and at idle, and the amplitude that reaches the hard point."""

SEED = 1
PLANNED_BEFORE = timedelta(days=1)
EVERY, REFIT, AT = timedelta(minutes=8), timedelta(hours=2), time(6)
"""The plan is a day older than the first drive; a drive comes every so often, and so much later after a refit. The
first is driven at six in the morning of yesterday, so that all are of one day."""


@dataclass(frozen=True)
class Drive:
    """One pass: a road, the part fitted, its number, the air temperature, and the seed of all that varies by chance.

    `started` is when it was driven, where the scenario has a time for it.
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
        """What would be written down before the drive."""
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
        """The car of this pass: load, tyres, damper and bush differ a little, the bush also with the air's warmth."""
        rng = np.random.default_rng([self.seed, 1])
        car = Corner(PARTS[self.part])
        softening = 1 - 0.005 * (self.air_temperature_c - 12.0)
        return replace(
            car,
            bush=replace(car.bush, stiffness_n_m=car.bush.stiffness_n_m * softening * rng.normal(1.0, 0.01)),
            sprung_kg=car.sprung_kg * rng.normal(1.0, 0.015),
            damper_ns_m=car.damper_ns_m * rng.normal(1.0, 0.03),
            tyre_n_m=car.tyre_n_m * rng.normal(1.0, 0.01),
        )


def make_plan(before: str, after: str, passes: int) -> Plan:
    """Return the plan of the demo: `passes` over every road with each part, two or more.

    By the design that answers about the part where they are even, with one change of the part where they are odd.
    """
    planned = STANDARD if passes % 2 == 0 else design_of("AB")
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
        design=planned.order,
        seed=SEED,
        hold=HeldConditions(TYRE_PRESSURES_KPA, (8.0, 16.0), BOX_POSITION, MOUNTING),
        drives=drive_order(before, after, [road.name for road in ROADS], passes, planned, SEED),
        written_utc=(first_day - PLANNED_BEFORE).isoformat(timespec="seconds"),
    )


def drives_of(planned: Plan) -> list[Drive]:
    """Return every pass of the plan in its order, with what it leaves to chance; the order has no say in that."""
    rng = np.random.default_rng(planned.seed)
    air_c, seed = {}, {}
    for key in product((planned.before, planned.after), range(1, planned.passes + 1), (road.name for road in ROADS)):
        air_c[key], seed[key] = round(float(rng.normal(12.0, 0.8)), 1), int(rng.integers(2**31))
    roads = {road.name: road for road in ROADS}
    started, drives = planned.written + PLANNED_BEFORE, []
    for stretch, in_stretch in planned.stretches:
        for slot in in_stretch:
            key = slot.part, slot.pass_number, slot.road
            at = started + (stretch.installation - 1) * REFIT
            drives.append(Drive(roads[slot.road], slot.part, slot.pass_number, air_c[key], seed[key], at))
            started += EVERY
    return drives


def motions(drives: Sequence[Drive], seconds: float) -> NDArray[np.float64]:
    """Return what the chip feels in each drive: (drives, n, 6) in chip axes at RATE_HZ.

    The columns are specific force x, y, z in m/s², gravity included, and rotation rate x, y, z in rad/s.
    """
    corners = [drive.corner() for drive in drives]
    time_s = np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    courses = [_course(drive, corner, time_s) for drive, corner in zip(drives, corners, strict=True)]
    point_ms2, body_m_s = shake(corners, np.stack([push for push, _ in courses], axis=1), RATE_HZ)
    moved = np.stack([motion for _, motion in courses])
    del courses  # as large again
    moved[:, :, 0] += point_ms2[:, :, 0].T
    moved[:, :, 1] += TOE_SHARE * point_ms2[:, :, 0].T
    moved[:, :, 2] += point_ms2[:, :, 1].T
    moved[:, :, 4] = body_m_s.T / WHEELBASE_M  # the rear rising about the front axle: nose down is positive
    vehicle_from_chip = parse_mounting(MOUNTING)
    return (moved.reshape(*moved.shape[:2], 2, 3) @ vehicle_from_chip).reshape(moved.shape)


def _course(
    drive: Drive, corner: Corner, time_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """One pass along its road: the push at the wheel (n, 2) in N, and the car's own motion (n, 6) in vehicle axes."""
    rng = np.random.default_rng([drive.seed, 2])
    aimed_m_s, speed = drive.road.speed_kmh / 3.6, _speed(drive, time_s, rng)
    place = rng.uniform(1.0, 3.0) + scipy.integrate.cumulative_trapezoid(speed, time_s, initial=0.0)
    height = under_tyre(surface(drive.road, line=rng))
    slope = height.derivative()(place) - height.derivative()(place[0])  # the car at rest is at rest
    wheel_n = corner.sprung_kg * STANDARD_GRAVITY_MS2
    push = np.column_stack(
        [
            -wheel_n * slope,
            corner.tyre_n_m * (height(place) - height(place[0])) + corner.tyre_damping_ns_m * speed * slope,
        ]
    )
    yaw = speed * bends(drive.road)(place)
    firing_hz = np.maximum(IDLE_HZ, ENGINE_HZ * speed / aimed_m_s)
    moved = np.zeros((len(time_s), 6))
    moved[:, 0] = np.gradient(speed, time_s)
    moved[:, 1] = speed * yaw
    moved[:, 2] = STANDARD_GRAVITY_MS2 + ENGINE_MS2 * np.sin(
        2 * np.pi * scipy.integrate.cumulative_trapezoid(firing_hz, time_s, initial=0.0)
    )
    moved[:, 3] = ROLL_RAD_PER_MS2 * np.gradient(moved[:, 1], time_s)
    moved[:, 5] = yaw
    return push, moved


def true_speed(drive: Drive, seconds: float) -> NDArray[np.float64]:
    """Return the speed of a pass in m/s, one value every 1 / RATE_HZ."""
    return _speed(drive, np.arange(round(seconds * RATE_HZ)) / RATE_HZ, np.random.default_rng([drive.seed, 2]))


def _speed(drive: Drive, time_s: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    aimed_m_s = drive.road.speed_kmh / 3.6
    return aimed_m_s * (rng.normal(1.0, 0.015) + 0.012 * _wander(time_s, rng)) * _pull_away(time_s, aimed_m_s)


def _pull_away(time_s: NDArray[np.float64], aimed_m_s: float) -> NDArray[np.float64]:
    """From 0 at rest to 1 at the speed aimed at, gear by gear; pull and release take half a second."""
    in_gear = (time_s > REST_S) & ((time_s - REST_S) % GEAR_S < GEAR_S - SHIFT_S)
    pulled_m_s = scipy.integrate.cumulative_trapezoid(np.where(in_gear, PULL_AWAY_MS2, 0.0), time_s, initial=0.0)
    return np.convolve(np.minimum(pulled_m_s / aimed_m_s, 1.0), np.full(RATE_HZ // 2, 2 / RATE_HZ))[: len(time_s)]


def _wander(time_s: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    """A slow wandering of r.m.s. 1: three waves of 4 to 20 s, their phases by chance."""
    periods_s = rng.uniform(4.0, 20.0, 3)
    phases = rng.uniform(0.0, 2 * np.pi, 3)
    return np.sin(2 * np.pi * time_s[:, None] / periods_s + phases).sum(axis=1) / np.sqrt(1.5)
