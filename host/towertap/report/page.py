"""The page: a template filled from a comparison, its pictures in it as vectors."""

from __future__ import annotations

import platform
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.metadata import version

from jinja2 import Environment, PackageLoader, StrictUndefined, Template
from markupsafe import Markup

import towertap
from towertap.compare.comparison import Comparison
from towertap.compare.drives.model import Drives
from towertap.compare.findings.describe import findings_table
from towertap.compare.sections import SECTIONS
from towertap.drawing import style
from towertap.report import run_sheet
from towertap.report.driven import driven
from towertap.words import numbers
from towertap.words.phrases import sentence_case

LIBRARIES = ("numpy", "scipy", "pandas", "h5py", "matplotlib")
UP_FRONT = "passes"
"""The section whose picture stands before the folds."""
MOST_CAUTIONS = 5
"""So many stand beside the answer's own; the others are in a fold."""


@dataclass(frozen=True)
class Shown:
    """A picture as the page has it: `panels` are `svg` elements, `data` is the file of what is drawn."""

    title: str
    caption: str
    panels: tuple[Markup, ...]
    data: str


def template(name: str) -> Template:
    """A page's template, which escapes what it is given and knows how numbers are written."""
    environment = Environment(
        loader=PackageLoader("towertap.report", "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(palette=Markup(style.css()), versions=versions())
    for filter_name in ("number", "interval", "fixed", "p_value", "percent"):
        environment.filters[filter_name] = getattr(numbers, filter_name)
    environment.filters["sentence_case"] = sentence_case
    return environment.get_template(name)


def render(
    comparison: Comparison,
    findings: Shown,
    pictures: Mapping[str, Sequence[Shown]],
    notices: Sequence[str] = (),
    full: bool = False,
) -> str:
    """Fill the template; `pictures` are those of each section. Every text that a user gave is escaped."""
    others = [caution.words for caution in comparison.cautions if caution.words not in comparison.answer.cautions]
    differing, alike = driven(comparison)
    return template("report.html.j2").render(
        comparison=comparison,
        answer=comparison.answer,
        lead=comparison.case.lead,
        head=_head(comparison.drives),
        findings=findings,
        table=findings_table(comparison.overall, comparison.findings),
        up_front=pictures.get(UP_FRONT, ()),
        differing=differing,
        alike=alike,
        cautions=others[:MOST_CAUTIONS],
        further=others[MOST_CAUTIONS:],
        evidence=[
            (section, comparison.evidence[section.name], () if section.name == UP_FRONT else pictures[section.name])
            for section in SECTIONS
            if section.name in comparison.evidence
        ],
        plan_facts=run_sheet.facts(comparison.plan) if comparison.plan else [],
        by_block=any(finding.block_ratios for finding in comparison),
        notices=notices,
        full=full,
    )


def _head(drives: Drives) -> list[str]:
    """Vehicle and dates, for the line over the answer."""
    vehicles = dict.fromkeys(drive.conditions.vehicle for drive in drives.passes if drive.conditions.vehicle)
    dates = sorted({f"{drive.started:%Y-%m-%d}" for drive in drives.passes if drive.started})
    return [*vehicles, *dict.fromkeys([dates[0], dates[-1]] if dates else [])]


def versions() -> str:
    """What computed this report."""
    own = f"towertap {towertap.__version__}, Python {platform.python_version()}"
    return ", ".join([own, *(f"{library} {version(library)}" for library in LIBRARIES)])
