"""The sensors that the box knows: one file a chip, one line in the table.

A driver is a class made of a bus (board.Bus), with

- what it is: NAME, IDENTITY, LAYOUT of the wire format, PACKET in bytes;
- what it can: WATERMARK (samples a frame: when the FIFO has reached it, the chip's interrupt comes), CAPACITY (samples
  in the FIFO), RATES_HZ, ACCEL_RANGE_G, GYRO_RANGE_DPS (0: it has no gyroscope), `anti_alias_hz` once started;
- `identify(bus)`, a class method: what its identity register reads;
- `start(odr_hz)` and `stop()`, which raise Fault when the chip does not do as told;
- `drain(packets)`: fills `packets` with the oldest WATERMARK samples if the FIFO holds as many; returns how many it
  held, -1 when what came cannot be;
- `overflowed`, after `drain`: the FIFO may have lost samples before those; then `lost()`: how many since it was last
  asked, None when the chip does not count them;
- `is_set_up()` and `temperature()`, once a second: whether it still samples as told; its temperature word (16 bits);
- `self_test()`, when it does not sample: the content of a self_test frame, or Fault.

`drain`, `is_set_up` and `temperature` keep off the heap.
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
