"""The sensors that the box knows: one file per chip, one line in the table.

A driver is a class made from a bus (board.Bus), with

- identity: NAME, IDENTITY, LAYOUT of the wire format, PACKET in bytes;
- abilities: WATERMARK (samples per frame, at which the FIFO raises the chip's interrupt), CAPACITY (samples in the
  FIFO), RATES_HZ, ACCEL_RANGE_G, GYRO_RANGE_DPS (0: no gyroscope), `anti_alias_hz` once started;
- `identify(bus)`, a class method: the value of its identity register;
- `start(odr_hz)` and `stop()`, which raise Fault if the chip does not obey;
- `drain(packets)`: fills `packets` with the oldest WATERMARK samples if the FIFO holds that many; returns how many it
  held, -1 if the data are not packets;
- `overflowed`, after `drain`: the FIFO may have lost samples before those; then `lost()`: how many since the last call,
  None if the chip does not count them;
- `is_set_up()` and `temperature()`, once a second: whether its settings still hold; its temperature word (16 bits);
- `self_test()`, while not sampling: the content of a self_test frame, or Fault.

`drain`, `is_set_up` and `temperature` do not use the heap.
"""

from ..fault import Fault
from .icm42688p import ICM42688P

SENSORS = (ICM42688P,)


def find(bus):
    """Return the driver of the chip that answers on the bus; raises Fault if none does, or an unknown one."""
    identity = 0
    for chip in SENSORS:
        identity = chip.identify(bus)
        if identity == chip.IDENTITY:
            return chip(bus)
    if identity in (0x00, 0xFF):  # reading of an empty bus
        raise Fault("no_sensor", "nothing answers on the bus; check wiring and supply")
    raise Fault("wrong_identity", "the chip's identity is 0x%02x, which no driver knows" % identity)
