"""Checks before a day of drives: box, rate, gravity against the mounting, disk space, battery, clock, bench records."""

import shlex
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from towertap.bench.records import KINDS, SIDECAR, read
from towertap.box.glimpse import Glimpse, glimpse
from towertap.box.host_watch import HostWatch
from towertap.box.recorder import BYTES_PER_SAMPLE
from towertap.capture.limits import Limits
from towertap.capture.mounting import fitting_mounting, leaning_deg, parse_mounting
from towertap.cli._recording import Recorder
from towertap.doors.times import instant
from towertap.errors import AnalysisError, FileError
from towertap.words.phrases import counted

SPACE_MIN = 30.0
BATTERY_PERCENT = 25
POWER = Path("/sys/class/power_supply")
"""Where Linux reports batteries."""


@dataclass(frozen=True)
class Check:
    """Result of one check; `ok` is None if it cannot be judged."""

    name: str
    ok: bool | None
    text: str


def preflight(recorder: Recorder, mounting: str) -> list[Check]:
    """Run every check; BoxError only for a box that does not sample."""
    box, odr_hz = recorder.box, recorder.odr_hz
    seen = glimpse(box, odr_hz)
    chip, firmware = box.identity.get("chip", "an unknown chip"), box.identity.get("firmware", "unknown")
    return [
        Check("box", True, f"box {box.identity['serial']} with {chip} on {box.port}, firmware {firmware}"),
        _rate(seen, odr_hz),
        gravity(seen, mounting),
        _space(recorder.out, odr_hz),
        _battery(),
        _clock(),
        *_records(recorder.bench, str(box.identity["serial"])),
    ]


def gravity(seen: Glimpse, mounting: str) -> Check:
    """Compare gravity with the declared mounting, at rest. On the move, `check` compares it over the complete drive."""
    if not mounting.strip():
        return Check("gravity", None, "gravity: no mounting is declared, so there is nothing to compare it with")
    if not seen.at_rest:
        return Check("gravity", None, "gravity: not judged, the box is not at rest")
    try:
        rotation = parse_mounting(mounting, lambda: seen.force_ms2)
    except AnalysisError as error:
        return Check("gravity", False, str(error))
    leaning = leaning_deg(rotation, seen.force_ms2)
    if leaning <= Limits.mounting_deg:
        return Check("gravity", True, f"gravity is {leaning:.0f}° from the declared up")
    fitting = fitting_mounting(rotation, seen.force_ms2)
    text = f"gravity is {leaning:.0f}° from the up of {mounting}; by its up alone, {fitting} would fit"
    return Check("gravity", False, text)


def _rate(seen: Glimpse, odr_hz: int) -> Check:
    if seen.rate_hz is None:
        return Check("rate", None, "rate: not known, too few frames")
    off_ppm = (seen.rate_hz / odr_hz - 1) * 1e6
    text = f"rate {seen.rate_hz:.0f} Hz of {odr_hz}, {counted(seen.missing, 'sample')} missing"
    return Check("rate", abs(off_ppm) <= Limits.rate_ppm and not seen.missing, text)


def _space(out: Path, odr_hz: int) -> Check:
    folder = next(path for path in (out, *out.resolve().parents) if path.exists())
    minutes = HostWatch(folder, odr_hz * BYTES_PER_SAMPLE).measure(0) / 60
    where = str(out) if folder == out else f"{out}, which will be created"
    return Check("space", minutes >= SPACE_MIN, f"room for {minutes:.0f} min (limit {SPACE_MIN:g}) in {where}")


def _battery() -> Check:
    for supply in sorted(POWER.glob("*")) if POWER.is_dir() else ():
        with suppress(OSError, ValueError):
            if (supply / "type").read_text().strip() != "Battery":
                continue
            percent, status = int((supply / "capacity").read_text()), (supply / "status").read_text().strip()
            charged = percent >= BATTERY_PERCENT or status == "Charging"
            return Check("battery", charged, f"the computer's battery is at {percent} %, {status.lower()}")
    return Check("battery", None, "battery: this computer reports none")


def _clock() -> Check:
    """Whether the network sets the system's clock; if the system does not say, its time for the user to compare."""
    now = datetime.now(UTC)
    program = shutil.which("timedatectl")
    if program:
        with suppress(OSError, subprocess.SubprocessError):
            question = [program, "show", "--property=NTPSynchronized", "--value"]
            answer = subprocess.run(question, capture_output=True, text=True, timeout=2, check=True).stdout.strip()
            if answer in ("yes", "no"):
                how = "is set by the network" if answer == "yes" else "is not set by the network: set it"
                return Check("clock", answer == "yes", f"the computer's clock {how} ({now:%Y-%m-%d %H:%M:%S} UTC)")
    return Check("clock", None, f"clock: it says {now:%Y-%m-%d %H:%M:%S} UTC; is that right?")


def _records(bench: Path, serial: str) -> Iterator[Check]:
    """Which kinds of bench record of this box are valid today; a missing one is no failure."""
    now, kinds = datetime.now(UTC), set()
    for path in bench.glob("*.json") if bench.is_dir() else ():
        if path.name.endswith(SIDECAR):
            continue
        with suppress(FileError):
            record = read(path)
            measured = instant(record.measured_utc)
            days = abs((now - measured).total_seconds()) / 86400 if measured else 0.0
            if record.subject.serial == serial and days <= KINDS[record.kind].days:
                kinds.add(record.kind)
    for kind in ("noise", "calibration", "tap", "idle"):
        has_record = kind in kinds
        make = KINDS[kind].make + f" --bench {shlex.quote(str(bench))}" * (kind != "idle")
        text = f"bench record: {kind}" if has_record else f"no bench record of {kind}: '{make}'"
        yield Check(f"record of {kind}", has_record or None, text)
