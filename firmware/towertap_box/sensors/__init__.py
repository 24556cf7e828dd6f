"""The sensors that the box knows: one file a chip, one line in the table.

A driver is a class with what it is (NAME, IDENTITY, LAYOUT of the wire format, PACKET in bytes) and what it can
(WATERMARK, CAPACITY, RATES_HZ, ACCEL_RANGE_G, GYRO_RANGE_DPS), made of a bus. The loop calls `start`, then at every
watermark `level` and `drain`, `lost` when `overflowed` is set, `is_set_up` and `temperature` once a second, and `stop`;
`self_test` when it is not sampling. All but `start`, `stop`, `lost` and `self_test` keep off the heap.
"""

from ..fault import Fault
from .icm42688p import ICM42688P

SENSORS = (ICM42688P,)


def find(bus):
    """Return the driver of the chip that answers on the bus; raises Fault when there is none, or one unknown."""
    identity = 0
    for chip in SENSORS:
        identity = chip.identify(bus)
        if identity == chip.IDENTITY:
            return chip(bus)
    if identity in (0x00, 0xFF):  # what a bus reads with nobody on it
        raise Fault("no_sensor", "nothing answers on the bus; check wiring and supply")
    raise Fault("wrong_identity", "the chip's identity is 0x%02x, which no driver knows" % identity)
