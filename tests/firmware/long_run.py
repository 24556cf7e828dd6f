"""A day in half an hour: firmware and chip model in virtual time, with the decoder, and counters about to wrap.

    python -m tests.firmware.long_run --hours 24

This is the complete simulated box: firmware, the chip's registers, FIFO, interrupt and oscillator, the board's clocks.
Only the sensors' values stay zero, so that an hour of virtual time takes a minute or so. Sequence number, sample
counter and clock begin shortly before 2^32 and the ticks, which wrap every 17.9 minutes, before 2^30. Ctrl-C ends it
early, with its report.
"""

import argparse
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from array import array
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from towertap.capture.continuity import Continuity
from towertap.capture.rate import fit_rate
from towertap.firmware import firmware_dir
from towertap.wire.decoder import Decoder, Frames
from towertap.wire.frames import FrameType, command_line

BOX = """
import json, os, sys
from simboard import modules
from simboard.board import Board
from simboard.port import Port
from simboard.signal_path import SignalPath

SignalPath.make = lambda path, packets, first, n, big_endian: None
board = Board(json.loads(CONFIG), sys.stdin.buffer)
board._booted_ps = -(2**30 - 60000000) * 1000000
modules.install(board)

from towertap_box import acquire, frame

make, clear = frame.Frames.__init__, acquire.Box._clear


def begin_late(frames, write):
    make(frames, write)
    frames._buffer[12:16] = (2**32 - 1000).to_bytes(4, "little")
    frames.clock_us[:] = (2**32 - 5000000).to_bytes(8, "little")


def count_late(box):
    clear(box)
    box.frames.first_sample[:] = (2**32 - 10000).to_bytes(8, "little")


frame.Frames.__init__, acquire.Box._clear = begin_late, count_late
port = Port(sys.stdin.buffer, sys.stdout.buffer, board)
acquire.run(port, port)
"""

BLOCK_BYTES = 2**20
ODR_HZ, OSCILLATOR_PPM = 4000, 13000
HEAP = "384K"
"""Small enough to be collected every hour or so; uncollected garbage would look like growth."""
KEPT = 256
"""One frame in this many is kept for the fit of the rate."""
MEASURED_S = 600.0
"""Virtual time between readings of memory."""


@dataclass
class Run:
    """Results of a run."""

    samples: int = 0
    gaps: int = 0
    bad_frames: int = 0
    stamps_out_of_step: int = 0
    sequence_wraps: int = 0
    counters_out_of_step: int = 0
    readings: array = field(default_factory=lambda: array("q"))
    """Newest sample and clock in µs of some frames, alternating; flat, so that this script itself hardly grows."""
    memory_kb: list[tuple[int, int]] = field(default_factory=list)
    """Resident size of host and box."""
    bye: dict = field(default_factory=dict)

    @property
    def rate_error_ppm(self) -> float:
        newest, clock_us = np.array(self.readings).reshape(-1, 2).T
        rate_hz = fit_rate(newest, clock_us, np.zeros(len(newest))).rate_hz
        return (rate_hz / (ODR_HZ * (1 + OSCILLATOR_PPM * 1e-6)) - 1) * 1e6

    @property
    def clock_s(self) -> float:
        """Virtual time on the box's clock."""
        return (self.readings[-1] - self.readings[1]) / 1e6

    def growth(self, process: int) -> float:
        """Largest resident size over the one after a tenth of the run."""
        sizes = [pair[process] for pair in self.memory_kb]
        return max(sizes) / sizes[len(sizes) // 10]


def long_run(hours: float) -> Run:
    """Run the box for this much virtual time and follow its stream, in constant memory."""
    config = json.dumps({"oscillator_ppm": OSCILLATOR_PPM, "latency_us": 3000, "noise": 0})
    places = os.pathsep.join((str(Path(sys.executable).parent), os.environ.get("PATH", os.defpath)))
    command = [shutil.which("micropython", path=places), "-X", f"heapsize={HEAP}", "-c", f"CONFIG = {config!r}\n{BOX}"]
    pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE, "bufsize": 0, "start_new_session": True}
    box = subprocess.Popen(command, cwd=firmware_dir(), **pipes)
    box.stdin.write(command_line({"do": "start", "odr_hz": ODR_HZ, "seconds": hours * 3600}))
    signal.signal(signal.SIGINT, lambda *_: box.stdin.write(command_line({"do": "stop"})))
    run, follow = Run(), Follower()
    try:
        while not run.bye and (block := box.stdout.read(BLOCK_BYTES)):
            follow(run, block, box.pid)
    finally:
        box.kill()
        box.wait()
    return run


def time_stamps_us(frames: Frames) -> np.ndarray:
    """The chip's own time stamps, (frames, samples): the last two bytes of packet 3 (data sheet DS-000347, 6.1)."""
    packets = frames.payloads.reshape(len(frames.payloads), -1, 16)
    return packets[..., 14].astype(int) << 8 | packets[..., 15]


class Follower:
    """Parses the stream and checks each frame against the one before."""

    def __init__(self) -> None:
        self.decoder, self.continuity = Decoder(), Continuity()
        self.sequence = self.stamp = None
        self.frames = 0
        self.measured_s = -MEASURED_S

    def __call__(self, run: Run, block: bytes, box: int) -> None:
        for frames in self.decoder.feed(block):
            sequence = frames.headers["sequence"].astype(np.int64)
            if self.sequence is not None:
                steps = np.diff(sequence, prepend=self.sequence)
                run.sequence_wraps += int((steps == 1 - 2**32).sum())
                run.counters_out_of_step += int(((steps != 1) & (steps != 1 - 2**32)).sum())
            self.sequence = int(sequence[-1])
            if frames.kind == FrameType.SAMPLES:
                self.samples(run, frames, box)
            else:
                for frame in frames.singly():
                    self.continuity.message(frame)
                if frames.kind == FrameType.BYE:
                    run.bye = frames.data
        run.bad_frames = self.decoder.damage.bad_frames

    def samples(self, run: Run, frames: Frames, box: int) -> None:
        """Check counter and time stamps of sample frames; now and then keep a clock reading and measure memory."""
        headers, stamps = frames.headers, time_stamps_us(frames).ravel()
        steps = np.diff(stamps, prepend=stamps[0] - 250 if self.stamp is None else self.stamp) % 2**16
        run.stamps_out_of_step += int((steps != 1_000_000 // ODR_HZ).sum())
        self.stamp = int(stamps[-1])
        self.continuity.samples(frames)
        run.gaps = len(self.continuity.gaps)
        run.samples = self.continuity.rows
        kept = headers[-self.frames % KEPT :: KEPT]
        self.frames += len(headers)
        if len(kept):
            newest = kept["first_sample"] + kept["fifo_level"] - 1
            run.readings.extend(np.column_stack((newest, kept["clock_us"])).ravel().tolist())
        clock_s = headers["clock_us"][-1] / 1e6
        if clock_s >= self.measured_s + MEASURED_S:
            self.measured_s = clock_s
            run.memory_kb.append((resident_kb("self"), resident_kb(box)))


def resident_kb(process: int | str) -> int:
    """Resident size of a process in kB."""
    status = Path(f"/proc/{process}/status").read_text()
    return int(status.split("VmRSS:")[1].split()[0])


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=24.0)
    options = parser.parse_args()
    started = time.monotonic()
    run = long_run(options.hours)
    ticks_wraps = 1 + (run.clock_s - 60) // (2**30 / 1e6)
    (host_kb, box_kb), (host_end_kb, box_end_kb) = run.memory_kb[0], run.memory_kb[-1]
    print(
        f"{run.clock_s / 3600:.2f} h of virtual time in {time.monotonic() - started:.0f} s: {run.samples} samples\n"
        f"sequence number wrapped {run.sequence_wraps} times, ticks {ticks_wraps:.0f} times\n"
        f"gaps {run.gaps}, bad frames {run.bad_frames}, "
        f"out of step: counters {run.counters_out_of_step}, time stamps {run.stamps_out_of_step}\n"
        f"rate off by {run.rate_error_ppm:+.3f} ppm\n"
        f"resident size from {host_kb} to {host_end_kb} kB in the host, {box_kb} to {box_end_kb} kB in the box; "
        f"growth after the first tenth {run.growth(0) - 1:.1%} and {run.growth(1) - 1:.1%}"
    )
    sound = not (run.gaps or run.bad_frames or run.counters_out_of_step or run.stamps_out_of_step)
    sys.exit(not (sound and abs(run.rate_error_ppm) < 5 and max(run.growth(0), run.growth(1)) < 1.1))


if __name__ == "__main__":
    main()
