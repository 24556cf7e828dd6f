"""The chip's two sensors: when samples are due, how registers shape them, and how they are packed.

Source: TDK InvenSense data sheet DS-000347 revision 1.6, as public headers and drivers give it. Not in the sheet: a
sensor's samples are invalid (−32768) during its start-up time.
"""

from micropython import const

from . import registers as reg
from .fifo import PACKET
from .remarks import refuse, remark
from .signal_path import GRAVITY_UMS2, frame_packets, invalidate

NEVER = const(0x1000000000000000)  # a time in picoseconds, 13 days on

_MS = const(1000000000)  # in picoseconds
_PAUSE_PS = const(200000000)  # PWR_MGMT0: no register writes for 200 µs after switching on (section 14.36)
_ACCELEROMETER_START_PS = const(10000000000)  # start-up time 10 ms (table 2)
_GYROSCOPE_START_PS = const(30000000000)  # start-up time 30 ms (table 1)
_DEGREE_URAD = 17453.292519943295


class Sampler:
    """Makes samples from a signal path according to `registers`. Times are picoseconds of true time."""

    def __init__(self, registers, path, oscillator_ppm, temperature_mc, slope_mc_per_min):
        self.path = path
        self._registers = registers
        self._rate_factor = 1 + oscillator_ppm * 1e-6
        self._temperature_mc = temperature_mc
        self._slope_mc_per_min = slope_mc_per_min
        self._packet = bytearray(PACKET)
        self.switch_off()

    def switch_off(self):
        """Both sensors off, or the chip reset."""
        self.next_ps = NEVER  # when the next sample is due
        self.period_ps = _MS
        self.pause_ps = 0  # until when no register may be written
        self.odr_hz = 0
        self._odr_changed = 0
        self._stamp = 0  # microseconds of the chip's own clock, 6 fractional bits
        self._stamp_step = 0

    def switch_on(self, now_ps):
        """The first sensor is switched on."""
        self.switch_off()
        self._on_ps = now_ps
        self.pause_ps = now_ps + _PAUSE_PS
        self.next_ps = now_ps
        self.path.restart()

    def configure(self, now_ps):
        """Apply the registers; a new rate begins now."""
        registers = self._registers
        accel, gyro = registers[reg.ACCEL_CONFIG0], registers[reg.GYRO_CONFIG0]
        odr_hz = reg.ODR_HZ[accel & 15]
        refuse(not odr_hz, "a rate below 25 Hz")
        self.path.configure(
            odr_hz,
            16 * GRAVITY_UMS2 / (1 << (accel >> 5 & 3)),
            self._filters(reg.ACCEL_CONFIG_STATIC2, 1, 4, odr_hz),
            2000 * _DEGREE_URAD / (1 << (gyro >> 5)),
            self._filters(reg.GYRO_CONFIG_STATIC3, 0, 0, odr_hz),
        )
        self._self_test(registers[reg.SELF_TEST_CONFIG])
        if odr_hz != self.odr_hz:
            self._odr_changed = 3 if self.odr_hz else 0
            self.odr_hz = odr_hz
            self.period_ps = round(1e12 / (odr_hz * self._rate_factor))
            self.next_ps = now_ps + self.period_ps
            self._stamp_step = 64000000 // odr_hz
            self._stamp += self._stamp_step

    def _self_test(self, enabled):
        """Push the axes in SELF_TEST_CONFIG: bits 0–2 gyroscope, 3–5 accelerometer, whose power is bit 6."""
        powered = enabled & 0x40
        if enabled & 0x38 and not powered:
            remark("the accelerometer's self-test has no power: ACCEL_ST_POWER is 0")
        self.path.excite((enabled >> 3 & 7 if powered else 0) | (enabled & 7) << 3)

    def _filters(self, at, shift, nibble, odr_hz):
        """A sensor's anti-alias bandwidth, and bandwidth and order of its user filter (sections 5.3, 5.5)."""
        registers = self._registers
        delt = registers[at] >> shift & 0x3F
        squared = registers[at + 1] | (registers[at + 2] & 15) << 8
        disabled = registers[at] & 1 if shift else registers[reg.GYRO_CONFIG_STATIC2] & 2
        bandwidth_hz, *belonging = reg.ANTI_ALIAS[delt]
        if belonging != [squared, registers[at + 2] >> 4]:
            remark("the anti-alias fields DELT, DELTSQR and BITSHIFT do not belong together; DELT is taken")
        order = registers[reg.ACCEL_CONFIG1] >> 3 & 3 if shift else registers[reg.GYRO_CONFIG1] >> 2 & 3
        code = registers[reg.GYRO_ACCEL_CONFIG0] >> nibble & 15
        divider = reg.UI_DIVIDER[code]
        user_hz = max(400 if code else 0, odr_hz) / divider if divider else 0
        return 0 if disabled else bandwidth_hz, user_hz, min(order, 2) + 1

    def due(self, now_ps):
        """How many samples are due."""
        return 0 if now_ps < self.next_ps else (now_ps - self.next_ps) // self.period_ps + 1

    def skip(self, n):
        """Skip `n` samples."""
        self.next_ps += n * self.period_ps
        self._stamp = self._stamp + n * self._stamp_step & 0x3FFFFF

    def make(self, packets, first, n):
        """Write the next `n` samples as packets of structure 3 (section 6.1)."""
        registers = self._registers
        big_endian = registers[reg.INTF_CONFIG0] >> 4 & 1
        self.path.make(packets, first, n, big_endian)
        header = 0x68 if registers[reg.TMST_CONFIG] & 1 else 0x60  # accelerometer, gyroscope, time of the sample
        temperature = self._temperature(2070)  # 2.07 counts per degree
        frame_packets(packets, first, n, header, temperature, self._stamp, self._stamp_step, big_endian)
        packets[first * PACKET] |= self._odr_changed
        self._odr_changed = 0
        self._invalidate(packets, first, n, 0, _ACCELEROMETER_START_PS, big_endian)
        self._invalidate(packets, first, n, 3, _GYROSCOPE_START_PS, big_endian)
        self.skip(n)

    def _invalidate(self, packets, first, n, column, start_up_ps, big_endian):
        n = min(n, (self._on_ps + start_up_ps - self.next_ps) // self.period_ps + 1)
        if n > 0:
            invalidate(packets, first, n, column, big_endian)

    def sense(self, fifo, streaming):
        """Update the temperature and data registers, from the FIFO's newest packet or one made for this."""
        registers = self._registers
        if self.next_ps == NEVER:
            return
        if not streaming:
            self.make(self._packet, 0, 1)
            self.skip(-1)
        if not streaming or fifo.newest(self._packet):
            for i in range(12):
                registers[reg.TEMP_DATA1 + 2 + i] = self._packet[1 + i]
        word = self._temperature(132480)  # 132.48 counts per degree (section 4.13)
        little = not registers[reg.INTF_CONFIG0] & 0x10
        registers[reg.TEMP_DATA1 + little] = word >> 8 & 0xFF
        registers[reg.TEMP_DATA1 + 1 - little] = word & 0xFF

    def _temperature(self, counts_per_1000_degrees):
        """The temperature above 25 °C in counts."""
        now_mc = self._temperature_mc + self.next_ps // _MS * self._slope_mc_per_min // 60000
        return (now_mc - 25000) * counts_per_1000_degrees // 1000000
