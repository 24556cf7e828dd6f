"""How a chip's sample payload is read and what its numbers mean: one `Layout` and one line in `LAYOUTS` per chip."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from towertap.wire.frames import UNKNOWN_TEMPERATURE

STANDARD_GRAVITY_MS2 = 9.80665
"""Standard acceleration of free fall, exact (CGPM 1901)."""


@dataclass(frozen=True)
class Measurand:
    """A quantity that a chip measures along three axes: the width of a count and its meaning."""

    bits: int
    """Width of a signed count. The lowest count means that the chip had no valid reading."""
    range_key: str
    """Key of the hello that gives the range, ± in the unit of `unit_si`."""
    unit_si: float
    """The unit used for ranges and in data sheets (g, °/s), in m/s² or rad/s."""
    noise_per_rthz: float
    """Noise density by the data sheet, in that unit per √Hz."""

    @property
    def full_scale(self) -> int:
        """Count at the end of the range."""
        return 1 << self.bits - 1

    @property
    def highest(self) -> int:
        """Largest count; its negative is the smallest valid one."""
        return self.full_scale - 1

    @property
    def no_reading(self) -> int:
        """Count that means "no valid reading"."""
        return -self.full_scale

    @property
    def dtype(self) -> np.dtype:
        """Type of the counts in a capture."""
        return np.dtype("<i2" if self.bits <= 16 else "<i4")

    def scale(self, full_range: float) -> float:
        """m/s² or rad/s per count, with the chip set to ±`full_range`."""
        return full_range * self.unit_si / self.full_scale


@dataclass(frozen=True, eq=False)
class Layout:
    """A chip's sample packet, and what is needed to interpret its numbers."""

    chip: str
    packet: np.dtype
    quantities: dict[str, Measurand]
    """"acceleration" and, if the chip has a gyroscope, "rotation"."""
    unpack: Callable[[np.ndarray], dict[str, np.ndarray]]
    """Packets (k, n) → counts (k, n, 3) of each quantity; Measurand.no_reading if there was no valid one."""
    temperature_law: Callable[[np.ndarray], np.ndarray]
    """Temperature word of the header → °C."""
    sensitivity_tolerance: float
    """Of acceleration, as a fraction."""

    @property
    def noise_g_per_rthz(self) -> float:
        """Noise density of acceleration by the data sheet."""
        return self.quantities["acceleration"].noise_per_rthz

    def temperature_c(self, word: np.ndarray) -> np.ndarray:
        """The frame header's temperature word in °C; NaN for "not known"."""
        return np.where(np.asarray(word) == UNKNOWN_TEMPERATURE, np.nan, self.temperature_law(np.asarray(word)))


_FIFO_PACKET_3 = np.dtype(
    [
        ("header", "u1"),
        ("acceleration", ">i2", 3),
        ("rotation", ">i2", 3),
        ("temperature", "i1"),
        ("time_us", ">u2"),
    ]
)
_THREE_COUNTS_AND_MORE = np.dtype(
    {"names": ["acceleration", "rotation"], "formats": [">u8", ">u8"], "offsets": [1, 7], "itemsize": 16}
)
"""The same packet, with three counts and the two bytes after them as one number: four times as fast to byte-swap."""


def _unpack_fifo_packet_3(packets: np.ndarray) -> dict[str, np.ndarray]:
    """A packet has readings if its header bits 7 to 5 say: not empty, accelerometer present, gyroscope present."""
    numbers, shape, names = packets.view(_THREE_COUNTS_AND_MORE), (*packets.shape, 4), ("acceleration", "rotation")
    counts = {name: numbers[name].astype("<u8").view("<i2").reshape(shape)[..., :0:-1] for name in names}
    valid = packets["header"] & 0xE0 == 0x60
    if not valid.all():
        for readings in counts.values():
            readings[~valid] = -32768
    return counts


LAYOUTS = {
    # ICM-42688-P data sheet DS-000347: packet 3 (6.1), temperature (4.13), noise densities (tables 1 and 2),
    # initial tolerance of the accelerometer's sensitivity, component and board level at 25 °C (table 2)
    1: Layout(
        "ICM-42688-P",
        _FIFO_PACKET_3,
        {
            "acceleration": Measurand(16, "accel_range_g", STANDARD_GRAVITY_MS2, 70e-6),
            "rotation": Measurand(16, "gyro_range_dps", math.radians(1), 2.8e-3),
        },
        _unpack_fifo_packet_3,
        lambda word: word / 132.48 + 25.0,
        0.005,
    ),
}
"""Layout id of the frame header → how to read the payload."""
