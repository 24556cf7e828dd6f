"""The board: which pins carry the sensor, one line a processor, and the SPI bus with its chip select."""

import sys

from machine import SPI, Pin
from micropython import const

BOARD = getattr(sys.implementation, "_machine", sys.platform)  # as MicroPython names it

# What the name contains: SPI block, clock, to the sensor, from the sensor, chip select, interrupt.
WIRING = {
    "RP2040": (0, 18, 19, 16, 17, 20),
    "RP2350": (0, 18, 19, 16, 17, 20),
    "ESP32": (1, 18, 23, 19, 5, 4),
}
_DEFAULT = "RP2040"

_BUS_HZ = const(10_000_000)  # the chips take 24 MHz; at 10 MHz leads of a hand's length still carry clean edges


class Bus:
    """One sensor on SPI: transfers that select the chip and release it, and its interrupt pin."""

    def __init__(self):
        block, clock, to_sensor, from_sensor, select, interrupt = _wiring()
        self._select = Pin(select, Pin.OUT, value=1)
        self._spi = SPI(
            block, baudrate=_BUS_HZ, polarity=0, phase=0, sck=Pin(clock), mosi=Pin(to_sensor), miso=Pin(from_sensor)
        )
        self._interrupt = Pin(interrupt, Pin.IN)

    def exchange(self, out, into):
        """Send `out` and fill `into` with what comes back meanwhile; both of one length."""
        self._select(0)
        self._spi.write_readinto(out, into)
        self._select(1)

    def read(self, command, into):
        """Send `command`, then fill `into`: the bytes go from the bus straight to where they are wanted."""
        self._select(0)
        self._spi.write(command)
        self._spi.readinto(into)
        self._select(1)

    def on_interrupt(self, handler):
        """Call `handler(pin)` at every rising edge of the sensor's interrupt pin."""
        self._interrupt.irq(handler, Pin.IRQ_RISING)


def _wiring():
    for name in WIRING:
        if name in BOARD:
            return WIRING[name]
    return WIRING[_DEFAULT]
