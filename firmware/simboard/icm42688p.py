"""A register-level model of the ICM-42688-P on SPI: bus, registers, sampling, FIFO and interrupt pin.

Source: TDK InvenSense data sheet DS-000347 revision 1.6; the section or table stands beside each fact. Where the sheet
is silent this model decides and says so: the lost-packet counter counts on, wraps at 2^16 and is cleared by a flush of
the FIFO; a sensor's samples are invalid (−32768) during its start-up time. What it does not model it refuses.
"""

import sys

from micropython import const

from . import registers as reg
from .fifo import PACKET, RECORDS, Fifo
from .signal_path import GRAVITY_UMS2, frame_packets, invalidate

NEVER = const(0x1000000000000000)  # a time in picoseconds, 13 days on

_MS = const(1000000000)  # in picoseconds
_RESET_PS = const(1000000000)  # DEVICE_CONFIG: a reset takes 1 ms (section 14.1)
_PAUSE_PS = const(200000000)  # PWR_MGMT0: no register writes for 200 µs after switching on (section 14.36)
_ACCELEROMETER_START_PS = const(10000000000)  # start-up time 10 ms (table 2)
_GYROSCOPE_START_PS = const(30000000000)  # start-up time 30 ms (table 1)

# Bits of INT_STATUS and, the same, of INT_SOURCE0 (sections 14.21 and 14.52)
_DATA_READY = const(0x08)
_THRESHOLD = const(0x04)
_FULL = const(0x02)

_DEGREE_URAD = 17453.292519943295


class ICM42688P:
    """The chip. Times are picoseconds of true time; `on_edge(chip)` is called when INT1 becomes active."""

    def __init__(self, path, oscillator_ppm, temperature_mc, slope_mc_per_min):
        self.identity = 0x47
        self.on_edge = None
        self.started_ps = NEVER  # when the FIFO last began to stream
        self.due_ps = NEVER  # when INT1 will next become active by itself
        self.deaf = 0  # coming transactions that go astray
        self.fifo = Fifo()
        self.path = path
        self._rate_factor = 1 + oscillator_ppm * 1e-6
        self._temperature_mc = temperature_mc
        self._slope_mc_per_min = slope_mc_per_min
        self._writable = reg.writable_map()
        self._registers = bytearray(reg.N_REGISTERS)
        self._packet = bytearray(PACKET)
        self._remarks = set()
        self._now_ps = 0
        self._ready_ps = 0
        self._reset()

    def _reset(self):
        reg.reset_values(self._registers)
        self.fifo.flush()
        self.asserted = False  # INT1, when latched
        self.streaming = False
        self.period_ps = _MS
        self.next_ps = NEVER  # when the next sample is due
        self._odr_hz = 0
        self._odr_changed = 0
        self._stamp = 0
        self._on_ps = 0
        self._pause_ps = 0
        self._counted = 0
        self._bank = 0
        self._address = -1

    # The bus: SPI modes 0 and 3, burst reads and single writes (section 9.6)

    def select(self, now_ps):
        """Chip select falls."""
        self.run_to(now_ps)
        self._address = -1
        self._written = self._sensed = False

    def deselect(self):
        """Chip select rises."""
        if self.deaf:
            self.deaf -= 1
        self.fifo.end_read(self._registers[reg.FIFO_CONFIG1] & 0x40)  # FIFO_RESUME_PARTIAL_RD
        self._plan()

    def exchange(self, out, fill, into, n):
        """Clock `n` bytes: from `out`, or `fill` if that is None; to `into`, if that is not None."""
        i = 0
        while i < n:
            byte = fill if out is None else out[i]
            answer = 0
            if self.deaf:
                answer = 0xFF
            elif self._now_ps < self._ready_ps:
                pass
            elif self._address < 0:
                self._address = byte & 0x7F
                self._reading = byte & 0x80
            elif not self._reading:
                if not self._written:
                    self._write(self._address, byte)
                self._written = True
            elif self._address == reg.FIFO_DATA and not self._bank:
                self.fifo.read(into, i, n - i)
                if self._registers[reg.INT_CONFIG0] & 0x08:  # FIFO_THS_INT_CLEAR: by a FIFO read
                    self.asserted = False
                return
            else:
                answer = self._read(self._address)
                self._address = self._address + 1 & 0x7F
            if into is not None:
                into[i] = answer
            i += 1

    def _read(self, address):
        registers = self._registers
        if address == reg.REG_BANK_SEL:
            return self._bank
        if self._bank:
            return registers[self._bank * 128 + address]
        if address == reg.WHO_AM_I:
            return self.identity
        if address == reg.INT_STATUS:  # reading clears it, and INT1 unless FIFO_THS_INT_CLEAR says otherwise
            status = registers[reg.INT_STATUS]
            registers[reg.INT_STATUS] = 0
            if registers[reg.INT_CONFIG0] & 0x0C != 0x08:
                self.asserted = False
            return status
        if address == reg.FIFO_COUNTH:  # latches both bytes (section 14.22); in records or bytes
            self._counted = self.fifo.records if registers[reg.INTF_CONFIG0] & 0x40 else self.fifo.bytes_held()
        if address == reg.FIFO_COUNTH or address == reg.FIFO_COUNTL:
            high = (address == reg.FIFO_COUNTH) == bool(registers[reg.INTF_CONFIG0] & 0x20)  # FIFO_COUNT_ENDIAN
            return self._counted >> 8 if high else self._counted & 0xFF
        if address == reg.FIFO_LOST_PKT0:
            return self.fifo.lost & 0xFF
        if address == reg.FIFO_LOST_PKT1:
            return self.fifo.lost >> 8 & 0xFF
        if reg.TEMP_DATA1 <= address <= reg.GYRO_DATA_Z0 and not self._sensed:
            self._sensed = True
            self._sense()
        return registers[address]

    def _write(self, address, value):
        registers = self._registers
        if address == reg.REG_BANK_SEL:
            self._bank = value & 7 if value & 7 < 5 else 0
            return
        place = self._bank * 128 + address
        if not self._writable[place]:
            return
        if self._now_ps < self._pause_ps:
            self._remark("register 0x%02x is written within 200 us of switching a sensor on: ignored" % address)
            return
        before = registers[place]
        registers[place] = value
        if place == reg.DEVICE_CONFIG:
            registers[place] = before
            if value & 1:
                self._reset()
                self._ready_ps = self._now_ps + _RESET_PS
        elif place == reg.SIGNAL_PATH_RESET:  # clears itself
            registers[place] = 0
            if value & 2:  # FIFO_FLUSH
                self.fifo.flush()
        elif place == reg.PWR_MGMT0 and value & 15 and not before & 15:
            self._on_ps = self._now_ps
            self._pause_ps = self._now_ps + _PAUSE_PS
            self._stamp = self._odr_hz = 0
            self.next_ps = self._now_ps
            self.path.restart()
        elif place == reg.PWR_MGMT0 and not value & 15:
            self.next_ps = NEVER
            self.streaming = False
        elif place == reg.FIFO_CONFIG and not value & 0xC0:  # bypass
            self.fifo.flush()
        if self.next_ps != NEVER and value != before:
            self._configure()

    # Sampling

    def _configure(self):
        """Take over what the registers say about sensors and FIFO."""
        registers = self._registers
        accel, gyro = registers[reg.ACCEL_CONFIG0], registers[reg.GYRO_CONFIG0]
        odr_hz = reg.ODR_HZ[accel & 15]
        self._refuse(not odr_hz, "a rate below 25 Hz")
        self.path.configure(
            odr_hz,
            16 * GRAVITY_UMS2 / (1 << (accel >> 5 & 3)),
            self._filters(reg.ACCEL_CONFIG_STATIC2, 1, 4, odr_hz),
            2000 * _DEGREE_URAD / (1 << (gyro >> 5)),
            self._filters(reg.GYRO_CONFIG_STATIC3, 0, 0, odr_hz),
        )
        if odr_hz != self._odr_hz:
            self._odr_changed = 3 if self._odr_hz else 0
            self._odr_hz = odr_hz
            self.period_ps = round(1e12 / (odr_hz * self._rate_factor))
            self.next_ps = self._now_ps + self.period_ps
            self._stamp_step = 64000000 // odr_hz  # microseconds of the chip's own clock, 6 fractional bits
            self._stamp += self._stamp_step
        both = registers[reg.PWR_MGMT0] & 15 == 15 and registers[reg.FIFO_CONFIG1] & 3
        streams = bool(both and registers[reg.FIFO_CONFIG] & 0xC0)
        if streams and not self.streaming:
            self._refuse(accel & 15 != gyro & 15, "two different rates")
            self._refuse(registers[reg.FIFO_CONFIG1] & 0x13 != 3, "a FIFO packet of another structure than 3")
            self._refuse(registers[reg.TMST_CONFIG] & 0x0C, "time stamps that are not absolute, in microseconds")
            self.path.restart()
            self.fifo.flush()
            self.started_ps = self._now_ps
        self.streaming = streams

    def _filters(self, at, shift, nibble, odr_hz):
        """Anti-alias bandwidth, user filter's bandwidth and order of a sensor (sections 5.3, 5.5)."""
        registers = self._registers
        delt = registers[at] >> shift & 0x3F
        squared = registers[at + 1] | (registers[at + 2] & 15) << 8
        disabled = registers[at] & 1 if shift else registers[reg.GYRO_CONFIG_STATIC2] & 2
        bandwidth_hz, *belonging = reg.ANTI_ALIAS[delt]
        if belonging != [squared, registers[at + 2] >> 4]:
            self._remark("anti-alias fields DELT, DELTSQR and BITSHIFT do not belong together; taken by DELT")
        order = registers[reg.ACCEL_CONFIG1] >> 3 & 3 if shift else registers[reg.GYRO_CONFIG1] >> 2 & 3
        code = registers[reg.GYRO_ACCEL_CONFIG0] >> nibble & 15
        divider = reg.UI_DIVIDER[code]
        user_hz = max(400 if code else 0, odr_hz) / divider if divider else 0
        return 0 if disabled else bandwidth_hz, user_hz, min(order, 2) + 1

    def run_to(self, now_ps):
        """Make the samples that are due up to `now_ps`, and what follows from them."""
        self._now_ps = now_ps
        if now_ps < self.next_ps:
            return
        n = (now_ps - self.next_ps) // self.period_ps + 1
        raised = _DATA_READY
        if self.streaming:
            before = self.fifo.records
            threshold = self._threshold()
            if before + n >= threshold and (before < threshold or self._registers[reg.FIFO_CONFIG1] & 0x20):
                raised |= _THRESHOLD  # on reaching it; with FIFO_WM_GT_TH at every sample beyond (section 14.46)
            if before + n >= RECORDS:
                raised |= _FULL
            self.fifo.store(n, self, self._registers[reg.FIFO_CONFIG] & 0x80)
        else:
            self._pass(n)
        self._raise(raised)
        self._plan()

    def make(self, packets, first, n):
        """Write the next `n` samples as packets; for the FIFO."""
        registers = self._registers
        big_endian = registers[reg.INTF_CONFIG0] >> 4 & 1
        self.path.make(packets, first, n, big_endian)
        header = 0x68 if registers[reg.TMST_CONFIG] & 1 else 0x60  # accelerometer, gyroscope, time of the sample
        temperature = (self._temperature() - 25000) * 207 // 100000
        frame_packets(packets, first, n, header, temperature, self._stamp, self._stamp_step, big_endian)
        packets[first * PACKET] |= self._odr_changed
        self._odr_changed = 0
        for column, start_ps in ((0, _ACCELEROMETER_START_PS), (3, _GYROSCOPE_START_PS)):
            invalid = (self._on_ps + start_ps - self.next_ps) // self.period_ps + 1
            if invalid > 0:
                invalidate(packets, first, min(n, invalid), column, big_endian)
        self._pass(n)

    def _pass(self, n):
        self.next_ps += n * self.period_ps
        self._stamp = self._stamp + n * self._stamp_step & 0x3FFFFF

    def _sense(self):
        """Bring the temperature and sense registers up to date."""
        registers = self._registers
        if self.next_ps == NEVER:
            return
        if not self.streaming:
            self.make(self._packet, 0, 1)
            self._pass(-1)
        if not self.streaming or self.fifo.newest(self._packet):
            for i in range(12):
                registers[reg.TEMP_DATA1 + 2 + i] = self._packet[1 + i]
        word = (self._temperature() - 25000) * 13248 // 100000
        little = not registers[reg.INTF_CONFIG0] & 0x10
        registers[reg.TEMP_DATA1 + little] = word >> 8 & 0xFF
        registers[reg.TEMP_DATA1 + 1 - little] = word & 0xFF

    def _temperature(self):
        """Thousandths of a degree Celsius."""
        return self._temperature_mc + self._now_ps // _MS * self._slope_mc_per_min // 60000

    # INT1

    def _threshold(self):
        """The watermark in records (RECORDS + 1, never reached, when it is 0)."""
        registers = self._registers
        mark = registers[reg.FIFO_CONFIG2] | (registers[reg.FIFO_CONFIG3] & 15) << 8
        if not registers[reg.INTF_CONFIG0] & 0x40:
            mark = (mark + PACKET - 1) // PACKET
        return mark or RECORDS + 1

    def _raise(self, bits):
        registers = self._registers
        registers[reg.INT_STATUS] |= bits
        if bits & registers[reg.INT_SOURCE0] and self._pin_works() and not self.asserted:
            self.asserted = bool(registers[reg.INT_CONFIG] & 0x04)  # latched, or a pulse
            if self.on_edge:
                self.on_edge(self)

    def _pin_works(self):
        """Whether INT1 works as INT_CONFIG1 must be for it (section 14.51)."""
        config = self._registers[reg.INT_CONFIG1]
        if config & 0x10:
            self._remark("INT1 is dead while INT_ASYNC_RESET is 1")
            return False
        if self._odr_hz >= 4000 and config & 0x60 != 0x60:
            self._remark("INT1 needs INT_TPULSE_DURATION and INT_TDEASSERT_DISABLE at 4 kHz and above")
            return False
        return True

    def active_high(self):
        """INT1's polarity."""
        return self._registers[reg.INT_CONFIG] & 1

    def _plan(self):
        """Work out when INT1 will become active by itself."""
        sources = self._registers[reg.INT_SOURCE0]
        self.due_ps = NEVER
        if self.asserted or self.next_ps == NEVER:
            return
        if sources & _DATA_READY:
            self.due_ps = self.next_ps
        if self.streaming:
            records = self.fifo.records
            threshold = self._threshold()
            if sources & _THRESHOLD and (records < threshold or self._registers[reg.FIFO_CONFIG1] & 0x20):
                self.due_ps = min(self.due_ps, self.next_ps + max(0, threshold - records - 1) * self.period_ps)
            if sources & _FULL:
                self.due_ps = min(self.due_ps, self.next_ps + max(0, RECORDS - records - 1) * self.period_ps)

    def _remark(self, text):
        if text not in self._remarks:
            self._remarks.add(text)
            print("simulated ICM-42688-P:", text, file=sys.stderr)

    def _refuse(self, condition, what):
        if condition:
            raise NotImplementedError("simulated ICM-42688-P: " + what + " is not modelled")
