"""The chip's self-test: asked of a box that lies still, read strictly, and kept as a bench record."""

from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from towertap.bench.records import BoxSetup, Record
from towertap.box.port import SerialBox
from towertap.doors.structured import typed
from towertap.errors import BoxError, FileError

AXES = tuple(f"{sensor}_{axis}" for sensor in ("acceleration", "rotation") for axis in "xyz")
UNITS = {"g": "g", "dps": "°/s"}


@dataclass(frozen=True)
class AxisAnswer:
    """How one of the chip's axes answered when the chip pushed it; numbers in `unit`."""

    axis: str
    unit: Literal["g", "dps"]
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
    axes: tuple[AxisAnswer, ...]

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
    try:
        result: SelfTest = typed(box.self_test(), SelfTest, "the answer")
    except FileError as error:
        raise BoxError(f"{box.port}: {error}: no self-test; flash the box anew") from None
    if tuple(answer.axis for answer in result.axes) != AXES:
        raise BoxError(f"{box.port}: the answer has other axes: no self-test; flash the box anew")
    return result


def record_of(result: SelfTest, box: SerialBox) -> Record:
    """A record of it, made now; its subject's settings are those of the test."""
    return Record(
        "selftest",
        BoxSetup(str(box.identity["serial"]), result.chip, result.odr_hz, result.accel_range_g, None),
        datetime.now(UTC).isoformat(),
        (result.temperature_c, result.temperature_c),
        "the chip itself",
        result.data(),
    )
