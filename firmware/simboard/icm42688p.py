"""A register-level model of the ICM-42688-P on SPI: bus, registers, FIFO and interrupt pin.

Source: TDK InvenSense data sheet DS-000347 revision 1.6, as public headers and drivers give it, with the section or
table next to each fact. Not in the sheet: the lost-packet counter is not cleared by reading, wraps at 2^16, and is
cleared when the FIFO is flushed. Bits 7 and 6 of INTF_CONFIG1, which the sheet reserves, are as in the driver's public
sources.
"""

from micropython import const

from . import registers as reg
from .fifo import PACKET, RECORDS, Fifo
from .remarks import refuse, remark
from .sampler import NEVER

_RESET_PS = const(1000000000)  # DEVICE_CONFIG: a reset takes 1 ms (section 14.1)

# Bits of INT_STATUS and, the same, of INT_SOURCE0 (sections 14.21 and 14.51)
_DATA_READY = const(0x08)
_THRESHOLD = const(0x04)
_FULL = const(0x02)


class ICM42688P:
    """The chip. Times are picoseconds of true time; `on_edge(chip)` is called when INT1 becomes active."""

    def __init__(self, make_sampler, self_test_codes):
        self.identity = 0x47
        self.on_edge = None
        self.started_ps = NEVER  # when the FIFO last began to stream
        self.due_ps = NEVER  # when INT1 will next become active by itself
        self.deaf = 0  # number of coming transactions that fail
        self.fifo = Fifo()
        self._writable = reg.writable_map()
        self._registers = bytearray(reg.N_REGISTERS)
        self._self_test_codes = self_test_codes
        self.sampler = make_sampler(self._registers)
        self._now_ps = 0
        self._ready_ps = 0
        self._selected = False
        self._reset()

    def _reset(self):
        reg.reset_values(self._registers, self._self_test_codes)
        self.fifo.flush()
        self.sampler.switch_off()
        self.asserted = False  # INT1, when latched
        self.streaming = False
        self._counted = 0
        self._bank = 0
        self._address = -1

    # The bus: SPI modes 0 and 3, burst reads and single writes (section 9.6)

    def select(self, now_ps):
        """Chip select falls."""
        self.run_to(now_ps)
        self._selected = True
        self._address = -1
        self._written = self._sensed = False

    def deselect(self):
        """Chip select rises."""
        self._selected = False
        if self.deaf:
            self.deaf -= 1
        self.fifo.end_read(self._registers[reg.FIFO_CONFIG1] & 0x40)  # FIFO_RESUME_PARTIAL_RD
        self._plan()

    def exchange(self, out, fill, into, n):
        """Clock `n` bytes: out from `out`, or `fill` if None; in to `into`, unless None."""
        i = 0
        while i < n:
            byte = fill if out is None else out[i]
            answer = 0
            if self.deaf or not self._selected:
                answer = 0xFF  # nobody drives the line
            elif self._now_ps < self._ready_ps:
                remark("it is spoken to within the millisecond that its reset takes")
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
        if address == reg.INT_STATUS:  # reading clears it, and INT1 unless FIFO_THS_INT_CLEAR forbids it
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
            self.sampler.sense(self.fifo, self.streaming)
        return registers[address]

    def _write(self, address, value):
        registers = self._registers
        if address == reg.REG_BANK_SEL:
            self._bank = value & 7 if value & 7 < 5 else 0
            return
        place = self._bank * 128 + address
        if not self._writable[place]:
            return
        if self._now_ps < self.sampler.pause_ps:
            remark("register 0x%02x is written within 200 us of switching a sensor on: ignored" % address)
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
            self.sampler.switch_on(self._now_ps)
        elif place == reg.PWR_MGMT0 and not value & 15:
            self.sampler.switch_off()
            self.streaming = False
        elif place == reg.FIFO_CONFIG and not value & 0xC0:  # bypass
            self.fifo.flush()
        if self.sampler.next_ps != NEVER and value != before:
            self._configure()

    def _configure(self):
        """Apply the registers of sensors and FIFO."""
        registers = self._registers
        self.sampler.configure(self._now_ps)
        both_on = registers[reg.PWR_MGMT0] & 15 == 15
        streams = bool(both_on and registers[reg.FIFO_CONFIG1] & 3 and registers[reg.FIFO_CONFIG] & 0xC0)
        if streams and not self.streaming:
            refuse((registers[reg.ACCEL_CONFIG0] ^ registers[reg.GYRO_CONFIG0]) & 15, "two different rates")
            refuse(registers[reg.FIFO_CONFIG1] & 0x13 != 3, "a FIFO packet of another structure than 3")
            if registers[reg.INTF_CONFIG1] & 0xC0 != 0x40:
                remark("the gyroscope's filter switching is on, so that its output sticks around 100 degrees a second")
            refuse(registers[reg.TMST_CONFIG] & 0x0C, "a time stamp other than absolute, in microseconds")
            self.sampler.path.restart()
            self.fifo.flush()
            self.started_ps = self._now_ps
        self.streaming = streams

    def run_to(self, now_ps):
        """Make the samples due up to `now_ps`, and raise their interrupts."""
        self._now_ps = now_ps
        n = self.sampler.due(now_ps)
        if not n:
            return
        raised = _DATA_READY
        if self.streaming:
            before = self.fifo.records
            threshold = self._threshold()
            if before + n >= threshold and (before < threshold or self._registers[reg.FIFO_CONFIG1] & 0x20):
                raised |= _THRESHOLD  # on reaching it; with FIFO_WM_GT_TH at every sample beyond (section 14.45)
            if before + n >= RECORDS:
                raised |= _FULL
            self.fifo.store(n, self.sampler, self._registers[reg.FIFO_CONFIG] & 0x80)
        else:
            self.sampler.skip(n)
        self._raise(raised)
        self._plan()

    # INT1

    def _threshold(self):
        """The watermark in records; RECORDS + 1, never reached, if it is 0."""
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
        """Whether INT_CONFIG1 lets INT1 work (section 14.50)."""
        config = self._registers[reg.INT_CONFIG1]
        if config & 0x10:
            remark("INT1 is dead while INT_ASYNC_RESET is 1")
            return False
        if self.sampler.odr_hz >= 4000 and config & 0x60 != 0x60:
            remark("INT1 needs INT_TPULSE_DURATION and INT_TDEASSERT_DISABLE at 4 kHz and above")
            return False
        return True

    def active_high(self):
        """INT1's polarity."""
        return self._registers[reg.INT_CONFIG] & 1

    def _plan(self):
        """Compute when INT1 will become active by itself."""
        registers = self._registers
        sources = registers[reg.INT_SOURCE0]
        next_ps, period_ps = self.sampler.next_ps, self.sampler.period_ps
        self.due_ps = NEVER
        if self.asserted or next_ps == NEVER:
            return
        if sources & _DATA_READY:
            self.due_ps = next_ps
        if self.streaming:
            to_threshold = self._threshold() - self.fifo.records
            if sources & _THRESHOLD and (to_threshold > 0 or registers[reg.FIFO_CONFIG1] & 0x20):
                self.due_ps = min(self.due_ps, next_ps + max(0, to_threshold - 1) * period_ps)
            if sources & _FULL:
                self.due_ps = min(self.due_ps, next_ps + max(0, self.fifo.space() - 1) * period_ps)
