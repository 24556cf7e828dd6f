"""Writes the page of a part over months, with a picture of each course."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from matplotlib import rc_context

from towertap.compare.sections.captures import conditions, fingerprints
from towertap.drawing import style
from towertap.report import page
from towertap.wear import figure as pictures
from towertap.wear.model import Wear
from towertap.wear.tables import tables

HOW_TO_READ = (
    "Circles: passes, beside their day. Diamonds: their geometric mean over a day, with the interval of the day's "
    "change against the first fit, which holds with 95 % together with all others; one wholly outside the shaded "
    "margin is outside by the passes of that day. Dashed: the straight line through the days, each counting once, with "
    "its 95 % band. Below, the smooth road as a check on sensor, tyres and weather, where it was driven."
)


def write_wear(wear: Wear, folder: str | Path, notices: Sequence[str] = ()) -> Path:
    """Write `wear.html` and its pictures (PNG) into `folder`, which is made if need be; returns the page's path.

    `notices` are lines to stand under the headline. The page is a function of the answer: no capture is opened.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    checks = {check.metric: check for check in wear.checks}
    courses = []
    with rc_context(style.RC):
        for number, course in enumerate(wear, start=1):
            figure, target = pictures.draw(wear, course, checks.get(course.metric)), folder / f"wear_{number}.png"
            style.save(figure, target)
            courses.append((course, page.embedded(target, figure.get_suptitle(), HOW_TO_READ)))
    shared, of_passes = conditions(wear.history.passes)
    text = page.template("wear.html.j2").render(
        wear=wear,
        notices=notices,
        courses=courses,
        tables=tables(wear),
        shared=shared,
        of_passes=[of_passes, fingerprints(wear.history.passes)],
        versions=page.versions(),
    )
    path = folder / "wear.html"
    path.write_text(text, encoding="utf-8", errors="replace")
    return path
