"""A simulated box on a pseudo-terminal: the real firmware on a chip model that plays a given motion."""

import functools
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypedDict, Unpack

import numpy as np
from numpy.typing import NDArray

from towertap.errors import BoxError, CallError
from towertap.firmware import firmware_dir

MOTION_RATE_HZ = 16000
"""Approximate sample rate of the motion for the chip model, well above the chip's own filters."""

RATES_HZ = (10.0, 1e6)
"""Plausible sample rates of a signal."""

FAULTS: dict[str, dict[str, Any]] = {
    "wrong_identity": {"value": 0x44},
    "stuck_axis": {"axis": "z"},
    "self_test_weak": {"axis": "z", "percent": 30},
    "fifo_overflow": {"lost": 37},
    "host_silent": {"ms": 3000},
    "bus_error": {"count": 1},
    "lost_bytes": {"count": 100},
    "flipped_bits": {"count": 1},
    "reset": {},
}
"""Faults of a simulated box: name → settings and their defaults."""

_HEAP = "8M"
_MICRO = 1e6
_INT32_MAX = 2**31 - 1


class BoxSettings(TypedDict, total=False):
    """How a simulated box differs from an ideal one at rest at 25 °C; see `firmware/simboard/board.py`."""

    realtime: bool
    """Run in real time; otherwise as fast as possible."""
    repeat: bool
    """Repeat the signal; otherwise the box rests after its end."""
    oscillator_ppm: float
    crystal_ppm: float
    noise: float
    """Multiple of the data sheet's density."""
    seed: int
    temperature_c: float
    temperature_slope_c_per_min: float
    offset_counts: Sequence[int]
    scale_error: Sequence[float]
    latency_us: int
    """Largest of the processor's occasional delays."""
    self_test_codes: Sequence[int]
    """The factory's codes, 0 to 255, for x, y, z of the accelerometer, then of the gyroscope; 0: none."""
    serial: str
    faults: Sequence[Mapping[str, Any]]
    """Each `{"fault": NAME, "at_s": seconds after the start of the signal, …}`, names and settings as in FAULTS."""


class SimulatedBox:
    """A box on `port` while in a `with` block.

    `signal`: (n, 3) accelerations in m/s², or (n, 6) with rotation rates in rad/s after them, at `rate_hz`, in chip
    axes, as specific force (at rest +g upwards); None: at rest, z up. It begins when the box is started. TowertapError
    if it cannot be played.
    """

    def __init__(
        self, signal: NDArray[np.float64] | None, rate_hz: float | None = None, **settings: Unpack[BoxSettings]
    ) -> None:
        """Check the signal and the settings; nothing runs yet."""
        unknown = set(settings) - set(BoxSettings.__annotations__)
        if unknown:
            raise CallError(f"a simulated box has no setting {', '.join(sorted(unknown))}")
        self._signal = None if signal is None else _checked(signal)
        self._rate_hz = None if signal is None else _checked_rate(rate_hz)
        self._settings = dict(settings, faults=[_checked_fault(fault) for fault in settings.get("faults", ())])
        micropython = _micropython()
        self.interpreter = "micropython" if micropython else "cpython"
        """What runs the firmware: the real MicroPython or, several times slower, CPython."""
        self._command = [micropython, "-X", f"heapsize={_HEAP}"] if micropython else [sys.executable, "-B"]
        self.port = ""
        """Path of the serial port to open."""

    def __enter__(self) -> Self:
        try:
            import tty
        except ImportError:
            why = "a simulated box needs a pseudo-terminal, which this system does not have"
            raise BoxError(f"{why}: run it on Linux, macOS or WSL") from None
        self._folder = tempfile.TemporaryDirectory(prefix="towertap-simbox-")
        box_end, self._host_end = os.openpty()
        try:
            tty.setraw(self._host_end)  # stays open, so that the port outlives the program that opens it
            self.port = os.ttyname(self._host_end)
            folder = Path(self._folder.name)
            config = dict(self._settings)
            if self._signal is not None and self._rate_hz is not None:
                motion = folder / "motion.i32"
                config["signal"] = str(motion)
                config["signal_rate_hz"] = _write_motion(motion, self._signal, self._rate_hz)
                config["rest"] = [*_micro_units(self._signal[:, :3].mean(axis=0)).tolist(), 0, 0, 0]
            (folder / "config.json").write_text(json.dumps(config, default=_plain))
            run = firmware_dir() / "simboard" / "run.py"
            with (folder / "stderr").open("wb") as stderr:
                self._process = subprocess.Popen(
                    [*self._command, str(run), str(folder / "config.json")],
                    stdin=box_end,
                    stdout=box_end,
                    stderr=stderr,
                    start_new_session=True,  # Ctrl-C is for the host only
                )
        except BaseException:
            os.close(self._host_end)
            self._folder.cleanup()
            raise
        finally:
            os.close(box_end)
        return self

    def wait(self, timeout_s: float | None = None) -> None:
        """Wait until the box exits; BoxError with its last line of output if it fails, TimeoutError if it runs on."""
        try:
            status = self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            raise TimeoutError from None
        if status:
            lines = self.complaints().splitlines() or [f"exit status {status}"]
            raise BoxError(f"the simulated box failed: {lines[-1]}")

    def complaints(self) -> str:
        """The chip model's complaints about how the firmware uses it; empty if there are none."""
        return (Path(self._folder.name) / "stderr").read_text(errors="replace")

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.kill()
        self._process.wait()
        os.close(self._host_end)
        self._folder.cleanup()


def _checked(signal: NDArray[np.float64]) -> NDArray[np.float64]:
    signal = np.asarray(signal, np.float64)
    if signal.ndim != 2 or signal.shape[1] not in (3, 6):
        shape = "×".join(map(str, signal.shape)) or "a single number"
        raise CallError(f"a signal has three columns in m/s², or six with rad/s after them; this one is {shape}")
    if len(signal) < 2:
        raise CallError(f"a signal needs at least two samples; this one has {len(signal)}")
    if not np.all(np.isfinite(signal)):
        row = int(np.nonzero(~np.isfinite(signal).all(axis=1))[0][0])
        raise CallError(f"the signal has a value that is not a number (row {row + 1}); cut it there")
    if np.abs(signal).max() > _INT32_MAX / _MICRO:
        peak = f"{np.abs(signal).max():.4g}"
        raise CallError(f"the signal reaches {peak}; the limit is 2147 m/s² or rad/s: check the units")
    return signal


def _checked_rate(rate_hz: float | None) -> float:
    if rate_hz is None:
        raise CallError("the signal's sample rate is not known; give it in Hz")
    if not RATES_HZ[0] <= rate_hz <= RATES_HZ[1]:
        raise CallError(f"a sample rate of {rate_hz:g} Hz is out of range; it must be 10 Hz to 1 MHz")
    return float(rate_hz)


def _checked_fault(fault: Mapping[str, Any]) -> dict[str, Any]:
    """A fault with the defaults of its settings."""
    name = fault.get("fault")
    if name not in FAULTS:
        raise CallError(f"no fault is called {name!r}; the faults are {', '.join(FAULTS)}")
    if unknown := set(fault) - {"fault", "at_s", *FAULTS[name]}:
        raise CallError(f"the fault {name} has no setting {', '.join(sorted(unknown))}")
    return {"at_s": 0.0, **FAULTS[name], **fault}


def _write_motion(path: Path, signal: NDArray[np.float64], rate_hz: float) -> float:
    """Resample the signal column by column and write it for the chip model; returns its exact new rate."""
    from towertap.signals.resampling import resample  # here, so that a box at rest need not wait a second for scipy

    for column in range(signal.shape[1]):
        values, motion_rate_hz = resample(signal[:, column], rate_hz, MOTION_RATE_HZ)
        if not column:
            motion = np.memmap(path, "<i4", "w+", shape=(len(values), 6))
        motion[:, column] = _micro_units(values)
    motion.flush()
    return motion_rate_hz


def _micro_units(values: NDArray[np.float64]) -> NDArray[np.int64]:
    return np.clip(np.rint(values * _MICRO), -_INT32_MAX, _INT32_MAX).astype(np.int64)


@functools.cache
def _micropython() -> str | None:
    """Path of a 64-bit MicroPython: installed with this Python, or else on the path; None if there is none."""
    places = os.pathsep.join((os.path.dirname(sys.executable), os.environ.get("PATH", os.defpath)))
    program = shutil.which("micropython", path=places)
    if program is None:
        return None
    question = "import micropython, sys\n@micropython.viper\ndef f(): pass\nprint(sys.maxsize > 1 << 40)"
    answer = subprocess.run([program, "-c", question], capture_output=True, text=True, check=False)
    return program if answer.stdout.strip() == "True" else None


def _plain(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray | np.generic) else list(value)
