"""Frames and streams built by hand from hardware_notes/wire_format.md, never by the package's own packing."""

import binascii
import json
import os
import runpy
import struct
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

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


class HandMade:
    """Builds what a box sends, byte by byte from the page."""

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
        """The frames with sequence numbers from `start` in their order, as a box sends them; check values anew."""
        made = []
        for k, frame in enumerate(frames):
            body = frame[:12] + struct.pack("<I", (start + k) % 2**32) + frame[16:-4]
            made.append(body + struct.pack("<I", binascii.crc32(body)))
        return made

    def hello(self, first=0, **changes):
        return self.frame(1, json.dumps({**HELLO, **changes}).encode(), first=first)

    def samples(self, acceleration, rotation=None, **fields):
        """A sample frame from (n, 3) counts."""
        rotation = np.zeros_like(acceleration) if rotation is None else rotation
        rows = zip(np.asarray(acceleration).tolist(), np.asarray(rotation).tolist(), strict=True)
        payload = b"".join(struct.pack(">B3h3hbH", 0x68, *a, *w, 0, 0) for a, w in rows)
        return self.frame(2, payload, layout=1, count=len(acceleration), **fields)

    def recording(
        self,
        seconds=2.0,
        *,
        rate_hz=4000.0,
        odr_hz=4000,
        watermark=32,
        seed=1,
        latency_us=20.0,
        counts=None,
        start=(0, 0, 1000),
        rolls=False,
    ):
        """Frames of a drive at rest as a list: hello, sample frames, bye; noise of 5 counts, 1 g on z.

        The chip makes sample n at n / rate_hz; the box reads its clock shortly after a sample makes the watermark full.
        `start`: sequence number, sample counter and clock in µs to begin with. A vehicle that `rolls` yaws by 2 °/s.
        """
        sequence, sample, start_us = start
        rng = np.random.default_rng(seed)
        n = int(seconds * rate_hz) // watermark
        if counts is None:
            counts = np.rint(rng.normal([0, 0, 2048, 0, 0, 0], 5, (n * watermark, 6))).astype(int)
        if rolls:
            counts = counts.copy()
            counts[:, 5] += np.rint(33 * np.sin(2 * np.pi * 0.3 * np.arange(len(counts)) / rate_hz)).astype(int)
        frames = [self.hello(odr_hz=odr_hz, first=sample)]
        late_us = rng.exponential(latency_us, n)
        for k in range(n):
            first, rows = k * watermark, counts[k * watermark : (k + 1) * watermark]
            clock_us = int((first + watermark - 1) / rate_hz * 1e6 + late_us[k]) + start_us
            more = int(late_us[k] * rate_hz / 1e6)
            counters = {"sequence": (sequence + k + 1) % 2**32, "first": sample + first, "clock": clock_us}
            frames.append(self.samples(rows[:, :3], rows[:, 3:], fifo=watermark + more, temperature=0, **counters))
        end = {"sequence": (sequence + n + 1) % 2**32, "first": sample + n * watermark, "clock": clock_us + 10}
        bye = json.dumps({"reason": "stop", "samples": end["first"], "lost": 0}).encode()
        frames.append(self.frame(6, bye, **end))
        return frames


def plain_counts(file, quantity):
    """Counts (n, 3) of an open capture by plain h5py, as hardware_notes/formats.md has it."""
    steps = file[f"{quantity}_differences"][:] - np.int16(128)
    stretches = [steps[row : row + 16384] for row in range(0, len(steps), 16384)]
    return np.vstack([np.cumsum(stretch, axis=0, dtype=steps.dtype) for stretch in stretches])


def put_counts(file, quantity, counts):
    """Other counts in a capture open for writing, by plain h5py."""
    dataset = file[f"{quantity}_differences"]
    counts = np.asarray(counts).astype(dataset.dtype)
    steps = counts.copy()
    steps[1:] -= counts[:-1]
    steps[::16384] = counts[::16384]
    dataset[:] = steps + np.int16(128)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Where several processes share the tests, those of one file stay together, as do all that look at the demo.

    What files share is so made once. (Marks of `--dist loadgroup` are lost between pytest 9.2 and xdist 3.8.)
    """
    from xdist.scheduler import LoadScopeScheduling

    if config.getoption("dist") != "load":  # what -n alone asks for
        return None

    class ByFile(LoadScopeScheduling):
        def _split_scope(self, nodeid: str) -> str:
            path = Path(nodeid.split("::")[0])
            return str(path.parent if path.parent.name in ("benchmarks", "demo") else path)

    return ByFile(config, log)


@pytest.fixture(autouse=True)
def no_settings_of_this_computer(monkeypatch, tmp_path):
    """What its user has set is not what is tested."""
    for name in [name for name in os.environ if name.startswith("TOWERTAP_")]:
        if name.removeprefix("TOWERTAP_").lower() in ("units", "archive", "bench", "margin", "sounds"):
            monkeypatch.delenv(name)
    monkeypatch.setenv("TOWERTAP_SETTINGS", str(tmp_path / "no-settings.toml"))
    monkeypatch.delenv("COLUMNS", raising=False)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


@pytest.fixture(scope="session")
def by_hand() -> HandMade:
    """The builder of frames and streams."""
    return HandMade()


@pytest.fixture
def make_capture(tmp_path: Path, by_hand: HandMade):
    """A function that writes frames to a raw file, decodes it and gives the capture's path."""
    from towertap.capture.decode import decode_raw

    def make(frames=None, name="drive", conditions=None):
        raw = tmp_path / f"{name}.ttraw"
        raw.write_bytes(b"".join(by_hand.recording() if frames is None else frames))
        return decode_raw(raw, tmp_path / f"{name}.h5", conditions)

    return make


@pytest.fixture(scope="session")
def drive_folder(tmp_path_factory, by_hand: HandMade) -> Path:
    """Captures of two parts over three roads, two passes each, 5 s at 1 kHz; `stiff` shakes half as much again."""
    from towertap.capture.conditions import Conditions
    from towertap.capture.decode import decode_raw

    folder = tmp_path_factory.mktemp("drives")
    rng = np.random.default_rng(12)
    for part, factor in {"soft": 1.0, "stiff": 1.5}.items():
        for road, spread in {"bypass": 20, "moor-road": 60, "quarry-lane": 200}.items():
            for number in (1, 2):
                level = spread * (1.0 if road == "bypass" else factor) * rng.normal(1, 0.01)
                counts = np.rint(rng.normal([0, 0, 2048, 0, 0, 0], level, (5000, 6))).astype(int)
                frames = by_hand.recording(5, rate_hz=1000.0, odr_hz=1000, counts=counts, seed=number, rolls=True)
                raw = folder / f"{road}-{part}-{number}.ttraw"
                raw.write_bytes(b"".join(frames))
                conditions = Conditions("minibus", part, road, number, 40.0, mounting="x=+X,y=+Y,z=+Z")
                decode_raw(raw, raw.with_suffix(".h5"), conditions)
    return folder


HOSTILE = """<script>alert("x")</script> & "bus" '$\\frac{'"""
"""A vehicle name that would break a page that does not escape, a figure that reads mathematics."""
LEVELS = {("bypass", 0): 30, ("bypass", 1): 30, ("quarry-lane", 0): 120, ("quarry-lane", 1): 260}
"""Road and side → standard deviation of the vertical acceleration in counts."""


@pytest.fixture(scope="session")
def recorded(tmp_path_factory, by_hand):
    """Three passes of each part over a smooth and a rough road as captures, read with all that the sections take.

    White noise on z that swells and fades, whose level varies by 3 % from pass to pass; after is 260 / 120 times as
    rough on the rough road.
    """
    from towertap.capture.conditions import Conditions
    from towertap.capture.decode import decode_raw
    from towertap.compare import load_drives

    folder = tmp_path_factory.mktemp("recorded")
    rng = np.random.default_rng(7)
    for (road, side), level in LEVELS.items():
        for number in (1, 2, 3):
            part = ("rubber", "polyurethane")[side]
            spread = np.tile([5.0, 5.0, level * np.exp(0.03 * rng.standard_normal()), 5.0, 5.0, 5.0], (10_000, 1))
            spread[:, 2] *= 1 + 0.3 * np.sin(np.arange(10_000) / 700)
            counts = np.rint(rng.normal([0, 0, 2048, 0, 0, 0], spread)).astype(int)
            raw = folder / f"{road}-{part}-{number}.ttraw"
            frames = by_hand.recording(10.0, rate_hz=1000, odr_hz=1000, counts=counts, rolls=True)
            raw.write_bytes(b"".join(frames))
            conditions = Conditions(
                HOSTILE, part, road, number, 40.0, "250, 250, 300, 300", 12.0, "left", "x=+X,y=+Y,z=+Z"
            )
            decode_raw(raw, raw.with_suffix(".h5"), conditions)
    return load_drives(folder, "rubber", "polyurethane", "bypass")


@pytest.fixture(scope="session")
def compared(recorded):
    """What compare says of them."""
    from towertap.compare import compare

    return compare(recorded)


@pytest.fixture(scope="session")
def two_box_folder(tmp_path_factory, by_hand: HandMade) -> Path:
    """Captures of two bushes whose rough road two boxes recorded at once, see tests/compare/two_boxes.py."""
    made = runpy.run_path(str(Path(__file__).parent / "compare" / "two_boxes.py"))
    return made["write_folder"](tmp_path_factory.mktemp("two-boxes"), by_hand)


@pytest.fixture(scope="session")
def make() -> SimpleNamespace:
    """The builders of invented drives, see tests/compare/invented.py."""
    return SimpleNamespace(**runpy.run_path(str(Path(__file__).parent / "compare" / "invented.py")))


@pytest.fixture(scope="session")
def two_box_drives(two_box_folder):
    """Its passes by the box at the sill, each with the transfer from the box at the arm."""
    from towertap.compare.drives.folder import load_passes
    from towertap.compare.sections.transfer import TransferSection

    return load_passes(
        two_box_folder,
        "rubber",
        "polyurethane",
        "bypass",
        measures={"transfer": TransferSection().measure},
        position="sill",
        input_position="arm",
    )


@pytest.fixture
def styled():
    """The figures' own settings, as the report uses them."""
    from matplotlib import rc_context
    from towertap.drawing.style import RC

    with rc_context(RC):
        yield


@pytest.fixture
def run(monkeypatch, capsys):
    """The command line in this process: from the words after `towertap` to (exit status, output, error output)."""
    from towertap import cli

    def call(*words):
        monkeypatch.setattr(sys, "argv", ["towertap", *map(str, words)])
        with pytest.raises(SystemExit) as ended:
            cli.main()
        return ended.value.code, *capsys.readouterr()

    return call
