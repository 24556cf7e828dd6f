"""Driver of the TDK InvenSense ICM-42688-P on SPI: writes settings, reads them back, drains packets from the FIFO.

Facts are from the data sheet DS-000347, revision 1.6, as public headers and drivers give them. Its sections 14, 15 and
16 have the registers of banks 0, 1 and 2, under the names used here.

One setting is not in the sheet: bits 7 and 6 of INTF_CONFIG1, which it reserves. With their reset value (10), the
gyroscope switches between two filters at some 100 °/s, and its output sticks for 1 to 2 ms each time. Two open
flight-control projects found this and set 01 instead, with the other bits unchanged: ArduPilot (pull request 25332)
and Betaflight (pull request 13132).
"""

from time import sleep_ms

import micropython
from micropython import const

from ..fault import Fault
from . import icm42688p_self_test

_READ = const(0x80)  # first bit of a transfer: 1 reads, 0 writes

# All banks and bank 0.
_REG_BANK_SEL = const(0x76)
_DEVICE_CONFIG = const(0x11)
_INT_CONFIG = const(0x14)
_FIFO_CONFIG = const(0x16)
_TEMP_DATA1 = const(0x1D)
_INT_STATUS = const(0x2D)  # FIFO_COUNTH, FIFO_COUNTL and FIFO_DATA follow it
_INTF_CONFIG0 = const(0x4C)
_INTF_CONFIG1 = const(0x4D)
_PWR_MGMT0 = const(0x4E)
_GYRO_CONFIG0 = const(0x4F)
_ACCEL_CONFIG0 = const(0x50)
_GYRO_CONFIG1 = const(0x51)
_GYRO_ACCEL_CONFIG0 = const(0x52)
_ACCEL_CONFIG1 = const(0x53)
_TMST_CONFIG = const(0x54)
_FIFO_CONFIG1 = const(0x5F)
_FIFO_CONFIG2 = const(0x60)
_FIFO_CONFIG3 = const(0x61)
_INT_CONFIG1 = const(0x64)
_INT_SOURCE0 = const(0x65)
_FIFO_LOST_PKT0 = const(0x6C)
_WHO_AM_I = const(0x75)

# Bank 1.
_GYRO_CONFIG_STATIC2 = const(0x0B)
_GYRO_CONFIG_STATIC3 = const(0x0C)
_GYRO_CONFIG_STATIC4 = const(0x0D)
_GYRO_CONFIG_STATIC5 = const(0x0E)

# Bank 2.
_ACCEL_CONFIG_STATIC2 = const(0x03)
_ACCEL_CONFIG_STATIC3 = const(0x04)
_ACCEL_CONFIG_STATIC4 = const(0x05)

_SOFT_RESET = const(0x01)  # DEVICE_CONFIG
_RESET_DONE = const(0x10)  # INT_STATUS
_FIFO_FULL = const(0x02)  # INT_STATUS
_STREAM = const(0x40)  # FIFO_CONFIG: when full, the newest packet replaces the oldest
_LOW_NOISE = const(0x0F)  # PWR_MGMT0: both sensors in low-noise mode

_RESET_MS = const(2)  # section 14, DEVICE_CONFIG: 1 ms; sleep_ms ends up to a millisecond early
_SOON = const(8)  # samples: a millisecond at the highest rate
_ON_THEIR_WAY = const(2)  # packets that the count may include beyond those in the FIFO
_START_UP_MS = const(45)  # section 14, PWR_MGMT0: the gyroscope must stay on for 45 ms; it is valid after 30

# Output data rate in Hz: its code in GYRO_CONFIG0 and ACCEL_CONFIG0; the anti-alias filter's -3 dB bandwidth in Hz,
# about a quarter of the rate, and its DELT, DELTSQR and BITSHIFT (section 5.3, table of bandwidths).
_RATES = {
    1000: (0x06, 258, 6, 36, 10),
    2000: (0x05, 536, 12, 144, 8),
    4000: (0x04, 997, 21, 440, 6),
    8000: (0x03, 1962, 37, 1376, 4),
}


class ICM42688P:
    """One chip on `bus`. `start` it, then `drain` it at every interrupt."""

    NAME = "ICM-42688-P"
    IDENTITY = 0x47
    LAYOUT = 1
    PACKET = 16  # bytes of FIFO packet 3 (section 6.1)
    WATERMARK = 32  # a quarter of the FIFO: 4 ms of 16 ms at the highest rate
    CAPACITY = 128  # packets in 2048 bytes of FIFO
    ACCEL_RANGE_G = 16
    GYRO_RANGE_DPS = 2000
    RATES_HZ = tuple(_RATES)

    def __init__(self, bus):
        self._bus = bus
        self._select = bus.select
        self._exchange = bus.spi.write_readinto
        self._readinto = bus.spi.readinto
        self._command = bytearray(4)
        self._answer = bytearray(4)
        self._look = bytes((_INT_STATUS | _READ, 0, 0, 0))
        self.anti_alias_hz = 0
        self.overflowed = False

    @classmethod
    def identify(cls, bus):
        """Return the value of the identity register."""
        chip = cls(bus)
        chip.write(_REG_BANK_SEL, 0)
        return chip.read(_WHO_AM_I)[1]

    def start(self, odr_hz):
        """Start sampling at ±2000 °/s and ±16 g, with user-interface filters wider than the anti-alias filter.

        Raises Fault if a setting does not stick.
        """
        self.begin(odr_hz, 0x00, 0x00, 0x00)

    def self_test(self):
        """Let the chip test itself; return the content of a self_test frame. Raises Fault if it does not answer."""
        return icm42688p_self_test.self_test(self)

    def begin(self, odr_hz, gyro_range, accel_range, filters):
        """Reset and set up the chip, let it settle, and start its FIFO; raises Fault if a setting does not stick.

        The ranges are bits of GYRO_CONFIG0 and ACCEL_CONFIG0; `filters` is GYRO_ACCEL_CONFIG0.
        """
        self.stop()
        self._code, self.anti_alias_hz, delt, deltsqr, bitshift = _RATES[odr_hz]
        low, high = deltsqr & 0xFF, bitshift << 4 | deltsqr >> 8
        self.set_up(
            1,
            (_GYRO_CONFIG_STATIC2, 0xA0),  # anti-alias and notch filter on (the reset value)
            (_GYRO_CONFIG_STATIC3, delt),
            (_GYRO_CONFIG_STATIC4, low),
            (_GYRO_CONFIG_STATIC5, high),
        )
        self.set_up(
            2,
            (_ACCEL_CONFIG_STATIC2, delt << 1),  # anti-alias filter on
            (_ACCEL_CONFIG_STATIC3, low),
            (_ACCEL_CONFIG_STATIC4, high),
        )
        self.set_up(
            0,
            (_INTF_CONFIG0, 0x73),  # FIFO count in records; count and data big-endian; SPI only
            (_INTF_CONFIG1, 0x51),  # the reset value 0x91 without the gyroscope's filter switching: see above
            (_GYRO_CONFIG0, gyro_range | self._code),
            (_ACCEL_CONFIG0, accel_range | self._code),
            (_GYRO_CONFIG1, 0x1A),  # UI filter of third order: at half the rate (0x00 below) it leaves the pass band
            (_ACCEL_CONFIG1, 0x15),  # unchanged, and adds attenuation above it
            (_GYRO_ACCEL_CONFIG0, filters),
            (_TMST_CONFIG, 0x21),  # time stamps of 1 µs, without FSYNC
            (_FIFO_CONFIG1, 0x0F),  # packet 3; one interrupt on reaching the watermark
            (_FIFO_CONFIG2, self.WATERMARK),
            (_FIFO_CONFIG3, 0),
            (_INT_CONFIG, 0x03),  # INT1 pulsed, push-pull, active high
            (_INT_CONFIG1, 0x60),  # 8 µs pulses, needed from 4 kHz; INT_ASYNC_RESET off, as the sheet requires
            (_INT_SOURCE0, 0x04),  # watermark to INT1
            (_PWR_MGMT0, _LOW_NOISE),  # last, because no register may be written for 200 µs after it
        )
        sleep_ms(_START_UP_MS)
        self.set_up(0, (_FIFO_CONFIG, _STREAM))  # the FIFO was bypassed until now, so it starts empty
        self._lost_before = self._lost_packets()
        self.overflowed = False

    def stop(self):
        """Reset the chip, which puts it to sleep."""
        self.write(_REG_BANK_SEL, 0)
        self.write(_DEVICE_CONFIG, _SOFT_RESET)
        for _ in range(10):
            sleep_ms(_RESET_MS)
            if self.read(_INT_STATUS)[1] & _RESET_DONE and self.read(_PWR_MGMT0)[1] == 0:
                return
        raise Fault("bus_error", "the chip does not come back from its reset")

    @micropython.native
    def drain(self, packets):
        """Fill `packets` with the oldest samples if there are enough; return how many the FIFO held, -1 if invalid.

        Status, count and data are adjacent, and the address stays at the data, so one burst reads them all, as in the
        open flight-control project PX4. `overflowed` then says whether samples before these may be lost.
        """
        answer = self._answer
        self._select(0)
        self._exchange(self._look, answer)
        level = answer[2] << 8 | answer[3]
        if level >= self.WATERMARK:
            self._readinto(packets)
        self._select(1)
        if level < self.WATERMARK:
            return level
        # An almost full FIFO may have overflowed between count and data, after the status was read.
        self.overflowed = level > self.CAPACITY - _SOON or answer[1] & _FIFO_FULL != 0
        if level > self.CAPACITY + _ON_THEIR_WAY or not are_packets(packets, len(packets)):
            return -1
        return level

    def is_set_up(self):
        """Return whether the chip still has its settings; a dip of its supply loses them."""
        answer = self.read(_PWR_MGMT0)  # GYRO_CONFIG0 and ACCEL_CONFIG0 follow
        return answer[1] == _LOW_NOISE and answer[2] == self._code and answer[3] == self._code

    def lost(self):
        """Return how many samples the FIFO has dropped since the last call; 0 if it was full but drained in time.

        The sheet does not say whether reading clears the counter, so it is read twice: if it falls, it was cleared.
        """
        first = self._lost_packets()
        second = self._lost_packets()
        if second < first:
            self._lost_before = 0
            return first + second
        lost = second - self._lost_before & 0xFFFF
        self._lost_before = second
        return lost

    def temperature(self):
        """Return the temperature register, 16 bits: degrees Celsius = signed value / 132.48 + 25."""
        answer = self.read(_TEMP_DATA1)
        return answer[1] << 8 | answer[2]

    def peek(self, bank, register):
        """Return a copy of three registers of a bank."""
        self.write(_REG_BANK_SEL, bank)
        registers = bytes(self.read(register)[1:])
        self.write(_REG_BANK_SEL, 0)
        return registers

    def _lost_packets(self):
        answer = self.read(_FIFO_LOST_PKT0)
        return answer[1] | answer[2] << 8

    def set_up(self, bank, *settings):
        """Write (register, value) pairs of a bank, and read each back; raises Fault if one does not stick."""
        self.write(_REG_BANK_SEL, bank)
        for register, value in settings:
            self.write(register, value)
            answer = self.read(register)[1]
            if answer != value:
                detail = "register 0x%02x of bank %d reads 0x%02x, not 0x%02x as written"
                raise Fault("bus_error", detail % (register, bank, answer, value))

    def write(self, register, value):
        """Write one register of the selected bank."""
        self._bus.exchange(bytes((register, value)), bytearray(2))

    def read(self, register):
        """Return the shared buffer: a byte to skip, then `register` and the two after it."""
        self._command[0] = register | _READ
        self._bus.exchange(self._command, self._answer)
        return self._answer


@micropython.viper
def are_packets(packets, length: int) -> bool:
    """Return whether each 16 bytes begin with the header of a complete packet 3."""
    byte = ptr8(packets)
    for at in range(0, length, 16):
        if byte[at] & 0xFC != 0x68:  # accelerometer, gyroscope, time; without the two bits for a changed rate
            return False
    return True
