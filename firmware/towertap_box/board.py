"""The board: the sensor's pins, one line per processor, and the SPI bus with its chip select."""

import sys

from machine import SPI, Pin
from micropython import const

BOARD = getattr(sys.implementation, "_machine", sys.platform)  # as MicroPython names it

# Part of the board's name: SPI block, clock, to the sensor, from the sensor, chip select, interrupt.
WIRING = {
    "RP2040": (0, 18, 19, 16, 17, 20),
    "RP2350": (0, 18, 19, 16, 17, 20),
}
_DEFAULT = "RP2040"

# MicroPython clocks an RP2's SPI block at 48 MHz, which gives only 24, 12, 8, 6 … MHz. The chips take 24 MHz; at 12 MHz
# leads of 10 cm still carry clean edges.
_BUS_HZ = const(12_000_000)


class Bus:
    """One sensor on SPI: its chip select (a Pin, 0 selects), its bus, and its interrupt pin."""

    def __init__(self):
        block, clock, to_sensor, from_sensor, select, interrupt = _wiring()
        self.select = Pin(select, Pin.OUT, value=1)
        self.spi = SPI(
            block, baudrate=_BUS_HZ, polarity=0, phase=0, sck=Pin(clock), mosi=Pin(to_sensor), miso=Pin(from_sensor)
        )
        self._interrupt = Pin(interrupt, Pin.IN, Pin.PULL_DOWN)  # a loose lead is no interrupt

    def exchange(self, out, into):
        """Send `out` and fill `into` with the bytes received meanwhile; both have one length."""
        self.select(0)
        self.spi.write_readinto(out, into)
        self.select(1)

    def on_interrupt(self, handler):
        """Call `handler(pin)` at every rising edge of the sensor's interrupt pin, as a hard interrupt."""
        self._interrupt.irq(handler, Pin.IRQ_RISING, hard=True)


def _wiring():
    for name in WIRING:
        if name in BOARD:
            return WIRING[name]
    return WIRING[_DEFAULT]
