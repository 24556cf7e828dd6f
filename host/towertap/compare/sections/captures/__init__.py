"""The captures behind the comparison: soundness, bench records, conditions and fingerprints."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import fields
from datetime import UTC
from statistics import fmean
from typing import Any

from towertap.bench.carried import BenchSummary
from towertap.capture.conditions import Conditions
from towertap.compare.caution import Caution, Weight
from towertap.compare.drives.calendar import first_half
from towertap.compare.drives.model import SIDES, Drives, Excluded, Pass
from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.study import Study
from towertap.motion import in_words
from towertap.words.numbers import fixed, number
from towertap.words.phrases import counted
from towertap.words.table import Table, tabulate

FIELDS = {
    "vehicle": "vehicle",
    "part": "part",
    "road": "road",
    "pass_number": "pass",
    "speed_kmh": "speed, km/h",
    "tyre_pressures_kpa": "tyres, kPa",
    "air_temperature_c": "air, °C",
    "box_position": "box",
    "mounting": "axes",
    "notes": "notes",
}
"""Headings of the fields of Conditions; a field that is not here keeps its own name."""
UNSAID = "–"
SOUND = {True: "sound", False: "nothing speaks against it"}
"""A capture that breaks no rule, by whether it is from a box or from another recorder."""


class CapturesSection(Section):
    name = "captures"
    title = "The captures"
    note = (
        "If no bench record applies to the box, its settings and the date, noise and scale are from the data sheet. "
        "The uncertainty of the scale affects absolute values, not changes seen by one box. The mounting carries up "
        "to a third of its resonance."
    )

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence:
        drives = study.drives
        passes = [drive for road in (*drives.rough_roads, drives.smooth) for drive in drives.of(road)]
        shared, table = conditions(passes)
        excluded = [_left_out(drives.excluded)] if drives.excluded else []
        return Evidence(
            headline=_headline(passes, drives),
            paragraphs=(order(drives), _no_drive(passes), *recorders(drives), *shared),
            tables=(
                *excluded,
                tabulate("Is each capture sound?", map(_integrity, passes)),
                *_bench(passes),
                table,
                fingerprints(passes),
            ),
            cautions=tuple(unproved(drives)),
        )


def _left_out(excluded: Sequence[Excluded]) -> Table:
    return tabulate(
        "Left out",
        (
            {
                "capture": capture.capture,
                "why": capture.reason,
                "struck out": "after its values were shown" if capture.after_values else "–",
            }
            for capture in excluded
        ),
    )


def _headline(passes: Sequence[Pass], drives: Drives) -> str:
    unsound = sum(not drive.integrity.sound and not drive.touched for drive in passes)
    touched = sum(drive.touched for drive in passes)
    clipped = f", {touched} clipped or overflowed in places" if touched else ""
    sound = "all sound" if not unsound else f"{unsound} of them not sound, used on request"
    left_out = f"; {counted(len(drives.excluded), 'capture')} left out" if drives.excluded else ""
    return f"{len(passes)} captures, {sound}{clipped}{left_out}."


def _no_drive(passes: Sequence[Pass]) -> str:
    """What was left out of the captures because the vehicle was not driving over the road."""
    if all(drive.moving is None for drive in passes):
        return "Captures are used whole on request, including standing and pulling away."
    cut = [drive for drive in passes if drive.moving and drive.moving.left_out.any()]
    if not cut:
        return "No standing or pulling away was found in any capture."
    return (
        f"Standing, pulling away, braking and anything outside the marks start and stop is left out of {len(cut)} of "
        f"{len(passes)} captures, by one rule for both sides; the table says how long."
    )


def recorders(drives: Drives) -> list[str]:
    """A sentence on the recorders of each side, unless all captures are from a box."""
    if all(drive.from_box for drive in drives.passes):
        return []
    sentences = []
    for side, part in zip(SIDES, drives.parts, strict=True):
        from_box = [drive.from_box for drive in drives.passes if drive.side == side]
        kinds = ((sum(from_box), "of a box"), (from_box.count(False), "imported from another recorder"))
        sentences.append(
            f"{part} rests on " + " and ".join(f"{counted(n, 'capture')} {kind}" for n, kind in kinds if n)
        )
    return [f"{'; '.join(sentences)}."]


def unproved(drives: Drives) -> Iterator[Caution]:
    """Cautions about imported captures, and about sides that rest on different recorders."""
    imported = [drive for drive in drives.passes if not drive.from_box]
    if imported:
        yield Caution(
            f"{counted(len(imported), 'capture')} of {len(drives.passes)} not from a box but imported from another "
            "recorder. Their true rate, the sensor's noise and that no sample was lost cannot be proved."
        )
    shares = [fmean(drive.from_box for drive in drives.passes if drive.side == side) for side in SIDES]
    if shares[0] != shares[1]:
        yield Caution(
            "The two sides do not come from the same recorders: their difference may look like a change of the part.",
            Weight.OVERTURNS,
        )


def _integrity(drive: Pass) -> dict[str, str]:
    check = drive.integrity
    return {
        "capture": drive.name,
        "sound": SOUND[check.from_box] if check.sound else f"not sound: {'; '.join(check.reasons)}",
        "rate, Hz": number(check.rate_hz, 7),
        "off nominal, ppm": fixed(check.rate_ppm, 2),
        "95 % interval": fixed(check.rate_ppm_interval, 2),
        "samples": str(check.samples),
        "missing": str(check.missing_samples),
        "gaps": str(len(check.gaps)),
        "bad frames": str(check.bad_frames),
        "overflows": str(check.fifo_overflows),
        "clipped": str(check.clipped_samples),
        "chip, °C": fixed(check.temperature_c),
        "no drive, s": in_words(drive.moving) if drive.moving else "–",
    }


def _bench(passes: Sequence[Pass]) -> list[Table]:
    """The bench records of the box, one row for all captures that they are the same for."""
    groups: dict[tuple, tuple[list[str], BenchSummary]] = {}
    for drive in passes:
        if drive.bench:
            key = (drive.bench.serial, *drive.bench.measured_utc.values(), drive.bench.scale_uncertainty)
            groups.setdefault(key, ([], drive.bench))[0].append(drive.name)
    rows = [_bench_row("all" if len(groups) == 1 else ", ".join(names), bench) for names, bench in groups.values()]
    return [tabulate("What the bench knows of the box", rows)] if rows else []


def _bench_row(captures: str, bench: BenchSummary) -> dict[str, str]:
    days = {kind: utc[:10] for kind, utc in bench.measured_utc.items() if utc}
    scale = bench.scale_uncertainty[2]
    known = not math.isnan(scale)
    selftest = {True: "passed, ", False: "failed, ", None: ""}[bench.selftest_ok]
    return {
        "captures": captures,
        "box": bench.serial,
        "noise": days.get("noise", "data sheet" if known else UNSAID),
        "calibration": days.get("calibration", "data sheet" if known else UNSAID),
        "uncertainty of scale, vertical": f"±{number(100 * scale, 2)} %" if known else "not known",
        "mounting carries to": f"{number(bench.usable_hz)} Hz, {days['tap']}" if bench.usable_hz else "no record",
        "self-test": selftest + days["selftest"] if "selftest" in days else "no record",
    }


def fingerprints(passes: Sequence[Pass]) -> Table:
    """The exact identity of each capture and its raw recording."""
    return tabulate(
        "Fingerprints",
        (
            {
                "capture": drive.name,
                "chip, firmware": f"{drive.source.chip}, firmware {drive.source.firmware}",
                "SHA-256 of the capture": drive.source.capture_sha256,
                "SHA-256 of the raw recording": drive.source.raw_sha256,
            }
            for drive in passes
            if drive.source
        ),
    )


def conditions(passes: Sequence[Pass]) -> tuple[list[str], Table]:
    """What all passes share as sentences, the rest as a table in driving order, passes without a start time last."""
    passes = sorted(passes, key=lambda drive: drive.started.timestamp() if drive.started else math.inf)
    driven = [f"{drive.started.astimezone(UTC):%Y-%m-%d %H:%M:%S}" if drive.started else UNSAID for drive in passes]
    columns = {"driven, UTC": driven} | {
        FIELDS.get(field.name, field.name): [_shown(getattr(drive.conditions, field.name)) for drive in passes]
        for field in fields(Conditions)
    }
    shared = {head: values[0] for head, values in columns.items() if len(set(values)) == 1}
    varying = [head for head in columns if head not in shared]
    common = [f"{head}: {value}" for head, value in shared.items() if value != UNSAID]
    unsaid = [head for head, value in shared.items() if value == UNSAID]
    sentences = [f"The same for all passes: {'; '.join(common).rstrip('.')}."] if common else []
    sentences += [f"Not written down for any pass: {', '.join(unsaid)}."] if unsaid else []
    rows = (
        {"capture": drive.name} | {head: columns[head][row] for head in varying} for row, drive in enumerate(passes)
    )
    return sentences, tabulate("Conditions of each pass", rows)


def order(drives: Drives) -> str:
    """A sentence on the order of the drives, by their start times."""
    first = first_half(drives.passes)
    if first is not None:
        parts = drives.parts if first == "before" else drives.parts[::-1]
        return f"Driven in two halves: first {parts[0]}, then {parts[1]}."
    if any(drive.started is None for drive in drives.passes):
        return "Not every capture says when it was driven, so the order is not known."
    return f"Driven in turns: passes with {drives.before} and with {drives.after} are mixed in time."


def _shown(value: Any) -> str:
    return UNSAID if value is None or value == "" else f"{value:g}" if isinstance(value, float) else str(value)
