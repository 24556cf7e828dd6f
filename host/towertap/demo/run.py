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
from towertap.compare.plan.order import protection
from towertap.compare.plan.plan import write_plan
from towertap.demo.drives import RATE_HZ, Drive, drives_of, make_plan, motions
from towertap.demo.road import ROADS
from towertap.demo.speed_log import write_speed_log
from towertap.errors import BoxError, CallError
from towertap.report.report import write_report
from towertap.report.run_sheet import run_sheet

BEFORE, AFTER, REFITTED = "rubber-bush", "polyurethane-bush", "rubber-bush-refitted"
SMOOTH = ROADS[-1].name
NOTICE = "Demo: the vehicle, the roads and all data are invented."
WORKERS = 2
"""Boxes at once; each is a process of its own, and two fill a small machine."""


@dataclass(frozen=True)
class Recorded:
    """One drive as recorded: the raw bytes, and what ran the box's firmware."""

    raw_path: Path
    interpreter: str


@dataclass(frozen=True)
class DemoResult:
    """What the demo came to: the integrity of each capture by its path, the comparison, and the report's page."""

    integrity: dict[Path, Integrity]
    interpreter: str
    comparison: Comparison
    report: Path
    unchanged: bool

    @property
    def as_it_ought(self) -> bool:
        """Every capture is sound, and where nothing was changed no difference was found."""
        changes = {finding.verdict for finding in self.comparison.findings} & {"harsher", "gentler"}
        return all(one.sound for one in self.integrity.values()) and not (self.unchanged and changes)


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
    write_plan(plan, out / "plan.json")
    for suffix in ("html", "txt"):
        (out / f"run_sheet.{suffix}").write_text(run_sheet(plan, suffix), "utf-8")
    drives = drives_of(plan)
    tell(NOTICE)
    tell(f"Planned: {protection(plan.blocks)}; the run sheet is {out / 'run_sheet.html'}.")
    tell(f"Driving {len(drives)} passes of {seconds:g} s: {len(ROADS)} roads × {BEFORE}, {after} × {passes}.")
    recorded = []
    with ThreadPoolExecutor(WORKERS) as pool:
        for one in pool.map(partial(record_drive, folder), drives, motions(drives, seconds)):
            recorded.append(one)
            tell(f"{len(recorded):3d}/{len(drives)}  recorded {one.raw_path.name}, firmware run by {one.interpreter}")
    integrity = dict(decode_and_check(one.raw_path) for one in recorded)
    for path, found in integrity.items():
        _tell_integrity(path, found, tell)
    tell(f"Comparing {BEFORE} with {after}; {SMOOTH} is the smooth road.")
    log = write_speed_log(out / "speed.csv", drives, seconds)
    driven = with_speed(load_drives(folder, BEFORE, after, SMOOTH), read_speed_logs(log))
    comparison = compare(driven, plan=plan)
    tell("Writing the report.")
    page = write_report(comparison, out / "report", notices=[NOTICE])
    return DemoResult(integrity, recorded[0].interpreter, comparison, page, unchanged)


def record_drive(folder: Path, drive: Drive, motion: NDArray[np.float64], **changes: Unpack[BoxSettings]) -> Recorded:
    """Record one drive into `folder`, given its motion (n, 6) in chip axes at RATE_HZ.

    `changes` are settings of the simulated box, such as `faults`, beyond or instead of the demo's own.
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
        return Recorded(raw, simulated.interpreter)


def _date(raw_path: Path, started: datetime) -> None:
    """Give a recording the scenario's date: in virtual time the host's clock says nothing of when it was driven."""
    held = read_sidecar(raw_path)
    held |= {"started_utc": started.isoformat(), "clock": []}
    write_sidecar(raw_path, held.pop("conditions"), **held)


def decode_and_check(raw_path: Path) -> tuple[Path, Integrity]:
    """Make the capture of a raw recording beside it and check it."""
    path = decode_raw(raw_path, raw_path.with_suffix(".h5"))
    with open_capture(path) as capture:
        return path, check(capture)


def _tell_integrity(path: Path, integrity: Integrity, tell: Callable[[str], None]) -> None:
    rate = f"{integrity.rate_hz:.2f} Hz, {integrity.missing_samples} of {integrity.samples} samples missing"
    tell(f"{path.name}: {rate}, {'sound' if integrity.sound else 'NOT SOUND: ' + '; '.join(integrity.reasons)}")
