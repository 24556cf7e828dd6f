"""A chip is one driver file and one line in SENSORS: one made up here goes through the loop.

Three axes of 20 bits, left-aligned in three bytes, no gyroscope, and no counter of lost packets.
"""

from __future__ import annotations

import pytest
from towertap.firmware import board_files, firmware_dir

DRIVER = '''
"""Driver of a made-up accelerometer."""

from towertap_box.fault import Fault

ID, STATUS, LEVEL, DATA, MODE, TEMPERATURE = range(6)  # registers; STATUS bit 0: the FIFO has been full


class MadeUp:
    NAME = "MADE-UP-20"
    IDENTITY = 0xB5
    LAYOUT = 77
    PACKET = 9
    WATERMARK = 32
    CAPACITY = 64
    ACCEL_RANGE_G = 8
    GYRO_RANGE_DPS = 0
    RATES_HZ = (500, 1000)

    def __init__(self, bus):
        self._bus = bus
        self._out, self._in = bytearray(3), bytearray(3)
        self.anti_alias_hz = 0
        self.overflowed = False

    @classmethod
    def identify(cls, bus):
        return cls(bus)._read(ID)[1]

    def start(self, odr_hz):
        self.anti_alias_hz = odr_hz // 4
        self._write(MODE, odr_hz // 500)
        if not self.is_set_up():
            raise Fault("bus_error", "the mode does not stick")

    def stop(self):
        self._write(MODE, 0)

    def drain(self, packets):
        answer = self._read(STATUS)
        self.overflowed = answer[1] == 1
        level = answer[2]
        if level > self.CAPACITY:
            return -1
        if level >= self.WATERMARK:
            bus = self._bus
            self._out[0] = DATA | 0x80
            bus.select(0)
            bus.spi.write(self._out)
            bus.spi.readinto(packets)
            bus.select(1)
        return level

    def lost(self):
        return None

    def is_set_up(self):
        return self._read(MODE)[1] != 0

    def temperature(self):
        answer = self._read(TEMPERATURE)
        return answer[1] << 8 | answer[2]

    def self_test(self):
        raise Fault("bad_command", "self_test: this chip has none")

    def _write(self, register, value):
        self._bus.exchange(bytes((register, value)), bytearray(2))

    def _read(self, register):
        self._out[0] = register | 0x80
        self._bus.exchange(self._out, self._in)
        return self._in
'''

MODEL = """
from simboard.sampler import NEVER

class MadeUpChip:
    identity = 0xB5
    streaming = False
    asserted = 0
    started_ps = 0
    due_ps = NEVER
    on_edge = None

    def __init__(self):
        self.mode = self.made = self.level = self.full = 0
        self.next_ps = NEVER

    def active_high(self):
        return 1

    def run_to(self, now_ps):
        while self.next_ps <= now_ps:
            self.next_ps += self.period_ps
            self.made += 1
            self.level += 1
            if self.level > 64:
                self.level, self.full = 64, 1
            if self.level == 32 and self.on_edge:
                self.on_edge(self)
        self.due_ps = self.next_ps

    def select(self, now_ps):
        self.run_to(now_ps)
        self.address = -1

    def deselect(self):
        pass

    def exchange(self, out, fill, into, n):
        for i in range(n):
            answer = 0
            if self.address < 0:
                self.address, self.reading, self.at = out[i] & 0x7F, out[i] & 0x80, 0
            elif self.reading:
                answer = self.read()
            elif self.address == 4:
                self.begin(out[i])
            if into is not None:
                into[i] = answer

    def begin(self, mode):
        self.__init__()
        self.mode = mode
        if mode:
            self.period_ps = 2000000000 // mode
            self.next_ps = self.due_ps = board.now_ps + self.period_ps

    def read(self):
        at = self.at
        self.at += 1
        if self.address == 3:  # x is the sample's own number, y nothing, z its negative; the command's two bytes first
            if at < 2:
                return 0
            byte = (at - 2) % 9
            number = self.made - self.level
            answer = ((number, 0, -number)[byte // 3] << 4 & 0xFFFFFF) >> (16, 8, 0)[byte % 3] & 0xFF
            if byte == 8:
                self.level -= 1
            return answer
        if self.address == 1 and at == 0:
            full, self.full = self.full, 0
            return full
        registers = {0: (0xB5, 0), 1: (0, self.level), 4: (self.mode, 0), 5: (0x07, 0x3C)}
        return registers.get(self.address, (0, 0))[at & 1]

board.chip = MadeUpChip()
from made_up import MadeUp
acquire.sensors.SENSORS += (MadeUp,)
"""


def counts(payload: bytes) -> list[tuple[int, ...]]:
    """Signed numbers of 20 bits, three of each 9 bytes."""
    numbers = [int.from_bytes(payload[i : i + 3], "big", signed=True) >> 4 for i in range(0, len(payload), 3)]
    return [tuple(numbers[i : i + 3]) for i in range(0, len(numbers), 3)]


@pytest.fixture
def made_up(bench, take_apart, tmp_path):
    """A function that runs a script on a board with this chip; returns what the box sent and the script's answer."""
    (tmp_path / "made_up.py").write_text(DRIVER)

    def run(script: str):
        sent, answer = bench(f"sys.path.insert(0, {str(tmp_path)!r})\n{MODEL}\n{script}")
        return take_apart(sent), answer

    return run


def test_its_samples_come_with_its_own_layout_ranges_and_temperature(made_up):
    frames, _ = made_up("box = started(1000)\nrun(box, 40)\nanswer = 0")
    hello = frames[0].content
    assert (hello["chip"], hello["layout"], hello["accel_range_g"], hello["gyro_range_dps"]) == ("MADE-UP-20", 77, 8, 0)
    samples = frames.of("samples")
    assert [(frame.layout, frame.count, len(frame.payload), frame.flags) for frame in samples] == [
        (77, 32, 288, 0)
    ] * 40
    assert [row for frame in samples for row in counts(frame.payload)] == [(i, 0, -i) for i in range(40 * 32)]
    assert {frame.temperature for frame in samples} == {0x073C}  # its raw word: only the host knows its scale


def test_an_overflow_that_it_cannot_count_is_flagged_and_reported(made_up):
    script = "box = started(1000)\nrun(box, 10)\nboard.spend(200000000000)\nrun(box, 10)\n"
    frames, _ = made_up(script + "box.send_status()\nbox.finish('stop')\nanswer = 0")
    samples = frames.of("samples")
    assert [frame.flags for frame in samples if frame.flags] == [0x03]  # overflowed, number lost unknown
    assert samples[10].flags
    assert counts(samples[10].payload)[0][0] > 320  # samples are lost, but the counter cannot include them
    assert samples[10].first_sample == 320
    assert frames.of("fault")[0].content["detail"] == "the chip does not say how many samples are lost"
    status = frames.of("status")[0].content
    assert (status["overflows"], status["lost"]) == (1, 0)


def test_an_unknown_range_is_refused_and_no_range_means_its_own(made_up):
    script = """
from towertap_box import commands
from towertap_box.fault import Fault
box = Box(port, port)
answer = []
for ranges in ("", ', "gyro_range_dps": 2000', ', "gyro_range_dps": 0, "accel_range_g": 8'):
    try:
        commands.obey(box, ('{"do": "start", "odr_hz": 1000' + ranges + "}").encode())
        answer.append("started")
    except Fault as fault:
        answer.append(fault.detail)
    box.finish("stop")
try:
    commands.obey(box, b'{"do": "self_test"}')
except Fault as fault:
    answer.append(fault.detail)
"""
    assert made_up(script)[1] == [
        "started",
        "start: MADE-UP-20 cannot sample like that",
        "started",
        "self_test: this chip has none",
    ]


def test_no_other_file_of_the_box_knows_a_chip():
    # Its name, scales and temperature law are in the driver, its wiring in the board.
    for path in board_files():
        if "icm42688p" not in path.name and path.as_posix() != "towertap_box/sensors/__init__.py":
            text = (firmware_dir() / path).read_text()
            assert not [word for word in ("ICM", "42688", "132.48", "2000", "0x47") if word in text], path
