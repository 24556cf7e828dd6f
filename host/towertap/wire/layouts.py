"""How a chip's sample payload is read and what its numbers mean: one layout object, and one line in a table, a chip."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from towertap.wire.frames import UNKNOWN_TEMPERATURE

STANDARD_GRAVITY_MS2 = 9.80665
"""Standard acceleration of free fall, exact (CGPM 1901)."""


@dataclass(frozen=True)
class Measurand:
    """What a chip measures along its three axes: the width of a count, and what one means."""

    bits: int
    """Of a signed count. The lowest one says that the chip had no valid reading."""
    range_key: str
    """Key of the hello that tells the range, a plus-or-minus number in `unit`."""
    unit_si: float
    """The unit of ranges and data sheets (g, °/s) in m/s² or rad/s."""
    noise_per_rthz: float
    """The data sheet's noise density, in that unit over √Hz."""

    @property
    def full_scale(self) -> int:
        """The count at the end of the range."""
        return 1 << self.bits - 1

    @property
    def highest(self) -> int:
        """The largest count; the smallest that is a reading is its negative."""
        return self.full_scale - 1

    @property
    def no_reading(self) -> int:
        """The count by which the chip says that it had no valid reading."""
        return -self.full_scale

    @property
    def dtype(self) -> np.dtype:
        """The smallest type of a capture that holds the counts."""
        return np.dtype("<i2" if self.bits <= 16 else "<i4")

    def scale(self, told_range: float) -> float:
        """m/s² or rad/s a count, where the chip is set to ±`told_range`."""
        return told_range * self.unit_si / self.full_scale


@dataclass(frozen=True, eq=False)
class Layout:
    """One chip's sample packet, and the chip as far as its numbers need it."""

    chip: str
    packet: np.dtype
    quantities: dict[str, Measurand]
    """Of "acceleration" and, where the chip has a gyroscope, "rotation"."""
    unpack: Callable[[np.ndarray], dict[str, np.ndarray]]
    """From packets (k, n) to the counts (k, n, 3) of each quantity; Measurand.no_reading where none was valid."""
    temperature_law: Callable[[np.ndarray], np.ndarray]
    """From the header's temperature word to °C."""
    sensitivity_tolerance: float
    """Of acceleration, as a part of 1."""

    @property
    def noise_g_per_rthz(self) -> float:
        """The data sheet's noise density of acceleration."""
        return self.quantities["acceleration"].noise_per_rthz

    def temperature_c(self, word: np.ndarray) -> np.ndarray:
        """Degrees Celsius of the frame header's temperature word; NaN where the word says "not known"."""
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
"""The same with three counts and the two bytes behind them as one number: turned at once, and four times as fast."""


def _unpack_fifo_packet_3(packets: np.ndarray) -> dict[str, np.ndarray]:
    """Header bits 7 to 5: not empty, accelerometer and gyroscope present; any other packet holds no reading."""
    numbers, shape, names = packets.view(_THREE_COUNTS_AND_MORE), (*packets.shape, 4), ("acceleration", "rotation")
    counts = {name: numbers[name].astype("<u8").view("<i2").reshape(shape)[..., :0:-1] for name in names}
    valid = packets["header"] & 0xE0 == 0x60
    if not valid.all():
        for of_quantity in counts.values():
            of_quantity[~valid] = -32768
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
