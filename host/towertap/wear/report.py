"""Write the page of a part over months, with a picture of each course."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from towertap.compare.findings.describe import verdict_of
from towertap.compare.sections.captures import conditions, fingerprints
from towertap.drawing.picture import Picture
from towertap.report.report import draw, write_page
from towertap.report.templates import page_of
from towertap.wear import figure
from towertap.wear.model import Wear
from towertap.wear.words import headline, status, tables, title
from towertap.words.phrases import sentence_case

HOW_TO_READ = (
    "Circles: passes, beside their day. Diamonds: the mean of a day, with an interval that is joint with all others. "
    "Dashed: the line through the days, each counting once. Shaded: the margin around the first fit."
)


def write_wear(wear: Wear, folder: str | Path, *, full: bool = False) -> Path:
    """Write `wear.html` into `folder`, created if needed, with pictures (PNG) and data (CSV); returns the page's path.

    `full` opens all folds. The page is a function of the answer: no capture is opened.
    """
    checks = {check.metric: check for check in wear.checks}

    def pictures() -> Iterator[Picture]:
        for number, course in enumerate(wear, start=1):
            check = checks.get(course.metric)
            panels = tuple(figure.panels(wear, course, check))
            data = figure.data([course, *([check] if check else [])])
            yield Picture(f"wear_{number}", f"{title(course)}: {status(course)}", HOW_TO_READ, panels, data)

    drawn = draw(pictures)
    verdict = headline(wear.courses)
    shared, conditions_table = conditions(wear.history.passes)
    text = page_of(
        "wear.html.j2",
        wear=wear,
        headline=sentence_case(verdict),
        tone=verdict_of(verdict),
        courses=list(zip(wear, drawn, strict=True)),
        tables=tables(wear),
        shared=shared,
        pass_tables=[conditions_table, fingerprints(wear.history.passes)],
        full=full,
    )
    return write_page(Path(folder) / "wear.html", text, drawn)
