"""The acquisition loop: at every watermark the oldest samples go from the chip's FIFO into a frame and away."""

import gc
import os

import machine
from micropython import const

from . import VERSION, commands, frame, sensors
from .board import BOARD, Bus
from .clock import add
from .fault import Fault
from .frame import LOSS_UNKNOWN, OVERFLOWED, RESTARTED, Frames
from .link import Link

_SECOND_US = const(1_000_000)
_STATUS_S = const(10)  # a status by itself this often
_SILENCE_US = const(250_000)  # without a watermark for so long (eight frames at 1 kHz), the chip has lost its settings
_WATCHDOG_MS = const(8000)  # the RP2040 can count to 8388 ms
_NO_TEMPERATURE = const(0x8000)


def run(stream_in, stream_out):
    """Be the box, for ever: commands come in on one byte stream, frames go out on the other."""
    box = Box(stream_in, stream_out)
    box.greet()
    try:
        while True:
            box.turn()
    except EOFError:  # the host's end of a simulated port was closed
        pass


class Box:
    """The box: its sensor, its frames, its link, and how the recording goes."""

    def __init__(self, stream_in, stream_out):
        self.link = Link(stream_in)
        self.frames = Frames(stream_out.write)
        self.boot_id = os.urandom(4).hex()
        self.bus = Bus()
        self.bus.on_interrupt(self._on_watermark)
        self.watchdog = None
        self.sensor = None
        self.odr_hz = 0
        self.running = False
        self.wanted = 0
        self.restarted = machine.reset_cause() == machine.WDT_RESET
        self._clear()

    def _clear(self):
        self.frames.first_sample[:] = bytes(8)
        self._set_temperature(_NO_TEMPERATURE)
        self.due = False  # a frame's worth of samples waits in the FIFO
        self.broken = False  # the chip could not be set up again
        self.flags = 0  # of the next sample frame
        self.sent = self.lost = self.overflows = self.bus_errors = 0
        self.quiet_us = self.second_us = self.seconds = self.max_loop_us = 0

    def turn(self):
        """Once round the loop. While samples flow and nobody asks for anything, it does not touch the heap."""
        lap_us = self.frames.clock.lap()
        if self.running:
            if self.broken:
                self.due = False
            if self.due or self.quiet_us > _SILENCE_US:
                self._drain()
            self._keep_time(lap_us)
        if self.watchdog:
            self.watchdog.feed()
        try:
            line = self.link.line()
            if line:  # an empty one only ends what another program left half written
                commands.obey(self, line)
            elif not (self.due and self.running):
                machine.idle()
        except Fault as fault:
            self.complain(fault)

    def _on_watermark(self, pin):
        self.due = True

    def _drain(self):
        """Move one frame's worth of the oldest samples from the FIFO to the host."""
        sensor = self.sensor
        self.due = False
        level = 0 if self.broken else sensor.level()
        if level < sensor.WATERMARK:
            if self.quiet_us > _SILENCE_US:
                self._recover("no samples for a quarter of a second")
            return
        if level > sensor.CAPACITY or not sensor.drain(self.frames.payload):
            self._recover("what came from the FIFO is no packet")
            return
        self.quiet_us = 0
        if sensor.overflowed:
            self._count_lost()
        flags, self.flags = self.flags, 0
        self.frames.send_samples(flags, level)
        self.due = level >= 2 * sensor.WATERMARK
        self.sent += 1
        if flags & OVERFLOWED:
            self.complain(Fault("fifo_overflow", "%d samples lost so far" % self.lost))
        if self.sent == self.wanted:
            self.finish("the time asked for is over")

    def _count_lost(self):
        """Step the counter over the samples that the FIFO dropped, which are older than all that it still holds."""
        lost = self.sensor.lost()
        if lost:  # else it was full to the last packet, and in time
            self.flags |= OVERFLOWED
            self.overflows += 1
            self.lost += lost
            add(self.frames.first_sample, lost, 4)

    def _recover(self, detail):
        """Report an error on the bus and set the chip up again; how many samples that cost is not known."""
        self.quiet_us = 0
        if not self.broken:
            self.bus_errors += 1
            self.flags |= RESTARTED | LOSS_UNKNOWN
            self.complain(Fault("bus_error", detail))
        try:
            self.sensor.start(self.odr_hz)
            self.broken = False
        except Fault as fault:
            self.broken = True  # the silence that follows brings the next try
            self.complain(fault)

    def _keep_time(self, lap_us):
        self.quiet_us += lap_us
        if lap_us > self.max_loop_us:
            self.max_loop_us = lap_us
        self.second_us += lap_us
        if self.second_us >= _SECOND_US:
            self.second_us -= _SECOND_US
            self.seconds += 1
            if self.sensor.is_set_up():
                self._set_temperature(self.sensor.temperature())
            elif not self.broken:
                self._recover("the chip has lost its settings")
            if self.seconds % _STATUS_S == 0:
                self.frames.send(frame.STATUS, self.status())

    def _set_temperature(self, word):
        self.frames.temperature[0] = word & 0xFF
        self.frames.temperature[1] = word >> 8

    def start(self, odr_hz, accel_range_g, gyro_range_dps, seconds):
        """Start sampling; `seconds` of 0 means until stopped. Raises Fault when the chip is not there or cannot."""
        self.sensor = None
        self.sensor = sensor = sensors.find(self.bus)
        if (
            odr_hz not in sensor.RATES_HZ
            or accel_range_g != sensor.ACCEL_RANGE_G
            or gyro_range_dps != sensor.GYRO_RANGE_DPS
        ):
            raise Fault("bad_command", "start: %s cannot sample like that" % sensor.NAME)
        samples = seconds * odr_hz
        self.wanted = int(samples // sensor.WATERMARK) + (samples % sensor.WATERMARK > 0)  # frames; 0 is never reached
        self.odr_hz = odr_hz
        self.frames.hold(sensor.LAYOUT, sensor.WATERMARK, sensor.PACKET)
        self._clear()
        if not self.watchdog:  # only now: once started, an RP2040's watchdog cannot be stopped
            self.watchdog = machine.WDT(timeout=_WATCHDOG_MS)
        gc.collect()
        sensor.start(odr_hz)
        self._set_temperature(sensor.temperature())
        self.frames.clock.lap()  # the first lap begins here
        self.running = True
        self.greet()

    def self_test(self):
        """Let the chip test itself and send what it found. Raises Fault when the chip is not there or gives nothing."""
        result = sensors.find(self.bus).self_test()
        self.frames.send(frame.SELF_TEST, result)
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
                self.complain(fault)
        samples = int.from_bytes(self.frames.first_sample, "little")
        self.frames.send(frame.BYE, {"reason": reason, "samples": samples, "lost": self.lost})

    def complain(self, fault):
        """Send a fault frame."""
        self.frames.send(frame.FAULT, {"fault": fault.name, "detail": fault.detail})

    def greet(self):
        """Send the hello frame, and a fault after it while there is no sensor."""
        missing = None
        if not self.sensor:
            try:
                self.sensor = sensors.find(self.bus)
                self.sensor.stop()  # after a reset of the processor alone it samples on
            except Fault as fault:
                missing = fault
        sensor = self.sensor
        self.frames.send(
            frame.HELLO,
            {
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
                "clock_us": self._clock_us(),
            },
        )
        if missing:
            self.complain(missing)

    def status(self):
        """Return the content of a status frame, and start a new longest time round the loop."""
        low, high = self.frames.temperature
        word = (high << 8 | low) - (0x10000 if high & 0x80 else 0)
        status = {
            "running": self.running,
            "samples": int.from_bytes(self.frames.first_sample, "little"),
            "lost": self.lost,
            "frames": self.sent,
            "overflows": self.overflows,
            "bus_errors": self.bus_errors,
            "temperature_c": None if word == -_NO_TEMPERATURE else word / 132.48 + 25,
            "heap_free": gc.mem_free(),
            "clock_us": self._clock_us(),
            "max_loop_us": self.max_loop_us,
        }
        self.max_loop_us = 0
        return status

    def _clock_us(self):
        self.frames.clock.advance()
        return int.from_bytes(self.frames.clock_us, "little")
