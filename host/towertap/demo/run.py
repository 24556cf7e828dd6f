"""Runs the demo: every drive goes through the simulated box, recorder and check, then comparison and report."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Unpack

import numpy as np
from numpy.typing import NDArray

from towertap.box.port import SerialBox
from towertap.box.recorder import record
from towertap.box.simulated import BoxSettings, SimulatedBox
from towertap.capture.conditions import read_sidecar, write_sidecar
from towertap.capture.decode import decode_raw
from towertap.capture.integrity import Integrity, check
from towertap.capture.reading import open_capture
from towertap.capture.speed_log import read_speed_logs
from towertap.compare import Comparison, compare, load_drives
from towertap.compare.drives.speed_join import with_speed
from towertap.compare.plan.choice import Wanted, drift
from towertap.demo.drives import RATE_HZ, Drive, drives_of, make_plan, motions
from towertap.demo.road import ROADS
from towertap.demo.speed_log import write_speed_log
from towertap.errors import BoxError, CallError
from towertap.exchange.listening import sounds_of
from towertap.report.report import write_report
from towertap.report.run_sheet import write_plan_and_sheets

BEFORE, AFTER, REFITTED = "rubber-bush", "polyurethane-bush", "rubber-bush-refitted"
SMOOTH = ROADS[-1].name
NOTICE = "Demo: the vehicle, the roads and all data are invented."
WORKERS = 2
"""Simulated boxes at a time; each is a process, and two fill a small machine."""


@dataclass(frozen=True)
class DemoResult:
    """Result of the demo: the integrity of each capture, the comparison, and the report's page.

    `interpreter` is what ran the box's firmware.
    """

    integrity: dict[Path, Integrity]
    interpreter: str
    comparison: Comparison
    report: Path
    unchanged: bool

    @property
    def as_expected(self) -> bool:
        """Whether every capture is sound, and no change was found if nothing was changed."""
        changes = {finding.verdict for finding in self.comparison} & {"harsher", "gentler"}
        return all(integrity.sound for integrity in self.integrity.values()) and not (self.unchanged and changes)


def run_demo(
    out: Path,
    *,
    unchanged: bool = False,
    passes: int = 4,
    seconds: float = 20.0,
    on_step: Callable[[str], None] = lambda line: None,
) -> DemoResult:
    """Plan, drive, record, check, compare and write a report, in the folder `out`.

    Each road is driven `passes` times with each part (at least two), `seconds` long. `unchanged` fits the same part
    again. `on_step` gets a line for each step. CallError if `out` exists and is not an empty folder.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise CallError(f"'{out}' exists and is not an empty folder: name another one for the demo")
    folder = out / "captures"
    folder.mkdir(parents=True)
    after = REFITTED if unchanged else AFTER
    plan = make_plan(BEFORE, after, passes)
    drives, files = drives_of(plan), write_plan_and_sheets(plan, Wanted.of(plan), out)
    on_step(NOTICE)
    on_step(f"Planned: {plan.design}, so that {drift(plan.planned_design)}; the run sheet is {files['html']}.")
    on_step(f"Driving {len(drives)} passes of {seconds:g} s: {len(ROADS)} roads × {BEFORE}, {after} × {passes}.")
    recordings, interpreter = [], ""
    with ThreadPoolExecutor(WORKERS) as pool:
        for raw, interpreter in pool.map(partial(record_drive, folder), drives, motions(drives, seconds)):
            recordings.append(raw)
            on_step(f"{len(recordings):3d}/{len(drives)}  recorded {raw.name}, firmware run by {interpreter}")
    # Only after all boxes have ended: a box forked during the decoding would inherit HDF5's lock on a capture.
    integrity = dict(map(decode_and_check, recordings))
    for path, capture_integrity in integrity.items():
        on_step(_in_words(path, capture_integrity))
    on_step(f"Comparing {BEFORE} with {after}; {SMOOTH} is the smooth road.")
    log = write_speed_log(out / "speed.csv", drives, seconds)
    driven = with_speed(load_drives(folder, BEFORE, after, SMOOTH), read_speed_logs(log))
    comparison = compare(driven, plan=plan)
    on_step("Writing the report.")
    (out / "report").mkdir()
    sounds, failures = sounds_of(comparison, out / "report")
    for failure in failures:
        on_step(failure)
    page = write_report(comparison, out / "report", [NOTICE], sounds)
    return DemoResult(integrity, interpreter, comparison, page, unchanged)


def record_drive(
    folder: Path, drive: Drive, motion: NDArray[np.float64], **changes: Unpack[BoxSettings]
) -> tuple[Path, str]:
    """Record one drive into `folder`, given its motion (n, 6) in chip axes at RATE_HZ.

    Returns the path of the raw recording, and what ran the box's firmware. `changes` override settings of the simulated
    box, or add some, such as `faults`.
    """
    settings: BoxSettings = {
        "seed": drive.seed,
        "oscillator_ppm": 8200.0,
        "crystal_ppm": -14.0,
        "latency_us": 300,
        "temperature_c": drive.air_temperature_c + 8.0,
        "temperature_slope_c_per_min": 2.0,
        **changes,
    }
    raw = folder / f"{drive.name}.ttraw"
    with SimulatedBox(motion, RATE_HZ, **settings) as simulated, SerialBox(simulated.port) as box:
        box.hello()
        record(box, raw, drive.conditions, seconds=len(motion) / RATE_HZ)
        if drive.started:
            _date(raw, drive.started)
        if complaints := simulated.complaints():
            raise BoxError(f"the simulated chip complains about the firmware: {complaints.splitlines()[0]}")
        return raw, simulated.interpreter


def _date(raw_path: Path, started: datetime) -> None:
    """Date a recording by the scenario, because the simulated box does not run in real time."""
    sidecar = read_sidecar(raw_path) | {"started_utc": started.isoformat(), "clock": []}
    write_sidecar(raw_path, sidecar.pop("conditions"), **sidecar)


def decode_and_check(raw_path: Path) -> tuple[Path, Integrity]:
    """Make the capture of a raw recording next to it, and check it."""
    path = decode_raw(raw_path, raw_path.with_suffix(".h5"))
    with open_capture(path) as capture:
        return path, check(capture)


def _in_words(path: Path, integrity: Integrity) -> str:
    rate = f"{integrity.rate_hz:.2f} Hz, {integrity.missing_samples} of {integrity.samples} samples missing"
    return f"{path.name}: {rate}, {'sound' if integrity.sound else 'NOT SOUND: ' + '; '.join(integrity.reasons)}"
