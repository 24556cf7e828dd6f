"""The page: everything the template needs, gathered as plain values, and the template filled."""

from __future__ import annotations

import base64
import hashlib
import math
import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import UTC
from importlib.metadata import version
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

import towertap
from towertap.bench.carried import BenchSummary
from towertap.capture.conditions import Conditions
from towertap.capture.reading import open_capture
from towertap.compare.answer import Comparison
from towertap.compare.departures import NO_PLAN
from towertap.compare.model import Drives, Pass
from towertap.compare.passes import DRIFT
from towertap.compare.thirds import LOCATES
from towertap.report import run_sheet, words
from towertap.report.told import clocks, left_out

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
"""How the fields of Conditions are headed; a field that is not here is headed by its own name."""

UNSAID = "–"


@dataclass(frozen=True)
class Picture:
    """A figure as the page shows it: the PNG itself as a data URI, and its title for those who cannot see it."""

    uri: str
    title: str


@dataclass(frozen=True)
class Provenance:
    """Where a pass comes from."""

    name: str
    source: str
    capture_sha256: str
    raw_sha256: str


def picture(path: Path, title: str) -> Picture:
    """Embed the PNG at `path`."""
    return Picture(
        "data:image/png;base64," + base64.b64encode(path.read_bytes()).decode("ascii"), " ".join(title.split())
    )


def template(name: str) -> Template:
    """A page's template, which escapes what it is given and knows how numbers are written."""
    environment = Environment(
        loader=PackageLoader("towertap.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    for filter_name in ("number", "interval", "fixed", "p_value", "percent"):
        environment.filters[filter_name] = getattr(words, filter_name)
    return environment.get_template(name)


def render(comparison: Comparison, drives: Drives, figures: Mapping[str, Any], notices: Sequence[str]) -> str:
    """Fill the template; every text that a user gave is escaped by it."""
    passes = [one for road in (*drives.rough_roads, drives.smooth) for one in drives.of(road)]
    return template("report.html.j2").render(
        comparison=comparison,
        figures=figures,
        notices=notices,
        facts=facts(comparison, drives),
        no_plan=NO_PLAN,
        plan_facts=run_sheet.facts(comparison.plan) if comparison.plan else [],
        warnings=tuple(dict.fromkeys(comparison.warnings + drives.warnings)),
        excluded=tuple(dict.fromkeys(comparison.excluded + drives.excluded)),
        labels={finding.metric: finding.label for finding in comparison.findings},
        passes=passes,
        boxes=boxes(comparison),
        conditions=conditions(passes),
        order=order(drives),
        drift=DRIFT if drives.first else None,
        locates=LOCATES,
        left_out=left_out,
        clocks=clocks(comparison.speed),
        provenance=[provenance(one) for one in passes],
        versions=versions(),
    )


def facts(comparison: Comparison, drives: Drives) -> list[tuple[str, str]]:
    """The facts under the headline: vehicle, roads, passes."""
    vehicles = dict.fromkeys(one.conditions.vehicle or "not said" for one in drives.passes)
    sides = {side: [one for one in drives.passes if one.side == side] for side in ("before", "after")}
    return [
        ("Vehicle", ", ".join(vehicles)),
        ("Before", f"{comparison.before} – {words.counted(len(sides['before']), 'pass')}"),
        ("After", f"{comparison.after} – {words.counted(len(sides['after']), 'pass')}"),
        ("Rough roads", ", ".join(drives.rough_roads)),
        ("Smooth reference", comparison.smooth),
    ]


def boxes(comparison: Comparison) -> list[tuple[list[str], BenchSummary]]:
    """What the bench says of the box behind the captures, once for all captures of which it says the same."""
    groups: dict[tuple, tuple[list[str], BenchSummary]] = {}
    for name, told in comparison.bench.items():
        key = (told.serial, *told.measured_utc.values(), told.scale_uncertainty)
        groups.setdefault(key, ([], told))[0].append(name)
    return list(groups.values())


def conditions(passes: Sequence[Pass]) -> dict[str, Any]:
    """The conditions of the passes: what all share said once (`common`, `unsaid`), the rest as `columns` and `rows`.

    Rows are in the order driven; passes that do not say when they began come last.
    """
    passes = sorted(passes, key=lambda one: one.started.timestamp() if one.started else math.inf)
    driven = [f"{one.started.astimezone(UTC):%Y-%m-%d %H:%M:%S}" if one.started else UNSAID for one in passes]
    table = {"driven, UTC": driven} | {
        FIELDS.get(field.name, field.name): [_shown(getattr(one.conditions, field.name)) for one in passes]
        for field in fields(Conditions)
    }
    shared = {head: values[0] for head, values in table.items() if len(set(values)) == 1}
    varying = [head for head in table if head not in shared]
    return {
        "common": [(head, value) for head, value in shared.items() if value != UNSAID],
        "unsaid": [head for head, value in shared.items() if value == UNSAID],
        "columns": varying,
        "rows": [(one.name, [table[head][row] for head in varying]) for row, one in enumerate(passes)],
    }


def order(drives: Drives) -> str:
    """One line on the order of the drives, by the times that the captures say."""
    if any(one.started is None for one in drives.passes):
        return "Not every capture says when it was driven, so the order is not known."
    if drives.first is None:
        return f"Driven in turns: passes with {drives.before} and with {drives.after} are mixed in time."
    first, then = (drives.before, drives.after) if drives.first == "before" else (drives.after, drives.before)
    return f"Driven in two halves: all passes with {first}, then all with {then}."


def provenance(one: Pass) -> Provenance:
    """Fingerprints of a pass's capture and raw recording, and what made it."""
    with open_capture(one.path) as capture:
        source = f"{capture.text('chip')}, firmware {capture.hello.get('firmware', 'not said')}"
        raw = capture.text("raw_sha256")
    with one.path.open("rb") as file:
        return Provenance(one.name, source, hashlib.file_digest(file, "sha256").hexdigest(), raw)


def versions() -> str:
    """What computed this report."""
    libraries: Iterable[str] = ("numpy", "scipy", "pandas", "h5py", "matplotlib")
    return ", ".join(
        [f"towertap {towertap.__version__}", f"Python {platform.python_version()}"]
        + [f"{library} {version(library)}" for library in libraries]
    )


def _shown(value: Any) -> str:
    return UNSAID if value is None or value == "" else f"{value:g}" if isinstance(value, float) else str(value)
