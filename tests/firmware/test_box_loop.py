"""The acquisition loop on the simulated board, under MicroPython: its frames, and sampling without heap."""

from __future__ import annotations

import struct
import subprocess
import sys
from itertools import pairwise

import pytest
from towertap.firmware import firmware_dir


@pytest.mark.parametrize("odr_hz", [1000, 2000, 4000, 8000])
def test_a_recording_of_given_length(box, odr_hz):
    frames = box({"do": "start", "odr_hz": odr_hz, "seconds": 0.5})
    greeting, hello, *_, bye = frames
    recording = frames[2:-1]
    assert (greeting.kind, greeting.content["running"]) == ("hello", False)
    assert (hello.kind, hello.content["running"], hello.content["odr_hz"]) == ("hello", True, odr_hz)
    # Data sheet DS-000347, section 5.3: the chip's bandwidths; those used lie below half the rate.
    assert hello.content["anti_alias_hz"] == {1000: 258, 2000: 536, 4000: 997, 8000: 1962}[odr_hz] < odr_hz / 2
    assert set(frames.kinds[2:-1]) == {"samples"}
    assert [frame.first_sample for frame in recording] == list(range(0, -(-odr_hz // 64) * 32, 32))
    assert bye.content == {"reason": "the time asked for is over", "samples": -(-odr_hz // 64) * 32, "lost": 0}
    for frame in recording:
        assert (frame.flags, frame.layout, frame.count, len(frame.payload)) == (0, 1, 32, 512)
        assert 32 <= frame.fifo_level < 40
        headers = set(frame.payload[::16])
        assert {header & 0xFC for header in headers} == {0x68}  # wire format, layout 1: both sensors, 16 bits, time


def test_clock_counter_and_level_give_the_true_rate(box):
    # The chip's oscillator is 1.3 % fast, so the newest sample's number grows by 1.013 × 4000 per second of the box.
    frames = box({"do": "start", "seconds": 8}, oscillator_ppm=13000).of("samples")
    first, last = frames[0], frames[-1]
    made = (last.first_sample + last.fifo_level) - (first.first_sample + first.fifo_level)
    assert made / (last.clock_us - first.clock_us) * 1e6 == pytest.approx(4052, abs=1 / 8)


def test_at_rest_the_counts_are_one_g_and_the_temperature_is_the_chips(box):
    frames = box({"do": "start", "seconds": 2}, noise=0, temperature_c=31).of("samples")
    # ±16 g in 16 bits: 2048 counts per g (wire format, layout 1); the simulated box lies flat.
    assert struct.unpack_from(">3h3h", frames[-1].payload, 1) == (0, 0, 2048, 0, 0, 0)
    # Data sheet DS-000347, section 4.13: degrees Celsius = word / 132.48 + 25.
    assert frames[-1].temperature / 132.48 + 25 == pytest.approx(31, abs=0.01)


def test_lost_samples_are_counted_to_the_sample(box):
    frames = box(
        {"do": "start", "seconds": 2},
        faults=[
            {"fault": "fifo_overflow", "at_s": 0.5, "lost": 37},
            {"fault": "fifo_overflow", "at_s": 1.0, "lost": 5},
        ],
    )
    recording = frames.of("samples")
    steps = [b.first_sample - a.first_sample - 32 for a, b in pairwise(recording)]
    assert [step for step in steps if step] == [37, 5]
    assert [b.flags for b, step in zip(recording[1:], steps, strict=True) if step] == [1, 1]
    assert sum(frame.flags for frame in recording) == 2
    assert frames.faults == ["fifo_overflow"]  # the second is only counted
    assert frames[-1].content["lost"] == 42
    # The packets' time stamps, 250 µs apart (layout 1), prove where and how many.
    stamps = [struct.unpack_from(">H", frame.payload, at)[0] for frame in recording for at in range(14, 512, 16)]
    gaps = [(b - a) % 65536 for a, b in pairwise(stamps)]
    assert {gap for gap in gaps if gap != 250} == {250 * 38, 250 * 6}
    assert [i + 1 for i, gap in enumerate(gaps) if gap != 250] == [32 * (i + 1) for i, step in enumerate(steps) if step]


def test_a_fifo_that_was_just_full_has_lost_nothing(box):
    # Data sheet DS-000347: FIFO_FULL_INT in INT_STATUS is set at 128 packets; FIFO_LOST_PKT counts those lost beyond.
    frames = box({"do": "start", "seconds": 2}, faults=[{"fault": "fifo_overflow", "at_s": 0.5, "lost": 0}])
    assert max(frame.fifo_level for frame in frames.of("samples")) == 128
    assert {frame.flags for frame in frames.of("samples")} == {0}
    assert [frame.first_sample for frame in frames.of("samples")] == list(range(0, 8000, 32))
    assert frames.faults == []


def test_after_a_bus_error_the_chip_is_set_up_again(box):
    frames = box({"do": "start", "seconds": 2}, faults=[{"fault": "bus_error", "at_s": 1.0, "count": 1}])
    assert frames.faults == ["bus_error"]
    assert [frame.flags for frame in frames.of("samples") if frame.flags] == [0x06]  # restarted, number lost unknown
    assert len(frames.of("samples")) == 250
    assert all({header & 0xFC for header in frame.payload[::16]} == {0x68} for frame in frames.of("samples"))


def test_a_chip_that_does_not_answer_is_tried_until_it_does(box):
    frames = box({"do": "start", "seconds": 2}, faults=[{"fault": "bus_error", "at_s": 1.0, "count": 100}])
    assert frames.faults == ["bus_error"]  # later tries, every quarter of a second, are not reported
    assert [frame.flags for frame in frames.of("samples") if frame.flags] == [0x06]
    assert len(frames.of("samples")) == 250


def test_a_wrong_chip_is_a_fault_and_no_samples(box):
    start = {"do": "start", "seconds": 1}
    frames = box({"do": "hello"}, start, {"do": "stop"}, faults=[{"fault": "wrong_identity", "at_s": 0}])
    assert frames.kinds == ["hello", "fault", "hello", "fault", "fault", "bye"]
    assert set(frames.faults) == {"wrong_identity"}
    assert frames[2].content["chip"] == "none"


def test_commands_are_answered_while_sampling(box):
    frames = box(
        {"do": "start"}, {"do": "mark", "text": "gate – été"}, {"do": "status"}, {"do": "hello"}, {"do": "stop"}
    )
    answers = [frame for frame in frames[1:] if frame.kind != "samples"]
    assert [frame.kind for frame in answers] == ["hello", "mark", "status", "hello", "bye"]
    assert answers[1].payload.decode() == "gate – été"
    status = answers[2].content
    assert status["running"]
    assert list(status) == [
        "running", "frames", "lost", "overflows", "bus_errors", "busy_percent", "longest_stall_us",
    ]  # fmt: skip
    assert answers[3].content == {**frames[1].content, "running": True}
    assert answers[4].content["reason"] == "stop"


def test_a_self_test_leaves_the_box_ready_to_record(box):
    frames = box({"do": "self_test"}, {"do": "start", "seconds": 0.1}, noise=0)
    assert frames.kinds[:3] == ["hello", "self_test", "hello"]
    assert frames[1].content["ok"]
    assert struct.unpack_from(">3h3h", frames[-2].payload, 1) == (0, 0, 2048, 0, 0, 0)  # ±16 g again, no push


def test_the_chip_model_has_no_remarks_about_the_driver(bench):
    # INTF_CONFIG1: the reset value 0x91 (data sheet DS-000347, section 13) with bits 7 and 6 as 01 (see the driver).
    script = """
remarks = []
from simboard import remarks as model
model.print = lambda *words, file: remarks.append(words[-1])
box = Box(port, port)
box.greet()
box.self_test()
started(8000, box)
run(box, 20)
intf_config1 = board.chip._registers[0x4D]
box.finish("stop")
answer = [remarks, intf_config1]
"""
    assert bench(script)[1] == [[], 0x51]


def test_there_is_no_self_test_while_sampling(box):
    frames = box({"do": "start"}, {"do": "self_test"}, {"do": "stop"})
    assert frames.faults == ["bad_command"]
    assert "self_test" not in frames.kinds


def test_the_same_files_run_under_cpython(box):
    lines = {"do": "start", "odr_hz": 1000, "seconds": 1}, {"do": "mark", "text": "gate"}, {"do": "status"}
    on_cpython, on_micropython = box(*lines, interpreter=[sys.executable]), box(*lines)
    assert on_cpython.kinds == on_micropython.kinds
    assert "status" in on_cpython.kinds
    samples = [[frame.payload for frame in frames.of("samples")] for frames in (on_cpython, on_micropython)]
    assert samples[0] == samples[1]


def test_a_status_is_sent_every_ten_seconds(box):
    frames = box({"do": "start", "odr_hz": 1000, "seconds": 31})
    clocks = [frame.clock_us for frame in frames if frame.kind == "status"]
    assert [round((clock - frames[1].clock_us) / 1e6) for clock in clocks] == [10, 20, 30]


def test_a_new_start_counts_from_zero_and_frames_go_on(box):
    frames = box({"do": "start"}, {"do": "stop"}, {"do": "start", "seconds": 0.1}, until=b"asked for is over")
    assert [frame.first_sample for frame in frames.of("samples")][-13:] == list(range(0, 13 * 32, 32))


@pytest.mark.parametrize(
    "line",
    [
        b" \n",
        b"start\n",
        b"[1, 2]\n",
        b'{"do": 7}\n',
        b'{"do": "dance"}\n',
        b'{"do": "start", "odr_hz": 3000}\n',
        b'{"do": "start", "accel_range_g": 8}\n',
        b'{"do": "start", "seconds": -1}\n',
        b'{"do": "start", "seconds": 1e400}\n',
        b'{"do": "start", "seconds": "ten"}\n',
        b'{"do": "mark"}\n',
        b'{"do": "mark", "text": "' + b"x" * 201 + b'"}\n',
        b'{"do": "mark", "text": "' + b"x" * 5000 + b'"}\n',
        bytes(range(128, 255)) + b"\n",
    ],
)
def test_a_bad_line_is_answered_and_otherwise_ignored(box, line):
    frames = box(line, {"do": "hello"}, {"do": "stop"})
    assert frames.kinds == ["hello", "fault", "hello", "bye"]
    assert frames.faults == ["bad_command"]
    assert not frames[2].content["running"]


def test_after_a_stop_the_box_sleeps(bench):
    """Even if a frame came due on the way to the stop, which is not drained any more."""
    script = """
box = started(4000)
run(box, 3)
after(32)
due = box.due
box.finish("stop")
naps = []
idle, machine.idle = machine.idle, lambda: naps.append(idle())
for _ in range(10):
    box.turn()
answer = [due, len(naps)]
"""
    assert bench(script)[1] == [True, 30]


def test_an_empty_line_only_ends_a_half_written_one(box):
    frames = box(b'{"do": "st', b"\n", b"\n", {"do": "hello"}, {"do": "stop"})
    assert frames.kinds == ["hello", "fault", "hello", "bye"]


def test_a_restart_ends_the_recording_and_restarts_the_box(micropython, take_apart, tmp_path):
    config = tmp_path / "box.json"
    config.write_text("{}")
    sent = subprocess.run(
        [micropython, str(firmware_dir() / "simboard" / "run.py"), str(config)],
        input=b'{"do": "start"}\n{"do": "restart"}\n{"do": "hello"}\n',
        stdout=subprocess.PIPE,
        timeout=60,
    ).stdout
    again = sent.index(b"\xa7\x74\x62\xd5\x01\x01", sent.index(b'"reason"'))
    before, after = take_apart(sent[:again]), take_apart(sent[again:])
    assert before[-1].content["reason"] == "restart"
    # machine.reset() of the rp2 port uses the watchdog, and machine.reset_cause() reports it as such, once.
    assert after.kinds == ["hello", "hello", "fault"]
    assert after.faults == ["restarted_by_watchdog"]
    assert before[0].content["boot_id"] != after[0].content["boot_id"]
    assert after[0].clock_us < before[-1].clock_us


WITHOUT_HEAP = """
from micropython import heap_lock, heap_unlock

class Sensed:
    ticks_us = time.ticks_us
    clock = machine.SPI._clock
    value = machine.Pin.value
    feed = machine.WDT.feed
    freq = machine.PWM.freq
    duty = machine.PWM.duty_u16
    idle = machine.idle
    ipoll = select.poll.ipoll
    write = port.write
    locked = False

def free():
    if Sensed.locked:
        heap_unlock()

def lock():
    if Sensed.locked:
        heap_lock()

# The board and the host may use the heap; the firmware between them may not.
def ticks_us():
    free(); now = Sensed.ticks_us(); lock()
    return now
def clock(self, out, fill, into, n):
    free(); Sensed.clock(self, out, fill, into, n); lock()
def value(self, level=None):
    free(); level = Sensed.value(self, level); lock()
    return level
def feed(self):
    free(); Sensed.feed(self); lock()
def freq(self, hz):
    free(); Sensed.freq(self, hz); lock()
def duty(self, share):
    free(); Sensed.duty(self, share); lock()
def idle():
    free(); Sensed.idle(); lock()
def ipoll(self, timeout_ms):
    free(); board.call(); lock()
    return ()  # as on a board where nothing waits: no heap
class Locked:
    stream_in = sys.stdin.buffer
    readinto = port.readinto
    def write(self, buffer, length):
        free(); Sensed.write(buffer, length); lock()

acquire.ticks_us = ticks_us
from towertap_box import clock as box_clock
box_clock.ticks_us = ticks_us
machine.idle = idle
machine.SPI._clock, machine.Pin.value, machine.WDT.feed = clock, value, feed
machine.PWM.freq, machine.PWM.duty_u16 = freq, duty
select.poll.ipoll = ipoll

box = started(ODR_HZ, Box(Locked(), Locked()))
Sensed.locked = True
heap_lock()
try:
    while len(Host.sent) < FRAMES:
        box.turn()
        TRESPASS
finally:
    heap_unlock()
answer = box.seconds
"""


def without_heap(odr_hz: int, frames: int, trespass: str = "") -> str:
    return WITHOUT_HEAP.replace("ODR_HZ", str(odr_hz)).replace("FRAMES", str(frames)).replace("TRESPASS", trespass)


@pytest.mark.parametrize("odr_hz", [4000, 8000])
def test_sampling_never_touches_the_heap(bench, take_apart, odr_hz):
    # Longer than ten seconds, to include the once-per-second work and a status.
    sent, seconds = bench(without_heap(odr_hz, 11 * odr_hz // 32), latency_us=3000)
    frames = take_apart(sent)
    assert set(frames.kinds[1:]) == {"samples", "status"}
    assert len(frames.of("status")) == 1
    assert seconds >= 10
    assert frames[-1].first_sample == (len(frames.of("samples")) - 1) * 32


def test_the_locked_heap_detects_an_allocation(bench):
    with pytest.raises(AssertionError, match="heap is locked"):
        bench(without_heap(4000, 10, "bytearray(1)"))
