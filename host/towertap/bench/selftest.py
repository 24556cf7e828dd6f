"""The chip's self-test: asked of a box that lies still, read strictly, and kept as a bench record."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any

from towertap.bench.records import Record, Subject
from towertap.box.port import SerialBox
from towertap.errors import BoxError

AXES = tuple(f"{sensor}_{axis}" for sensor in ("acceleration", "rotation") for axis in "xyz")
UNITS = {"g": "g", "dps": "°/s"}


@dataclass(frozen=True)
class Axis:
    """How one of the chip's axes answered when the chip pushed it; numbers in `unit` ("g" or "dps")."""

    axis: str
    unit: str
    at_rest: float
    response: float
    factory: float | None
    """The response when the chip was made; None: the chip does not say."""
    ratio: float | None
    """Response over the factory's."""
    ok: bool


@dataclass(frozen=True)
class SelfTest:
    """What the chip found about itself; `ok` when the box was still and every axis answered as it must."""

    chip: str
    odr_hz: float
    accel_range_g: float
    gyro_range_dps: float
    samples: int
    """Averaged for each reading."""
    temperature_c: float
    still: bool
    ok: bool
    axes: tuple[Axis, ...]

    @property
    def verdict(self) -> str:
        """The finding in words, and what to do about it."""
        if not self.still:
            return "the box was moved: let it lie still and test it again"
        bad = [axis.axis for axis in self.axes if not axis.ok]
        if bad:
            return (
                f"the chip answers wrongly on {', '.join(bad)}: test it again, warm; if it stays so, change the sensor"
            )
        return "the chip answers as when it was made"

    def data(self) -> dict[str, Any]:
        """All of it, with the verdict, as JSON holds it."""
        return {**asdict(self), "axes": [asdict(axis) for axis in self.axes], "verdict": self.verdict}


def run(box: SerialBox) -> SelfTest:
    """Let the chip of a greeted box test itself; BoxError when it does not, or answers with something else."""
    answer = box.self_test()
    try:
        axes = tuple(_axis(item) for item in answer["axes"])
        if tuple(axis.axis for axis in axes) != AXES:
            raise ValueError("its axes")
        return SelfTest(
            str(answer["chip"]),
            _number(answer["odr_hz"]),
            _number(answer["accel_range_g"]),
            _number(answer["gyro_range_dps"]),
            round(_number(answer["samples"])),
            _number(answer["temperature_c"]),
            bool(answer["still"]),
            bool(answer["ok"]),
            axes,
        )
    except (KeyError, TypeError, ValueError) as error:
        words = " ".join(str(error).split())[:80]
        raise BoxError(f"{box.port}: the answer is no self-test ({words}); flash the box anew") from None


def _axis(item: dict[str, Any]) -> Axis:
    if item["unit"] not in UNITS:
        raise ValueError("its units")
    factory, ratio = (None if item[name] is None else _number(item[name]) for name in ("factory", "ratio"))
    at_rest, response = _number(item["at_rest"]), _number(item["response"])
    return Axis(str(item["axis"]), item["unit"], at_rest, response, factory, ratio, bool(item["ok"]))


def _number(value: Any) -> float:
    if not math.isfinite(value):
        raise ValueError("its numbers")
    return float(value)


def record_of(found: SelfTest, box: SerialBox) -> Record:
    """A record of it, made now; its subject's settings are those of the test."""
    return Record(
        "selftest",
        Subject(str(box.identity["serial"]), found.chip, found.odr_hz, found.accel_range_g, None),
        datetime.now(UTC).isoformat(),
        (found.temperature_c, found.temperature_c),
        "the chip itself",
        found.data(),
    )
