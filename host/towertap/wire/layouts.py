"""How the bytes of a sample payload are to be read: one line in a table for each chip's layout."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

STANDARD_GRAVITY_MS2 = 9.80665
"""Standard acceleration of free fall, exact (CGPM 1901)."""

FULL_SCALE_COUNTS = 32768
ODR_HZ = (1.0, 100_000.0)
"""Rates that a chip may have; anything else in a hello is a mistake."""

NO_READING = -32768
"""The count by which the chip says that it had no valid reading."""


@dataclass(frozen=True)
class Layout:
    """One chip's sample packet: its fields, and what its numbers mean."""

    chip: str
    packet: np.dtype
    valid_mask: int
    """Bits of the packet's header that are looked at..."""
    valid_bits: int
    """...and what they are when the packet holds both acceleration and rotation."""
    temperature_counts_per_c: float
    temperature_offset_c: float
    noise_g_per_rthz: float
    noise_dps_per_rthz: float
    sensitivity_tolerance: float
    """Of acceleration, as a part of 1."""

    def temperature_c(self, word: np.ndarray) -> np.ndarray:
        """Degrees Celsius of the frame header's temperature word; NaN where the word says "not known"."""
        degrees = np.asarray(word) / self.temperature_counts_per_c + self.temperature_offset_c
        return np.where(np.asarray(word) == NO_READING, np.nan, degrees)


_FIFO_PACKET_3 = np.dtype(
    [
        ("header", "u1"),
        ("acceleration", ">i2", 3),
        ("rotation", ">i2", 3),
        ("temperature", "i1"),
        ("time_us", ">u2"),
    ]
)

LAYOUTS = {
    # ICM-42688-P data sheet DS-000347: packet 3 (6.1), temperature (4.13), noise densities (tables 1 and 2),
    # initial tolerance of the accelerometer's sensitivity, component and board level at 25 °C (table 2)
    1: Layout("ICM-42688-P", _FIFO_PACKET_3, 0xE0, 0x60, 132.48, 25.0, 70e-6, 2.8e-3, 0.005),
}
"""Layout id of the frame header → how to read the payload."""
