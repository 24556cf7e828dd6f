"""Frames, streams and captures built by hand from hardware_notes/wire_format.md, never by the package's own packing."""

import binascii
import json
import struct
from pathlib import Path

import numpy as np
from towertap.bench.records import BoxSetup
from towertap.capture import schema
from towertap.capture.conditions import Conditions, write_sidecar
from towertap.capture.decode import decode_raw

WATERMARK = 32
RATES_HZ = (200, 500, 1000, 2000, 4000, 8000)
"""Nominal rates of the chip."""
STRAIGHT = "x=+X,y=+Y,z=+Z"
"""The mounting of a box whose axes are the vehicle's."""

HELLO = {
    "firmware": "0.1.0",
    "board": "hand-built",
    "serial": "e6605481",
    "boot_id": "1f2e3d4c",
    "chip": "ICM-42688-P",
    "chip_id": 0x47,
    "layout": 1,
    "running": True,
    "odr_hz": 4000,
    "accel_range_g": 16,
    "gyro_range_dps": 2000,
    "anti_alias_hz": 997,
    "watermark": 32,
    "commands": ["hello", "start", "mark", "status", "stop", "restart"],
    "clock_us": 0,
}
BOX = BoxSetup("e6605481", "ICM-42688-P", 4000.0, 16.0, 997.0)
"""The box with that hello, as in bench records."""


class HandMade:
    """Builds a box's frames and captures, byte by byte from the page."""

    hello_fields = HELLO

    @staticmethod
    def frame(
        kind, payload=b"", *, flags=0, layout=0, count=0, sequence=0, first=0, clock=0, fifo=0, temperature=-32768
    ):
        header = b"\xa7\x74\x62\xd5" + struct.pack(
            "<BBBBHHIQQHh", 1, kind, flags, layout, len(payload), count, sequence, first, clock, fifo, temperature
        )
        assert len(header) == 36
        return header + payload + struct.pack("<I", binascii.crc32(header + payload))

    @staticmethod
    def numbered(frames, start=0):
        """The frames with consecutive sequence numbers from `start` and new check values."""
        bodies = [frame[:12] + struct.pack("<I", (start + k) % 2**32) + frame[16:-4] for k, frame in enumerate(frames)]
        return [body + struct.pack("<I", binascii.crc32(body)) for body in bodies]

    def hello(self, first=0, **changes):
        return self.frame(1, json.dumps({**HELLO, **changes}).encode(), first=first)

    def samples(self, acceleration, rotation=None, **fields):
        """A sample frame from (n, 3) counts."""
        rotation = np.zeros_like(acceleration) if rotation is None else rotation
        rows = zip(np.asarray(acceleration).tolist(), np.asarray(rotation).tolist(), strict=True)
        payload = b"".join(struct.pack(">B3h3hbH", 0x68, *a, *w, 0, 0) for a, w in rows)
        return self.frame(2, payload, layout=1, count=len(acceleration), **fields)

    def recording(
        self, seconds=2.0, *, rate_hz=4000.0, counts=None, seed=1, latency_us=20.0, start=(0, 0, 1000), rolls=False
    ):
        """A list of frames: hello, sample frames, bye. Counts are `counts` (n, 6), rounded, or at rest with noise.

        At rest means noise of 5 counts, 1 g on z. The chip takes sample n at n / rate_hz; the hello has the nearest
        nominal rate, and the box reads its clock shortly after a sample reaches the watermark. `start` is the first
        sequence number, sample counter and clock in µs. A vehicle that `rolls` yaws by 2 °/s.
        """
        sequence, sample, start_us = start
        rng = np.random.default_rng(seed)
        rows = int(seconds * rate_hz) if counts is None else len(counts)
        n = rows // WATERMARK
        counts = self.noise(rng, 5, n * WATERMARK) if counts is None else np.rint(counts).astype(int)
        if rolls:
            counts[:, 5] += np.rint(33 * np.sin(2 * np.pi * 0.3 * np.arange(len(counts)) / rate_hz)).astype(int)
        nominal_hz = min(RATES_HZ, key=lambda odr_hz: abs(odr_hz - rate_hz))
        frames = [self.hello(odr_hz=nominal_hz, first=sample)]
        late_us = rng.exponential(latency_us, n)
        for k in range(n):
            first, rows = k * WATERMARK, counts[k * WATERMARK : (k + 1) * WATERMARK]
            clock_us = int((first + WATERMARK - 1) / rate_hz * 1e6 + late_us[k]) + start_us
            more = int(late_us[k] * rate_hz / 1e6)
            counters = {"sequence": (sequence + k + 1) % 2**32, "first": sample + first, "clock": clock_us}
            frames.append(self.samples(rows[:, :3], rows[:, 3:], fifo=WATERMARK + more, temperature=0, **counters))
        end = {"sequence": (sequence + n + 1) % 2**32, "first": sample + n * WATERMARK, "clock": clock_us + 10}
        bye = json.dumps({"reason": "stop", "samples": end["first"], "lost": 0}).encode()
        frames.append(self.frame(6, bye, **end))
        return frames

    @staticmethod
    def noise(rng, spread, rows):
        """Counts (rows, 6) of a level box with white noise of standard deviation `spread`."""
        return np.rint(rng.normal([0, 0, 2048, 0, 0, 0], spread, (rows, 6))).astype(int)

    @staticmethod
    def conditions(part, road, number, **more):
        """Conditions of a pass of the minibus at 40 km/h, with the box mounted straight."""
        return Conditions(
            **({"vehicle": "minibus", "speed_kmh": 40.0, "mounting": STRAIGHT} | more),
            part=part,
            road=road,
            pass_number=number,
        )

    def raw(self, path, frames=None):
        """Write a raw recording to `path`: `frames`, or a short one at rest."""
        path.write_bytes(b"".join(self.recording() if frames is None else frames))
        return path

    def capture(self, path, frames=None, conditions=None, sidecar=None):
        """Make a raw recording and its capture at `path` plus suffix; returns the capture's path.

        With entries of a `sidecar` (`started_utc` …), a sidecar is written that has the conditions, as `record` does.
        """
        raw = self.raw(Path(f"{path}.ttraw"), frames)
        if sidecar is not None:
            write_sidecar(raw, conditions or Conditions(), **({"hello": HELLO} | sidecar))
        return decode_raw(raw, Path(f"{path}.h5"), None if sidecar else conditions)

    def drive(self, path, rng, spread, conditions, *, seconds=5, sidecar=None):
        """Make a capture of a pass at 1 kHz, white noise of `spread` counts on a rolling vehicle; returns its path."""
        counts = self.noise(rng, spread, seconds * 1000)
        frames = self.recording(rate_hz=1000.0, counts=counts, seed=conditions.pass_number, rolls=True)
        return self.capture(path, frames, conditions, sidecar)


def plain_counts(file, quantity):
    """Counts (n, 3) of an open capture by plain h5py, as in hardware_notes/formats.md."""
    steps = file[f"{quantity}_differences"][:] - np.int16(128)
    stretches = [steps[row : row + 16384] for row in range(0, len(steps), 16384)]
    return np.vstack([np.cumsum(stretch, axis=0, dtype=steps.dtype) for stretch in stretches])


def put_table(file, name, rows):
    """Replace the rows of a small table of a capture open for writing."""
    if name in file:
        del file[name]
    entry = next(entry for entry in schema.tables() if entry.name == name)
    schema.create(file, entry)
    file[name].resize(len(rows), axis=0)
    file[name][:] = np.array(list(rows), entry.dtype)


def put_counts(file, quantity, counts):
    """Replace the counts of a capture open for writing, by plain h5py."""
    dataset = file[f"{quantity}_differences"]
    counts = np.asarray(counts).astype(dataset.dtype)
    steps = counts.copy()
    steps[1:] -= counts[:-1]
    steps[::16384] = counts[::16384]
    dataset[:] = steps + np.int16(128)
