"""The page: a template filled from a comparison, its pictures embedded."""

from __future__ import annotations

import base64
import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from jinja2 import Environment, PackageLoader, StrictUndefined, Template

from towertap.compare.comparison import Comparison
from towertap.compare.drives.calendar import first_half
from towertap.compare.drives.differences import DRIFT
from towertap.compare.findings.departures import NO_PLAN
from towertap.compare.sections import SECTIONS
from towertap.report import run_sheet
from towertap.version import WRITTEN_BY
from towertap.words import numbers
from towertap.words.phrases import counted, sentence_case

LIBRARIES = ("numpy", "scipy", "pandas", "h5py", "matplotlib")


@dataclass(frozen=True)
class Embedded:
    """A picture as the page shows it: the PNG itself as a data URI, its title for those who cannot see it, caption."""

    uri: str
    title: str
    caption: str
    sound: str = ""
    """Name of a sound in the page's folder that belongs to it."""


def embedded(path: Path, title: str, caption: str, sound: str = "") -> Embedded:
    """Embed the PNG at `path`."""
    uri = "data:image/png;base64," + base64.b64encode(path.read_bytes()).decode("ascii")
    return Embedded(uri, " ".join(title.split()), caption, sound)


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
        environment.filters[filter_name] = getattr(numbers, filter_name)
    return environment.get_template(name)


def render(
    comparison: Comparison, findings: Embedded, pictures: Mapping[str, Sequence[Embedded]], notices: Sequence[str]
) -> str:
    """Fill the template; `pictures` are those of each section. Every text that a user gave is escaped."""
    evidence = [
        (section, comparison.evidence[section.name], pictures[section.name])
        for section in SECTIONS
        if section.name in comparison.evidence
    ]
    return template("report.html.j2").render(
        comparison=comparison,
        findings_picture=findings,
        evidence=evidence,
        notices=notices,
        facts=facts(comparison),
        no_plan=NO_PLAN,
        plan_facts=run_sheet.facts(comparison.plan) if comparison.plan else [],
        warnings=tuple(dict.fromkeys(comparison.warnings)),
        by_block=any(finding.block_ratios for finding in comparison),
        drift=f"{sentence_case(DRIFT)}." if first_half(comparison.drives.passes) else None,
        versions=versions(),
    )


def facts(comparison: Comparison) -> list[tuple[str, str]]:
    """The facts under the headline: vehicle, roads, passes."""
    drives = comparison.drives
    vehicles = dict.fromkeys(drive.conditions.vehicle or "not said" for drive in drives.passes)
    passes = {side: sum(drive.side == side for drive in drives.passes) for side in ("before", "after")}
    return [
        ("Vehicle", ", ".join(vehicles)),
        ("Before", f"{drives.before} – {counted(passes['before'], 'pass')}"),
        ("After", f"{drives.after} – {counted(passes['after'], 'pass')}"),
        ("Rough roads", ", ".join(drives.rough_roads)),
        ("Smooth reference", drives.smooth),
    ]


def versions() -> str:
    """What computed this report."""
    own = f"{WRITTEN_BY}, Python {platform.python_version()}"
    return ", ".join([own, *(f"{library} {version(library)}" for library in LIBRARIES)])
