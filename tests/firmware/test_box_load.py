"""The loop keeps up: other work of the box comes in pieces that cost no sample.

The simulated board charges what an RP2040 takes for the firmware's calls (firmware/simboard/costs.py).
"""

from __future__ import annotations

import json
import struct
from itertools import pairwise

import numpy as np
import pytest
from towertap.wire.decoder import Decoder, Frames
from towertap.wire.frames import FrameType

STATUS = {"do": "status"}


def mark(length: int, escaped: bool = False) -> bytes:
    """A line of `length` bytes, including its end, that sets a mark."""
    room = length - len('{"do": "mark", "text": ""}\n')
    text = b"\\u00e9" * (room // 6) + b"m" * (room % 6) if escaped else b"m" * room
    return b'{"do": "mark", "text": "' + text + b'"}\n'


def steps(samples) -> list[int]:
    """Samples missing before each frame except the first."""
    return [b.first_sample - a.first_sample - a.count for a, b in pairwise(samples)]


def origins(samples) -> set[int]:
    """The chip's time stamp at sample 0, from the first packet of each frame at 8 kHz; one value if all is right."""
    stamps = [struct.unpack_from(">H", frame.payload, 14)[0] for frame in samples]  # wire format, layout 1
    return {(stamp - 125 * frame.first_sample) % 65536 for stamp, frame in zip(stamps, samples, strict=True)}


@pytest.mark.parametrize("odr_hz", [4000, 8000])
def test_a_host_that_asks_without_a_pause_costs_no_sample(box, odr_hz):
    asked = [mark(227), STATUS, mark(250, escaped=True), STATUS, {"do": "hello"}, b"nonsense\n", mark(100)]
    frames = box({"do": "start", "odr_hz": odr_hz}, *asked * 4, {"do": "stop"})
    assert frames[-1].content["lost"] == 0
    assert [len(frames.of(kind)) for kind in ("mark", "status", "hello", "fault")] == [12, 8, 6, 4]
    assert set(steps(frames.of("samples"))) == {0}
    assert max(frame.fifo_level for frame in frames.of("samples")) < 100  # of 128
    assert max(json.loads(frame.payload)["longest_stall_us"] for frame in frames.of("status")) < 8000  # of 12 ms


# Extra work per frame at 8 kHz: first none, then some that looks harmless and is not.
@pytest.mark.parametrize(
    ("extravagance", "loses"),
    [
        ("pass", False),
        ("gc.mem_free()", True),
        ("gc.collect()", True),
        ("json.dumps({'frames': list(range(200))})", True),
    ],
)
def test_a_loop_that_does_too_much_for_every_frame_loses_samples(bench, extravagance, loses):
    script = f"""
class Extravagant(Box):
    def _drain(self, now):
        {extravagance}
        Box._drain(self, now)

box = started(8000, Extravagant(port, port))
run(box, 250)
answer = box.lost
"""
    assert (bench(script)[1] > 0) == loses


@pytest.mark.parametrize("lost", [1, 5, 700])
def test_after_an_overflow_the_box_is_back_in_step_within_100_ms(box, lost):
    fault = {"fault": "fifo_overflow", "at_s": 0.5, "lost": lost}
    samples = box({"do": "start", "odr_hz": 8000, "seconds": 1.5}, faults=[fault]).of("samples")
    (late,) = [i for i, step in enumerate(steps(samples), 1) if step]
    assert steps(samples)[late - 1] == lost
    afterwards = [frame for frame in samples if frame.clock_us > samples[late].clock_us + 100_000]
    assert max(frame.fifo_level for frame in afterwards) < 48


def test_a_repeated_fault_is_sent_once_and_counted_until_the_next_status(bench, take_apart):
    script = """
box = started(8000)
for overflows in (3, 2):
    for _ in range(overflows):
        run(box, 10)
        board._happen({"fault": "fifo_overflow", "lost": 5})
    run(box, 10)
    box.send_status()
answer = box.lost
"""
    sent, lost = bench(script)
    frames = take_apart(sent)
    assert [frame.kind for frame in frames[1:] if frame.kind != "samples"] == ["fault", "status", "fault", "status"]
    assert [frame.content["overflows"] for frame in frames.of("status")] == [3, 5]
    assert [frame.content["lost"] for frame in frames.of("status")] == [15, lost]
    assert sum(frame.flags for frame in frames.of("samples")) == 5


@pytest.mark.parametrize("missed", [1, 4])
def test_samples_lost_between_count_and_data_are_counted_before_these_samples(bench, take_apart, missed):
    # The FIFO holds 127 of 128 when its level is read, and overflows before the first packet is read.
    script = f"""
box = started(8000)
exchange = box.sensor._exchange
def slowly(out, into):
    exchange(out, into)
    after({missed} + 1)
    board.chip.run_to(board.now_ps)
    box.sensor._exchange = exchange
board.call_ns = 0
board.chip.run_to(board.now_ps)
after(127 - board.chip.fifo.records)
box.sensor._exchange = slowly
run(box, 20)
answer = box.lost
"""
    sent, lost = bench(script)
    samples = take_apart(sent).of("samples")
    assert lost == missed
    assert samples[0].flags == 0x01
    assert samples[0].first_sample == missed
    assert len(origins(samples)) == 1


def test_an_interrupt_while_a_frame_is_sent_is_not_missed(bench):
    script = """
box = started(4000)
write = box.frames._write
def interrupted(buffer, length):
    box._on_watermark(None)
    write(buffer, length)
run(box, 3)
box.frames._write = interrupted
run(box, 1)
answer = box.due
"""
    assert bench(script)[1] is True


def test_a_chip_without_interrupts_is_drained_all_the_same(bench):
    # A loose INT1 lead: a frame is due after two periods at the latest, long before the FIFO is full.
    script = "box = started(8000)\nboard.chip.on_edge = None\nrun(box, 100)\nanswer = box.lost"
    assert bench(script)[1] == 0


def time_stamps_us(frames: Frames) -> np.ndarray:
    """The chip's own time stamps, (frames, samples): the last two bytes of packet 3 (data sheet DS-000347, 6.1)."""
    packets = frames.payloads.reshape(len(frames.payloads), -1, 16)
    return packets[..., 14].astype(int) << 8 | packets[..., 15]


def test_a_host_that_is_silent_for_three_seconds_costs_only_counted_samples(bench):
    script = """
box = started(8000)
run(box, 50)
board.silent_until_ps = board.now_ps + 3000000000000
back_ps = board.silent_until_ps + 100000000000
run(box, 1)
while board.now_ps < back_ps:
    box.turn()
in_step = box.lost
run(box, 100)
box.finish("stop")
answer = in_step, box.lost
"""
    sent, (in_step, lost) = bench(script)
    assert in_step == lost  # 100 ms later everything is in step
    assert 23_500 < lost < 24_000  # the FIFO's content, and one frame per timeout of the port, arrived
    decoder = Decoder()
    samples = [frames for frames in decoder.feed(sent) + decoder.finish() if frames.kind == FrameType.SAMPLES]
    first = np.concatenate([frames.headers["first_sample"] for frames in samples])
    stamps = np.concatenate([time_stamps_us(frames)[:, 0] for frames in samples])
    assert len(set((stamps - 125 * first) % 65536)) == 1
    assert decoder.damage.bad_frames == 1  # the one that the port cut


@pytest.mark.parametrize(("odr_hz", "busy_percent"), [(1000, 5), (4000, 18), (8000, 36)])
def test_the_status_reports_the_load(bench, take_apart, odr_hz, busy_percent):
    # As on an emulated board with the real MicroPython: hardware_notes/board_numbers.md.
    script = f"box = started({odr_hz})\nbox.send_status()\nrun(box, {odr_hz // 32})\nbox.send_status()\nanswer = 0"
    status = take_apart(bench(script)[0]).of("status")[-1].content
    assert status["busy_percent"] == pytest.approx(busy_percent, abs=4)


def test_a_stall_is_only_in_the_next_status(bench, take_apart):
    script = """
box = started(4000)
run(box, 10)
box.send_status()
write = box.frames._write
box.frames._write = lambda buffer, length: (write(buffer, length), time.sleep_ms(50))
run(box, 1)
box.frames._write = write
run(box, 10)
for _ in range(2):
    box.send_status()
    run(box, 10)
answer = 0
"""
    before, stalled, after = (frame.content["longest_stall_us"] for frame in take_apart(bench(script)[0]).of("status"))
    assert before < 5000
    assert stalled == pytest.approx(50_000, abs=5000)
    assert after < 5000


def test_the_numbers_of_a_status_are_json(on_micropython):
    # Against Python's json, from zero to the largest number that a 32-bit board keeps off the heap.
    numbers = [0, 9, 10, 99_999, 123_456_789, 2**30 - 1]
    script = f"""
import json, sys
sys.path.insert(0, ".")
from towertap_box.status import Status
status = Status()
texts = []
for running in (False, True, False):
    status.put_running(running)
    for which, number in enumerate({numbers}):
        status.put(which, number if running else 0)
    texts.append(status.text.decode())
print(json.dumps(texts))
"""
    off, on, off_again = map(json.loads, on_micropython(script))
    assert list(on.values()) == [True, *numbers]
    assert off == off_again
    assert set(off.values()) == {0}


def test_the_light_shows_the_state(bench):
    # The patterns of hardware_notes/wiring.md: flashes per second, duty cycle.
    script = """
def lit():
    hz, share = board.light
    return (hz, round(share * 100 / 65535))

box = Box(port, port)
box.greet()
answer = [lit()]
started(4000, box)
for _ in range(3):
    answer.append(lit())
    run(box, 130)
board._happen({"fault": "fifo_overflow", "lost": 5})
run(box, 150)
answer.append(lit())
box.finish("stop")
answer.append(lit())
started(4000, box)
board.chip.deaf = 1000
for _ in range(200):
    box.turn()
answer.append(lit())
"""
    idle, *recording, losing, idle_again, fault = bench(script)[1]
    assert idle == idle_again == [1000, 2]
    assert recording == [[1000, 100], [1000, 0], [1000, 100]]
    assert losing == [10, 50]
    assert fault == [1000, 100]


def test_a_board_without_a_light_works_without(bench):
    script = """
def none(pin):
    raise ValueError("invalid pin")
light.PWM = none
box = started(4000)
run(box, 200)
answer = [box.lost, board.light]
"""
    assert bench(script)[1] == [0, None]
