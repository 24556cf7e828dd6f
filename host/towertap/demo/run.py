"""Runs the demo: every drive through the simulated box, the recorder and the check, then comparison and report."""

from __future__ import annotations

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
from towertap.compare.plan.choice import Wanted
from towertap.compare.plan.order import drift
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
"""Boxes at once; each is a process of its own, and two fill a small machine."""


@dataclass(frozen=True)
class DemoResult:
    """What the demo came to: the integrity of each capture by its path, the comparison, and the report's page.

    `interpreter` is what ran the box's firmware.
    """

    integrity: dict[Path, Integrity]
    interpreter: str
    comparison: Comparison
    report: Path
    unchanged: bool

    @property
    def as_expected(self) -> bool:
        """Every capture is sound, and where nothing was changed no difference was found."""
        changes = {finding.verdict for finding in self.comparison} & {"harsher", "gentler"}
        return all(integrity.sound for integrity in self.integrity.values()) and not (self.unchanged and changes)


def run_demo(
    out: Path,
    *,
    unchanged: bool = False,
    passes: int = 4,
    seconds: float = 20.0,
    tell: Callable[[str], None] = lambda line: None,
) -> DemoResult:
    """Plan, drive, record, check, compare and report into the folder `out`, which must be new or empty.

    `passes` over each of the three roads with each part, two or more, `seconds` long. `unchanged` fits the same part
    again. `tell` gets a line for each thing done. Raises CallError when `out` holds something already.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise CallError(f"'{out}' is there already and not empty: name another folder for the demo")
    folder = out / "captures"
    folder.mkdir(parents=True)
    after = REFITTED if unchanged else AFTER
    plan = make_plan(BEFORE, after, passes)
    drives, files = drives_of(plan), write_plan_and_sheets(plan, Wanted.of(plan), out)
    tell(NOTICE)
    tell(f"Planned: {plan.design}, so that {drift(plan.planned_design)}; the run sheet is {files['html']}.")
    tell(f"Driving {len(drives)} passes of {seconds:g} s: {len(ROADS)} roads × {BEFORE}, {after} × {passes}.")
    recordings, interpreter = [], ""
    with ThreadPoolExecutor(WORKERS) as pool:
        for raw, interpreter in pool.map(partial(record_drive, folder), drives, motions(drives, seconds)):
            recordings.append(raw)
            tell(f"{len(recordings):3d}/{len(drives)}  recorded {raw.name}, firmware run by {interpreter}")
    # Not while boxes start: a process forked in between would hold the lock that HDF5 puts on a capture being written.
    integrity = dict(map(decode_and_check, recordings))
    for path, of_capture in integrity.items():
        tell(_in_words(path, of_capture))
    tell(f"Comparing {BEFORE} with {after}; {SMOOTH} is the smooth road.")
    log = write_speed_log(out / "speed.csv", drives, seconds)
    driven = with_speed(load_drives(folder, BEFORE, after, SMOOTH), read_speed_logs(log))
    comparison = compare(driven, plan=plan)
    tell("Writing the report.")
    (out / "report").mkdir()
    sounds, failures = sounds_of(comparison, out / "report")
    for failure in failures:
        tell(failure)
    page = write_report(comparison, out / "report", [NOTICE], sounds)
    return DemoResult(integrity, interpreter, comparison, page, unchanged)


def record_drive(
    folder: Path, drive: Drive, motion: NDArray[np.float64], **changes: Unpack[BoxSettings]
) -> tuple[Path, str]:
    """Record one drive into `folder`, given its motion (n, 6) in chip axes at RATE_HZ.

    Returns the raw recording, and what ran the box's firmware. `changes` are settings of the simulated box, such as
    `faults`, beyond or instead of the demo's own.
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
            raise BoxError(f"the simulated chip complains of the firmware: {complaints.splitlines()[0]}")
        return raw, simulated.interpreter


def _date(raw_path: Path, started: datetime) -> None:
    """Give a recording the scenario's date: in virtual time the host's clock says nothing of when it was driven."""
    sidecar = read_sidecar(raw_path) | {"started_utc": started.isoformat(), "clock": []}
    write_sidecar(raw_path, sidecar.pop("conditions"), **sidecar)


def decode_and_check(raw_path: Path) -> tuple[Path, Integrity]:
    """Make the capture of a raw recording beside it and check it."""
    path = decode_raw(raw_path, raw_path.with_suffix(".h5"))
    with open_capture(path) as capture:
        return path, check(capture)


def _in_words(path: Path, integrity: Integrity) -> str:
    rate = f"{integrity.rate_hz:.2f} Hz, {integrity.missing_samples} of {integrity.samples} samples missing"
    return f"{path.name}: {rate}, {'sound' if integrity.sound else 'NOT SOUND: ' + '; '.join(integrity.reasons)}"
