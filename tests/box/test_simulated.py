"""A simulated box from the host's side: the real firmware on the chip model, through a pseudo-terminal and pyserial."""

from __future__ import annotations

import os
import resource
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import serial
from towertap.box import simulated
from towertap.box.simulated import SimulatedBox
from towertap.errors import BoxError, CallError, TowertapError
from towertap.wire.decoder import Damage, Decoder
from towertap.wire.frames import FrameType, command_line

G = 9.80665


@dataclass
class Heard:
    """What came out of a box: JSON frames by type, the sample frames' headers, and all samples."""

    data: dict[FrameType, list[dict]]
    headers: np.ndarray
    packets: np.ndarray
    damage: Damage

    @property
    def missing(self) -> list[tuple[int, int]]:
        """(sample, number missing) wherever the sample counter steps by more than the previous frame's count."""
        ends = self.headers["first_sample"][:-1].astype(int) + self.headers["count"][:-1]
        steps = self.headers["first_sample"][1:].astype(int) - ends
        return [(int(end), int(step)) for end, step in zip(ends, steps, strict=True) if step]

    @property
    def acceleration(self) -> np.ndarray:
        return self.packets["acceleration"].astype(float)


def listen(box: SimulatedBox, *commands: dict, until: bytes = b'"reason"', times: int = 1) -> Heard:
    """Send the commands, and listen until the bye or another last message has come that many times."""
    stream = b""
    with serial.Serial(box.port, timeout=0.2) as port:
        for command in commands:
            port.write(command_line(command))
        give_up = time.monotonic() + 60
        while times:
            portion = port.read(max(1, port.in_waiting))
            times -= until in stream[-len(until) :] + portion
            stream += portion
            assert time.monotonic() < give_up, f"no {until!r} in {len(stream)} bytes; {box.complaints()}"
        stream += port.read(64)  # the rest of that frame
    decoder = Decoder()
    runs = decoder.feed(stream) + decoder.finish()
    samples = [run for run in runs if run.kind == FrameType.SAMPLES]
    return Heard(
        {kind: [run.data for run in runs if run.kind == kind] for kind in FrameType},
        np.concatenate([run.headers for run in samples]) if samples else np.empty(0),
        np.concatenate([run.payloads.view(run.layout.packet).ravel() for run in samples]) if samples else np.empty(0),
        decoder.damage,
    )


def start(seconds: float, odr_hz: int = 4000) -> dict:
    return {"do": "start", "odr_hz": odr_hz, "seconds": seconds}


def test_a_box_at_rest_greets_starts_samples_and_says_goodbye():
    """Frames as in hardware_notes/wire_format.md, all of them sound; 1 g is 2048 counts (data sheet, table 2)."""
    with SimulatedBox(None, serial="00c0ffee") as box:
        heard = listen(box, {"do": "hello"}, start(2))
        assert box.complaints() == ""  # the driver uses the chip as its data sheet wants
    assert heard.data[FrameType.HELLO][-1]["serial"] == "00c0ffee"
    assert heard.data[FrameType.HELLO][-1]["chip_id"] == 0x47
    assert heard.data[FrameType.BYE] == [{"reason": "the time asked for is over", "samples": 8000, "lost": 0}]
    assert (len(heard.packets), heard.missing, heard.damage.skipped_bytes) == (8000, [], 0)
    assert heard.acceleration.mean(axis=0) == pytest.approx([0, 0, 2048], abs=1)


@pytest.mark.parametrize("rate_hz", [500.0, 997.3, 16000.0, 44100.0])
def test_a_signal_of_any_rate_keeps_its_frequency_and_amplitude(rate_hz):
    """5 m/s² at 20 Hz on y and 0.5 rad/s on the x rotation; amplitude of a fitted sine, within 0.3 %."""
    t = np.arange(int(2.2 * rate_hz)) / rate_hz
    wave = np.sin(2 * np.pi * 20 * t)
    signal = np.stack([0 * t, 5 * wave, 0 * t + G, 0.5 * wave, 0 * t, 0 * t], axis=1)
    with SimulatedBox(signal, rate_hz, noise=0.1) as box:
        packets = listen(box, start(2)).packets[400:]
    t = np.arange(len(packets)) / 4000
    basis = np.stack([np.sin(40 * np.pi * t), np.cos(40 * np.pi * t), np.ones_like(t)], axis=1)
    for samples, amplitude in (
        (packets["acceleration"][:, 1] / 2048 * G, 5.0),
        (packets["rotation"][:, 0] / 32768 * np.radians(2000), 0.5),
    ):
        fit = np.linalg.lstsq(basis, samples.astype(float), rcond=None)[0]
        assert np.hypot(fit[0], fit[1]) == pytest.approx(amplitude, rel=3e-3)


def test_a_signal_keeps_content_near_half_its_rate_and_has_no_image():
    """A tone at 230 Hz recorded at 500 Hz: its image would lie at 270 Hz; the chip's own filter takes 1 % at most."""
    wave = 5 * np.sin(2 * np.pi * 230 * np.arange(1100) / 500)
    with SimulatedBox(np.stack([0 * wave, wave, 0 * wave + G], axis=1), 500.0, noise=0.1) as box:
        counts = listen(box, start(2)).acceleration[400:7600, 1]
    window = np.hanning(len(counts))
    amplitudes = 2 * np.abs(np.fft.rfft(counts * window)) / window.sum() / 2048 * G
    frequency_hz = np.fft.rfftfreq(len(counts), 1 / 4000)
    assert amplitudes[abs(frequency_hz - 230) < 3].max() == pytest.approx(5, rel=0.01)
    assert amplitudes[abs(frequency_hz - 270) < 3].max() < 0.01


def test_the_true_rate_is_in_the_clock():
    """Newest sample against box clock, as the wire format says: +1.3 % in the chip, −50 ppm in the box's crystal."""
    with SimulatedBox(None, oscillator_ppm=13000, crystal_ppm=-50) as box:
        headers = listen(box, start(20)).headers
    newest = headers["first_sample"].astype(float) + headers["fifo_level"] - 1
    rate_hz = np.polyfit(headers["clock_us"] * 1e-6, newest, 1)[0]
    assert rate_hz == pytest.approx(4000 * 1.013 / (1 - 50e-6), rel=1e-6)


def test_virtual_time_is_many_times_faster_than_real_time():
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    with SimulatedBox(None) as box:
        listen(box, start(20))
    after = resource.getrusage(resource.RUSAGE_CHILDREN)  # processor time: other work on this machine does not count
    assert after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime < 20 / 2


def test_real_time_is_real():
    with SimulatedBox(None, realtime=True) as box:
        listen(box, {"do": "hello"}, until=b'"boot_id"')
        began = time.monotonic()
        heard = listen(box, start(1.5))
        assert time.monotonic() - began > 1.4  # and not before its time; a loaded machine may be late
    assert len(heard.packets) == 6016  # whole frames of 32


def test_delays_show_in_the_fifo_level_and_lose_nothing():
    with SimulatedBox(None, latency_us=3000) as box:
        heard = listen(box, start(4))
    assert heard.headers["fifo_level"].max() > 34
    assert heard.missing == []


def test_temperature_drifts_as_set():
    """TEMP_DATA / 132.48 + 25 (data sheet, section 4.13): from 10 °C, 60 °C a minute."""
    with SimulatedBox(None, temperature_c=10, temperature_slope_c_per_min=60) as box:
        celsius = listen(box, start(5)).headers["temperature"] / 132.48 + 25
    assert celsius[0] == pytest.approx(10, abs=1)
    assert celsius[-1] - celsius[0] == pytest.approx(4.5, abs=1)


def test_fault_wrong_identity():
    with SimulatedBox(None, faults=[{"fault": "wrong_identity"}]) as box:
        heard = listen(box, {"do": "hello"}, start(1), until=b'"wrong_identity"')
    assert heard.data[FrameType.FAULT][0]["fault"] == "wrong_identity"


@pytest.mark.parametrize(("axis", "column"), [("x", 0), ("y", 1), ("z", 2)])
def test_fault_stuck_axis(axis, column):
    with SimulatedBox(None, faults=[{"fault": "stuck_axis", "at_s": 1.0, "axis": axis}]) as box:
        acceleration = listen(box, start(2)).acceleration
    assert acceleration[:3900].std(axis=0).min() > 1
    still = acceleration[4100:].std(axis=0) == 0
    assert still.tolist() == [n == column for n in range(3)]


@pytest.mark.parametrize("odr_hz", [1000, 8000])
@pytest.mark.parametrize("lost", [1, 37, 700])
def test_fault_fifo_overflow_loses_exactly_so_many(lost, odr_hz):
    with SimulatedBox(None, faults=[{"fault": "fifo_overflow", "at_s": 1.0, "lost": lost}]) as box:
        heard = listen(box, start(2.5, odr_hz))
    [(place, missing)] = heard.missing
    assert missing == lost
    assert abs(place - odr_hz) <= 2 * 32
    assert heard.data[FrameType.BYE][0]["lost"] == lost
    assert heard.headers["flags"].tolist().count(1) == 1


def test_fault_bus_error_is_reported_and_overcome():
    with SimulatedBox(None, faults=[{"fault": "bus_error", "at_s": 0.5, "count": 3}]) as box:
        heard = listen(box, start(1.5))
    assert heard.data[FrameType.FAULT][0]["fault"] == "bus_error"
    assert heard.acceleration[-100:].mean(axis=0) == pytest.approx([0, 0, 2048], abs=5)


def test_fault_lost_bytes_costs_the_frame_that_lost_them():
    with SimulatedBox(None, faults=[{"fault": "lost_bytes", "at_s": 0.5, "count": 100}]) as box:
        heard = listen(box, start(1))
    assert heard.missing == [(pytest.approx(2000, abs=64), 32)]
    assert heard.damage.skipped_bytes == 36 + 512 + 4 - 100


def test_fault_flipped_bits_costs_a_frame_each():
    with SimulatedBox(None, faults=[{"fault": "flipped_bits", "at_s": 0.5, "count": 3}]) as box:
        heard = listen(box, start(1))
    assert [n for _, n in heard.missing] == [96]
    assert heard.damage.bad_frames >= 1


def test_fault_reset_is_a_new_start_of_the_box():
    with SimulatedBox(None, faults=[{"fault": "reset", "at_s": 0.5}]) as box:
        broken = listen(box, start(1), until=b'"running": false', times=2)
        again = listen(box, start(1))
    hellos = [hello for heard in (broken, again) for hello in heard.data[FrameType.HELLO]]
    assert len({hello["boot_id"] for hello in hellos}) == 2
    assert again.headers["clock_us"][0] < broken.headers["clock_us"][-1]
    assert len(again.packets) == 4000


def test_nothing_is_left_behind():
    before = set(os.listdir("/dev/fd"))
    with SimulatedBox(np.zeros((100, 3)), 1000) as box:
        folder, process = Path(box._folder.name), box._process
        assert folder.is_dir()
    assert process.poll() is not None
    assert not folder.exists()
    assert set(os.listdir("/dev/fd")) == before


def test_without_micropython_the_same_firmware_runs_under_cpython(monkeypatch):
    with SimulatedBox(None, seed=3) as box:
        assert box.interpreter == "micropython"
        expected = listen(box, start(0.2))
    monkeypatch.setattr(simulated, "_micropython", lambda: None)
    with SimulatedBox(None, seed=3) as box:
        assert box.interpreter == "cpython"
        heard = listen(box, start(0.2))
    assert heard.packets.tobytes() == expected.packets.tobytes()


def test_a_box_that_fails_says_why():
    with (
        SimulatedBox(None, crystal_ppm="much") as box,
        pytest.raises(BoxError, match=r"the simulated box failed: .*Error"),
    ):
        box.wait(10)


@pytest.mark.parametrize(
    ("signal", "rate_hz", "words"),
    [
        (np.zeros((10, 4)), 1000, "three columns"),
        (np.zeros(10), 1000, "three columns"),
        (np.zeros((1, 3)), 1000, "at least two samples"),
        (np.zeros((0, 3)), 1000, "at least two samples"),
        (np.full((5, 3), np.nan), 1000, "row 1"),
        (np.full((5, 3), 3e3), 1000, "check the units"),
        (np.zeros((5, 3)), None, "give it in Hz"),
        (np.zeros((5, 3)), 1e9, "is out of range"),
        (np.zeros((5, 3)), np.nan, "is out of range"),
    ],
)
def test_a_signal_that_cannot_be_played_is_refused_in_one_line(signal, rate_hz, words):
    with pytest.raises(TowertapError, match=words) as caught:
        SimulatedBox(signal, rate_hz)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("fault", [{"fault": "gremlins"}, {"fault": "reset", "count": 3}, {"at_s": 1}])
def test_an_unknown_fault_is_refused(fault):
    with pytest.raises(CallError, match="fault"):
        SimulatedBox(None, faults=[fault])


def test_a_system_without_pseudo_terminals_gives_one_line(monkeypatch):
    """On Windows, Python has neither termios nor tty, which needs it."""
    monkeypatch.setitem(sys.modules, "tty", None)
    with pytest.raises(BoxError, match="run it on Linux, macOS or WSL"), SimulatedBox(None):
        pass


def test_an_unknown_setting_is_refused():
    with pytest.raises(CallError, match="no setting colour"):
        SimulatedBox(None, colour="green")
