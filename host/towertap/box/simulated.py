"""A simulated box on a pseudo-terminal: the real firmware on a model of the chip that feels a given motion."""

import functools
import json
import math
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypedDict, Unpack

import numpy as np
from numpy.typing import NDArray

from towertap.errors import BoxError, CallError
from towertap.firmware import firmware_dir

MOTION_RATE_HZ = 16000
"""The chip model takes its motion at about this rate, well above the chip's own filters."""

RATES_HZ = (10.0, 1e6)
"""Sample rates of a signal outside these are taken for a mistake."""

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
"""What can go wrong in a simulated box: name → its settings and their defaults."""

TIMES = ("t", "time", "time_s")
"""Names of a first column of times in seconds; the last is that of an exported capture."""
AXES = ("x", "y", "z", "gx", "gy", "gz")
"""The axes' names in faults: accelerometer, gyroscope."""

_HEAP = "8M"
_MICRO = 1e6
_INT32_MAX = 2**31 - 1


class BoxSettings(TypedDict, total=False):
    """How a simulated box differs from an ideal one that stands at 25 °C; see `firmware/simboard/board.py`."""

    realtime: bool
    """Run by the wall clock; otherwise as fast as it goes."""
    repeat: bool
    """Play the signal again and again; otherwise the box rests after its end."""
    oscillator_ppm: float
    crystal_ppm: float
    noise: float
    """Times the data sheet's density."""
    seed: int
    temperature_c: float
    temperature_slope_c_per_min: float
    offset_counts: Sequence[int]
    scale_error: Sequence[float]
    latency_us: int
    """Now and then the processor comes up to so much too late."""
    self_test_codes: Sequence[int]
    """The factory's, 0 to 255, for x, y, z of the accelerometer, then of the gyroscope; 0: none."""
    serial: str
    faults: Sequence[Mapping[str, Any]]
    """Each `{"fault": NAME, "at_s": seconds after the signal began, …}`, names and settings as in FAULTS."""


class SimulatedBox:
    """A box on `port` for the time of a `with` block.

    `signal`: (n, 3) accelerations in m/s², or (n, 6) with rotation rates in rad/s after them, at `rate_hz`, in the
    chip's axes and as an accelerometer feels them (at rest +g upwards); None: at rest, z up. It begins when the box is
    told to start. TowertapError when it cannot be played.
    """

    def __init__(
        self, signal: NDArray[np.float64] | None, rate_hz: float | None = None, **settings: Unpack[BoxSettings]
    ) -> None:
        """Check the signal and the settings; nothing runs yet."""
        unknown = set(settings) - set(BoxSettings.__annotations__)
        if unknown:
            raise CallError(f"a simulated box has no setting {', '.join(sorted(unknown))}")
        self._signal = None if signal is None else _checked(signal, "the signal")
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
            needs = "a simulated box needs a pseudo-terminal, which this system has not"
            raise BoxError(f"{needs}: run it on Linux, macOS or WSL") from None
        self._folder = tempfile.TemporaryDirectory(prefix="towertap-simbox-")
        box_end, self._host_end = os.openpty()
        try:
            tty.setraw(self._host_end)  # and held open, so that the port outlives whoever opens it
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
                    start_new_session=True,  # Ctrl-C is the host's affair
                )
        except BaseException:
            os.close(self._host_end)
            self._folder.cleanup()
            raise
        finally:
            os.close(box_end)
        return self

    def wait(self, timeout_s: float | None = None) -> None:
        """Wait until the box ends by itself; BoxError with its last words if it fails, TimeoutError if it does not."""
        try:
            status = self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            raise TimeoutError from None
        if status:
            words = self.complaints().splitlines() or [f"exit status {status}"]
            raise BoxError(f"the simulated box failed: {words[-1]}")

    def complaints(self) -> str:
        """What the chip model had to say about the way it is used; empty when all is well."""
        return (Path(self._folder.name) / "stderr").read_text(errors="replace")

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.kill()
        self._process.wait()
        os.close(self._host_end)
        self._folder.cleanup()


def read_signal(path: str | Path, rate_hz: float | None = None) -> tuple[NDArray[np.float64], float]:
    """Read a signal for a simulated box: (n, 3) or (n, 6) in m/s² (and rad/s), and its sample rate in Hz.

    `path` is .npy, or CSV with or without a line of names; a first column named as in TIMES, in seconds, gives the
    rate and is dropped, else `rate_hz` must. TowertapError says in one line what is wrong with it.
    """
    path = Path(path)
    if not path.is_file():
        what = "a folder" if path.is_dir() else "no such file"
        raise CallError(f"{path}: {what}; give a .npy or .csv file with three or six columns")
    first_name = ""
    try:
        if path.suffix == ".npy":
            values = _read_npy(path)
        else:
            first_name, values = _read_csv(path)
    except UnicodeDecodeError:
        makes = f"'towertap export {shlex.quote(str(path))} --chip-axes --to .csv' makes one of a capture"
        raise CallError(f"{path}: not a .npy or .csv file with three or six columns; {makes}") from None
    except (ValueError, TypeError, EOFError) as error:
        raise CallError(f"{path}: not a table of numbers: {' '.join(str(error).split())}") from None
    if first_name.lower() in TIMES and len(values) > 1:
        rate_hz = _rate_of(values[:, 0], rate_hz, path)
        values = values[:, 1:]
    return _checked(values, str(path)), _checked_rate(rate_hz)


def _read_npy(path: Path) -> NDArray[np.float64]:
    with path.open("rb") as file:
        try:
            return np.lib.format.read_array(file, allow_pickle=False).astype(np.float64)
        except Exception:  # numpy takes the header for Python, whose errors are many, and advises programmers
            raise ValueError("no .npy file of numbers, or a damaged one; write it with numpy.save") from None


def _read_csv(path: Path) -> tuple[str, NDArray[np.float64]]:
    """Return the first column's name, empty when the columns have none, and the numbers."""
    with path.open(encoding="utf-8") as file:
        lines = enumerate(file)
        at, first = next(((n, line) for n, line in lines if line.strip() and line[0] != "#"), (0, ""))
        cells = [cell.strip().strip('"') for cell in first.split(",")]
        numbers = [_is_number(cell) for cell in cells]
        named = not all(numbers)
        if named and any(numbers):
            raise ValueError(f"its line {at + 1} is neither all names nor all numbers: {first.strip()[:60]!r}")
        if named and next(lines, None) is None:
            raise ValueError("it holds no numbers")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of a file without numbers: the caller says so in its own words
        values = np.loadtxt(path, delimiter=",", skiprows=at + named, ndmin=2, encoding="utf-8")
    return cells[0] if named else "", values


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _rate_of(times_s: NDArray[np.float64], told_hz: float | None, path: Path) -> float:
    steps_s = np.diff(times_s)
    step_s = float(steps_s.mean())
    if not np.all(np.isfinite(steps_s)) or step_s <= 0 or np.abs(steps_s - step_s).max() > 0.5 * step_s:
        raise CallError(f"{path}: the time column does not rise in even steps of seconds; drop it and give the rate")
    if told_hz is not None and abs(told_hz * step_s - 1) > 0.001:
        raise CallError(f"{path}: its time column says {1 / step_s:g} Hz, not {told_hz:g} Hz; leave the rate out")
    return 1 / step_s


def _checked(signal: NDArray[np.float64], name: str) -> NDArray[np.float64]:
    signal = np.asarray(signal, np.float64)
    if signal.ndim != 2 or signal.shape[1] not in (3, 6):
        shape = "×".join(map(str, signal.shape)) or "a single number"
        raise CallError(f"{name} must have three columns in m/s², or six with rad/s after them; it is {shape}")
    if len(signal) < 2:
        raise CallError(f"{name} holds {len(signal)} samples; two at least are needed")
    if not np.all(np.isfinite(signal)):
        row = int(np.nonzero(~np.isfinite(signal).all(axis=1))[0][0])
        raise CallError(f"{name} holds a value that is not a number (row {row + 1}); mend or cut the recording there")
    if np.abs(signal).max() > _INT32_MAX / _MICRO:
        raise CallError(f"{name} reaches {np.abs(signal).max():.4g}; the limit is 2147 m/s² or rad/s: check the units")
    return signal


def _checked_rate(rate_hz: float | None) -> float:
    if rate_hz is None:
        raise CallError("the signal's sample rate is not known; give --rate in Hz, or a first column named time")
    if not RATES_HZ[0] <= rate_hz <= RATES_HZ[1]:
        raise CallError(f"a sample rate of {rate_hz:g} Hz makes no sense here; it must be 10 Hz to 1 MHz")
    return float(rate_hz)


def _checked_fault(fault: Mapping[str, Any]) -> dict[str, Any]:
    name = fault.get("fault")
    if name not in FAULTS:
        raise CallError(f"no fault called {name!r}; there are {', '.join(FAULTS)}")
    unknown = set(fault) - {"fault", "at_s"} - set(FAULTS[name])
    if unknown:
        raise CallError(f"the fault {name} has no setting {', '.join(sorted(unknown))}")
    checked = {"at_s": 0.0, **FAULTS[name], **fault}
    for setting, value in checked.items():
        if setting not in ("fault", "axis") and not 0 <= value < math.inf:
            raise CallError(f"the fault {name} with {setting} = {value:g}: it must be a number from 0 upwards")
    if checked.get("axis", "z") not in AXES:
        raise CallError(f"no axis called {checked['axis']!r}; there are {', '.join(AXES)}")
    return checked


def _write_motion(path: Path, signal: NDArray[np.float64], rate_hz: float) -> float:
    """Write the signal, resampled, as the chip model reads it, a column at a time; return its new rate exactly."""
    from towertap.signals.resampling import resample  # here, because a box at rest need not wait a second for scipy

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
    """Return the MicroPython to use: the one installed beside this Python, else one on the path, if it has 64 bits."""
    places = os.pathsep.join((os.path.dirname(sys.executable), os.environ.get("PATH", os.defpath)))
    program = shutil.which("micropython", path=places)
    if program is None:
        return None
    question = "import micropython, sys\n@micropython.viper\ndef f(): pass\nprint(sys.maxsize > 1 << 40)"
    answer = subprocess.run([program, "-c", question], capture_output=True, text=True, check=False)
    return program if answer.stdout.strip() == "True" else None


def _plain(value: Any) -> Any:
    return value.tolist() if isinstance(value, np.ndarray | np.generic) else list(value)
