"""The acquisition loop: at every watermark, the oldest samples go from the chip's FIFO into a frame and are sent.

All other work comes in pieces of a few milliseconds, one per turn, short against what the FIFO holds
(hardware_notes/board_numbers.md). What runs for every frame is compiled to machine code, which saves 5 %.
"""

import gc
import json
import os
from time import ticks_add, ticks_diff, ticks_us

import machine
import micropython
from micropython import const

from . import VERSION, commands, frame, light, sensors
from .board import BOARD, Bus
from .clock import add
from .fault import Fault
from .frame import LOSS_UNKNOWN, OVERFLOWED, RESTARTED, Frames
from .link import Link
from .status import BUS_ERRORS, BUSY_PERCENT, FRAMES, LONGEST_STALL_US, LOST, OVERFLOWS, Status

_SECOND_US = const(1_000_000)
_STATUS_S = const(10)  # between automatic statuses
_SILENCE_US = const(250_000)  # without a watermark for this long (eight frames at 1 kHz), the chip lost its settings
_NAPS = const(3)  # each at most a millisecond, on an RP2 a third of that
_MOST_IN_A_ROW = const(16)  # consecutive frames while all other work waits
_GARBAGE = const(16384)  # bytes after which a command collects garbage: earlier, but in half the time of a full heap
_WATCHDOG_MS = const(8000)  # the RP2040 can count to 8388 ms
_NO_TEMPERATURE = const(0x8000)


def run(stream_in, stream_out):
    """Run the box for ever: commands come in on one byte stream, frames go out on the other."""
    box = Box(stream_in, stream_out)
    box.greet()
    try:
        while True:
            box.turn()
    except EOFError:  # the host's end of a simulated port was closed
        pass


class Box:
    """The box: its sensor, its frames, its link, and the state of the recording."""

    def __init__(self, stream_in, stream_out):
        self.link = Link(stream_in)
        self.frames = Frames(stream_out.write)
        self.light = light.Light()
        self.boot_id = os.urandom(4).hex()
        self.bus = Bus()
        self.bus.on_interrupt(self._on_watermark)
        self.watchdog = None
        self.sensor = None
        self.odr_hz = 0
        self.running = False
        self.wanted = 0
        self.restarted = machine.reset_cause() == machine.WDT_RESET
        self._hello = b""
        self._status = Status()
        self._measured_at = ticks_us()
        self._idle_us = self._longest_stall_us = 0  # since then: time idle, and the longest busy turn
        self._idle = False
        self._clear()

    def _clear(self):
        self.frames.first_sample[:] = bytes(8)
        self._set_temperature(_NO_TEMPERATURE)
        self.due = False  # a frame's worth of samples is in the FIFO
        self.broken = False  # the chip could not be set up again
        self.flags = 0  # of the next sample frame
        self.sent = self.lost = self.overflows = self.bus_errors = 0
        self.seconds = 0
        self._in_a_row = 0
        self._status_due = False
        self._reported = []  # names of the faults reported since the last status
        self._to_report = []  # faults to send when there is time
        now = ticks_us()
        self._drained_at = self._turned_at = now
        self._second_at = ticks_add(now, _SECOND_US)
        self._measure_load(now)

    @micropython.native
    def turn(self):
        """One turn of the loop: a frame if one is due, else one small piece of other work, else a nap.

        Frames come first, but even a box that is always behind hears its host now and then. While samples flow and no
        command arrives, it does not touch the heap.
        """
        now = ticks_us()
        lap_us = ticks_diff(now, self._turned_at)
        self._turned_at = now
        if self._idle:
            self._idle_us += lap_us
        elif lap_us > self._longest_stall_us:
            self._longest_stall_us = lap_us
        self._idle = False
        if (
            self.running
            and (self.due or ticks_diff(now, self._drained_at) > self._patience_us)
            and self._in_a_row < _MOST_IN_A_ROW
        ):
            self._in_a_row += 1
            self._drain(now)
            return
        self._in_a_row = 0
        if not self._work(now):
            self._idle = True
            for _ in range(_NAPS):
                if self.running and self.due:  # after a stop, a frame still due must not keep the loop awake
                    break
                machine.idle()

    def _on_watermark(self, pin):
        self.due = True

    @micropython.native
    def _drain(self, now):
        """Move one frame's worth of the oldest samples from the FIFO to the host."""
        sensor, frames = self.sensor, self.frames
        self.due = False  # before reading the level, so that a later interrupt is not missed
        frames.clock.advance()
        level = 0 if self.broken else sensor.drain(frames.payload)
        if level < self._watermark:
            if level < 0:
                self._recover("what came from the FIFO is no packet")
            elif ticks_diff(now, self._drained_at) > _SILENCE_US:
                self._recover("no samples for a quarter of a second")
            return
        self._drained_at = now
        if sensor.overflowed:
            self._count_lost()
        flags, self.flags = self.flags, 0
        frames.send_samples(flags, level)
        self.sent += 1
        if level >= self._backlog:
            self.due = True
        if self.sent == self.wanted:
            self.finish("the time asked for is over")

    def _count_lost(self):
        """Advance the counter by the samples that the FIFO dropped, which are older than those just drained."""
        lost = self.sensor.lost()
        if lost == 0:  # the FIFO was full, but nothing was dropped
            return
        self.flags |= OVERFLOWED
        self.overflows += 1
        if lost is None:
            self.flags |= LOSS_UNKNOWN
            self._report("fifo_overflow", "the chip does not say how many samples are lost")
        else:
            self.lost += lost
            add(self.frames.first_sample, lost, 4)
            self._report("fifo_overflow", "samples lost: the frames and the status count them")

    def _recover(self, detail):
        """Report an error on the bus and set the chip up again; the number of samples lost is not known."""
        if not self.broken:
            self.bus_errors += 1
            self.flags |= RESTARTED | LOSS_UNKNOWN
            self._report("bus_error", detail)
        try:
            self.sensor.start(self.odr_hz)
            self.broken = False
        except Fault as fault:
            self.broken = True  # the following silence triggers the next try
            self._report(fault.name, fault.detail)
        self._drained_at = ticks_us()
        self._show()

    def _work(self, now):
        """Do one small piece of other work; return whether there was one."""
        if ticks_diff(now, self._second_at) >= 0:
            self._each_second()
        elif self._status_due:
            self._status_due = False
            self.send_status()
        elif self._to_report:
            self.complain(self._to_report.pop(0))
        elif self.link.waiting():
            self._listen()
        else:
            return False
        return True

    def _listen(self):
        try:
            line = self.link.line()
            if line:  # an empty one only ends a line that another program left half written
                commands.obey(self, line)
        except Fault as fault:
            self.complain(fault)

    def _each_second(self):
        self._second_at = ticks_add(self._second_at, _SECOND_US)
        self.seconds += 1
        self.frames.clock.advance()
        if self.watchdog:
            self.watchdog.feed()
        if self.running:
            if self.broken:
                pass
            elif self.sensor.is_set_up():
                self._set_temperature(self.sensor.temperature())
            else:
                self._recover("the chip has lost its settings")
            self._status_due = self.seconds % _STATUS_S == 0
        elif self.seconds % _STATUS_S == 0:
            self._measure_load(ticks_us())
        self._show()

    def _show(self):
        """Show the state on the light."""
        if self.broken or not self.sensor:
            self.light.show(light.FAULT)
        elif not self.running:
            self.light.show(light.IDLE)
        elif self.overflows or self.bus_errors:
            self.light.show(light.LOSING)
        else:
            self.light.beat(self.seconds)

    def _set_temperature(self, word):
        self.frames.temperature[0] = word & 0xFF
        self.frames.temperature[1] = word >> 8

    def start(self, odr_hz, accel_range_g, gyro_range_dps, seconds):
        """Start sampling; `seconds` 0 means until stopped, a range of None the chip's own.

        Raises Fault if there is no chip, or one that cannot sample like that.
        """
        self.sensor = None
        self.sensor = sensor = sensors.find(self.bus)
        if (
            odr_hz not in sensor.RATES_HZ
            or accel_range_g not in (None, sensor.ACCEL_RANGE_G)
            or gyro_range_dps not in (None, sensor.GYRO_RANGE_DPS)
        ):
            raise Fault("bad_command", "start: %s cannot sample like that" % sensor.NAME)
        samples = seconds * odr_hz
        self.wanted = int(samples // sensor.WATERMARK) + (samples % sensor.WATERMARK > 0)  # frames; 0 is never reached
        self.odr_hz = odr_hz
        self._watermark = sensor.WATERMARK
        self._backlog = 2 * sensor.WATERMARK - sensor.WATERMARK // 2  # level at which a second frame is (almost) due
        self._patience_us = 2 * sensor.WATERMARK * _SECOND_US // odr_hz  # until it drains without an interrupt
        self.frames.hold(sensor.LAYOUT, sensor.WATERMARK, sensor.PACKET)
        if not self.watchdog:  # not earlier: an RP2040's watchdog cannot be stopped
            self.watchdog = machine.WDT(timeout=_WATCHDOG_MS)
        gc.collect()
        gc.threshold(_GARBAGE)
        sensor.start(odr_hz)
        self._clear()
        self._set_temperature(sensor.temperature())
        self.running = True
        self._introduce()
        self._show()

    def self_test(self):
        """Let the chip test itself and send the result. Raises Fault if there is no chip or no answer."""
        result = sensors.find(self.bus).self_test()
        self._send_json(frame.SELF_TEST, result)
        failed = [axis["axis"] for axis in result["axes"] if not axis["ok"]]
        if failed:
            self.complain(Fault("self_test_failed", "the chip answers wrongly on " + ", ".join(failed)))
        elif not result["ok"]:
            self.complain(Fault("self_test_failed", "the box was moved meanwhile; let it lie still and test it again"))

    def finish(self, reason):
        """Stop sampling and send the bye frame."""
        if self.running:
            self.running = False
            try:
                self.sensor.stop()
            except Fault as fault:
                self._to_report.append(fault)
            while self._to_report:
                self.complain(self._to_report.pop(0))
        samples = int.from_bytes(self.frames.first_sample, "little")
        self._send_json(frame.BYE, {"reason": reason, "samples": samples, "lost": self.lost})
        self._show()

    def complain(self, fault):
        """Send a fault frame."""
        self._send_json(frame.FAULT, {"fault": fault.name, "detail": fault.detail})

    def _report(self, name, detail):
        """Send a fault frame when there is time; repeats before the next status are only counted there."""
        if name not in self._reported:
            self._reported.append(name)
            self._to_report.append(Fault(name, detail))

    def greet(self):
        """Send the hello frame, followed by a fault if there is no sensor."""
        if self.running:
            self.frames.send(frame.HELLO, self._hello)
            return
        missing = None
        if not self.sensor:
            try:
                self.sensor = sensors.find(self.bus)
                self.sensor.stop()  # after a reset of only the processor it is still sampling
            except Fault as fault:
                missing = fault
        self._introduce()
        self._show()
        if missing:
            self.complain(missing)

    def _introduce(self):
        """Make the hello frame's content, which is reused while samples flow, and send it."""
        sensor = self.sensor
        hello = {
            "firmware": VERSION,
            "board": BOARD,
            "serial": machine.unique_id().hex(),
            "boot_id": self.boot_id,
            "chip": sensor.NAME if sensor else "none",
            "chip_id": sensor.IDENTITY if sensor else 0,
            "layout": sensor.LAYOUT if sensor else 0,
            "running": self.running,
            "odr_hz": self.odr_hz,
            "accel_range_g": sensor.ACCEL_RANGE_G if sensor else 0,
            "gyro_range_dps": sensor.GYRO_RANGE_DPS if sensor else 0,
            "anti_alias_hz": sensor.anti_alias_hz if sensor else 0,
            "watermark": sensor.WATERMARK if sensor else 0,
            "commands": list(commands.COMMANDS),
        }
        self._hello = json.dumps(hello).encode()
        self.frames.send(frame.HELLO, self._hello)

    def _send_json(self, kind, content):
        self.frames.send(kind, json.dumps(content).encode())

    def send_status(self):
        """Send a status frame, without heap."""
        content = self._status
        content.put_running(self.running)
        content.put(FRAMES, self.sent)
        content.put(LOST, self.lost)
        content.put(OVERFLOWS, self.overflows)
        content.put(BUS_ERRORS, self.bus_errors)
        content.put(LONGEST_STALL_US, self._longest_stall_us)
        content.put(BUSY_PERCENT, self._measure_load(ticks_us()))
        self.frames.send(frame.STATUS, content.text)
        if self._reported:
            self._reported.clear()

    def _measure_load(self, now):
        """Return the percentage of time since the last call that was busy; restart the measurement."""
        elapsed_us = ticks_diff(now, self._measured_at)
        busy_percent = 100 - self._idle_us // (elapsed_us // 100 + 1)
        self._measured_at = now
        self._idle_us = self._longest_stall_us = 0
        return busy_percent
