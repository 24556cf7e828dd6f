"""The simulated board: true time, the box's clock and processor, and the wiring.

Time is virtual, in picoseconds: it advances with bus transfers, sleeps, waiting and the firmware's own time (costs.py).
In real time, waiting really waits; a late process catches up and loses nothing.
"""

import select
import time
from array import array

from micropython import const

from . import costs
from .icm42688p import ICM42688P
from .motion import Motion
from .sampler import NEVER, Sampler
from .signal_path import SignalPath

# Wired as an RP2040 or RP2350 board is (hardware_notes): chip select and INT1.
SELECT_PIN = const(17)
INTERRUPT_PIN = const(20)

PWRON_RESET = const(1)
WDT_RESET = const(3)

_US = const(1000000)  # in picoseconds
_MS = const(1000000000)

# The host's monotonic clock in nanoseconds: CPython's name for it, then MicroPython's.
_host_ns = getattr(time, "monotonic_ns", None) or (lambda: time.ticks_us() * 1000)

DEFAULTS = {
    "signal": None,
    "signal_rate_hz": 16000,
    "rest": [0, 0, 9806650, 0, 0, 0],
    "repeat": False,
    "realtime": False,
    "oscillator_ppm": 0,
    "crystal_ppm": 0,
    "noise": 1,
    "seed": 1,
    "temperature_c": 25,
    "temperature_slope_c_per_min": 0,
    "offset_counts": [0, 0, 0],
    "scale_error": [0, 0, 0],
    "latency_us": 0,
    "self_test_codes": [105, 98, 121, 140, 133, 146],
    "serial": "0000000000000001",
    "faults": [],
}


COLUMNS = ("x", "y", "z", "gx", "gy", "gz")  # the axes' names in faults: accelerometer, gyroscope


class Reset(BaseException):
    """The processor restarts; `cause` is the next machine.reset_cause()."""

    def __init__(self, cause):
        super().__init__(cause)
        self.cause = cause


class Board:
    """One box: a chip, a processor's clock and watchdog, planned faults, and the stream of commands."""

    def __init__(self, config, stream_in):
        for key in config:
            if key not in DEFAULTS:
                raise ValueError("simulated board: unknown setting " + key)
        self.config = dict(DEFAULTS)
        self.config.update(config)
        config = self.config
        motion = Motion(config["signal"], config["signal_rate_hz"], config["repeat"], config["rest"])
        self.chip = ICM42688P(
            lambda registers: Sampler(
                registers,
                SignalPath(motion, config),
                config["oscillator_ppm"],
                round(config["temperature_c"] * 1000),
                round(config["temperature_slope_c_per_min"] * 1000),
            ),
            config["self_test_codes"],
        )
        self.now_ps = 0
        self.call_ns = costs.CALL_NS
        self._rushing = False  # calls take no time, until the processor next waits
        self.event = False  # an interrupt came since the processor last waited, so the next wait ends at once
        self.light = None  # set once the firmware drives it
        self.silent_until_ps = 0  # the host fetches nothing until then
        self.link_faults = []  # faults due, for the port
        self._faults = [dict(fault, at_ps=round(fault["at_s"] * 1e12)) for fault in config["faults"]]
        self._faults.sort(key=lambda fault: fault["at_ps"])
        self._crystal_ppm = round(config["crystal_ppm"])
        self._latency_us = config["latency_us"]
        self._random = array("l", [config["seed"] * 2654435761 & 0xFFFFFFFF or 1])
        self._realtime = config["realtime"]
        self._began_ns = _host_ns()
        self._poll = select.poll()
        self._poll.register(stream_in, select.POLLIN)
        self._wait = getattr(self._poll, "ipoll", self._poll.poll)
        self.start(PWRON_RESET)
        while self._faults and self._faults[0]["at_ps"] <= 0:
            self._happen(self._faults.pop(0))

    def start(self, cause):
        """Start the processor: its clock from 0, no watchdog, no interrupt handler."""
        self.reset_cause = cause
        self._booted_ps = self.now_ps
        self.watchdog_ps = NEVER
        self.chip.on_edge = None
        self._garbage = 0
        self.garbage_limit = costs.HEAP

    def ticks_us(self):
        """The box's clock: microseconds since the start, by its crystal."""
        us = (self.now_ps - self._booted_ps) // _US
        return us + us * self._crystal_ppm // 1000000

    def spend(self, ps):
        """Let time pass while the processor is busy."""
        self.now_ps += ps
        if self.now_ps >= self.chip.due_ps:
            self.chip.run_to(self.now_ps)
        if self.now_ps >= self.watchdog_ps:
            raise Reset(WDT_RESET)

    def call(self, ns=0):
        """Let the time of a call from the firmware pass, and `ns` more."""
        self.spend((ns if self._rushing else self.call_ns + ns) * 1000)

    def litter(self, garbage):
        """Add bytes of garbage to the heap, and collect them above the limit."""
        self._garbage += garbage
        if self._garbage > self.garbage_limit:
            self.collect()

    def collect(self):
        """Let the time of a garbage collection pass."""
        self._garbage = 0
        self.call(costs.COLLECT_NS)

    def sleep(self, ps):
        """Let time pass while the processor sleeps."""
        self._rushing = False
        self._pace(self.now_ps + ps)
        self.spend(ps)

    def idle(self):
        """Wait for the next event: the sensor's interrupt, a byte from the host, a fault."""
        self._rushing = False
        if self.event:
            self.event = False
            return
        chip = self.chip
        fault_ps = self._next_fault_ps()
        until_ps = chip.due_ps if chip.due_ps != NEVER else self.now_ps + _MS
        until_ps = max(self.now_ps, min(until_ps, self.watchdog_ps, fault_ps))
        if self._realtime:
            if self._pace(until_ps):  # a byte from the host came first
                until_ps = max(self.now_ps, min(until_ps, (_host_ns() - self._began_ns) * 1000))
        elif self._waiting(0 if chip.streaming else 1):
            until_ps = min(until_ps, self.now_ps + 10 * _US)
        late_ps = self._lateness() if until_ps == chip.due_ps else 0
        self.spend(until_ps - self.now_ps + late_ps)
        self.event = False
        if self.now_ps >= fault_ps:
            self._happen(self._faults.pop(0))

    def _waiting(self, timeout_ms):
        for _ in self._wait(timeout_ms):
            return True
        return False

    def _pace(self, until_ps):
        """In real time, wait until then or for a byte from the host; return whether one came."""
        if not self._realtime:
            return False
        self.keep_pace()
        return self._waiting(max(0, self._ahead_ms(until_ps)))

    def keep_pace(self):
        """In real time, let the host's clock catch up: being busy takes time too, whatever the host sends."""
        if self._realtime:
            ahead_ms = self._ahead_ms(self.now_ps)
            if ahead_ms > 0:
                time.sleep(ahead_ms / 1000)

    def _ahead_ms(self, ps):
        return (ps // 1000 - (_host_ns() - self._began_ns)) // 1000000

    def _lateness(self):
        """Random delay, one time in eight, for other work of the processor."""
        if not self._latency_us:
            return 0
        r = self._random[0]
        r ^= r << 13 & 0xFFFFFFFF
        r ^= r >> 17
        r ^= r << 5 & 0xFFFFFFFF
        self._random[0] = r
        return 0 if r & 7 else (r >> 3) % self._latency_us * _US

    # Faults: at_s counts from the start of the motion, when the chip began to stream.

    def _next_fault_ps(self):
        if not self._faults or not self.chip.streaming:
            return NEVER
        return self.chip.started_ps + self._faults[0]["at_ps"]

    def _happen(self, fault):
        name = fault["fault"]
        chip = self.chip
        if name == "wrong_identity":
            chip.identity = fault.get("value", 0x44)
        elif name == "stuck_axis":
            chip.run_to(self.now_ps)
            chip.sampler.path.stick(COLUMNS.index(fault.get("axis", "z")))
        elif name == "self_test_weak":
            chip.sampler.path.weaken(COLUMNS.index(fault.get("axis", "z")), fault.get("percent", 30))
        elif name == "bus_error":
            chip.deaf = fault.get("count", 1)
        elif name == "fifo_overflow":  # the processor is busy until this many samples are lost, and then so quick that
            self._rushing = True  # no more are lost
            chip.run_to(self.now_ps)
            samples = chip.fifo.space() + fault.get("lost", 1)
            self.spend(chip.sampler.next_ps + (samples - 1) * chip.sampler.period_ps + _US - self.now_ps)
        elif name == "reset":
            raise Reset(PWRON_RESET)
        elif name == "host_silent":
            self.silent_until_ps = self.now_ps + fault.get("ms", 3000) * _MS
        elif name in ("lost_bytes", "flipped_bits"):
            self.link_faults.append([name, fault.get("count", 1)])
        else:
            raise ValueError("simulated board: unknown fault " + name)
