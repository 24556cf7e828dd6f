"""The chip's self-test: requested from a box that lies still, validated, and kept as a bench record."""

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
    """Response of one of the chip's axes when the chip pushed it; numbers in `unit`."""

    axis: str
    unit: Literal["g", "dps"]
    at_rest: float
    response: float
    factory: float | None
    """The response when the chip was made; None if not known."""
    ratio: float | None
    """Response over the factory's."""
    ok: bool


@dataclass(frozen=True)
class SelfTest:
    """Result of the self-test; `ok` if the box was still and every axis responded correctly."""

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
        """The result in words, and what to do about it."""
        if not self.still:
            return "the box was moved: let it lie still and test it again"
        bad = [axis.axis for axis in self.axes if not axis.ok]
        if bad:
            return f"the chip fails on {', '.join(bad)}: test it again, warm; if it fails again, change the sensor"
        return "the chip responds as when it was made"

    def data(self) -> dict[str, Any]:
        """For JSON: the result and the verdict."""
        return asdict(self) | {"verdict": self.verdict}


def run(box: SerialBox) -> SelfTest:
    """Let the chip of a greeted box test itself; BoxError if it does not, or if the answer is not valid."""
    try:
        result: SelfTest = typed(box.self_test(), SelfTest, "the answer")
    except FileError as error:
        raise BoxError(f"{box.port}: {error}: no self-test; flash the box again") from None
    if tuple(answer.axis for answer in result.axes) != AXES:
        raise BoxError(f"{box.port}: the answer has other axes: no self-test; flash the box again")
    return result


def record_of(result: SelfTest, box: SerialBox) -> Record:
    """A record of a result, dated now, for the settings of the test."""
    return Record(
        "selftest",
        BoxSetup(str(box.identity["serial"]), result.chip, result.odr_hz, result.accel_range_g, None),
        datetime.now(UTC).isoformat(),
        (result.temperature_c, result.temperature_c),
        "the chip itself",
        result.data(),
    )
