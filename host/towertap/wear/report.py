"""Writes the page of a part over months, with a figure for each course."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from matplotlib import rc_context

from towertap.compare.sections.captures import conditions, fingerprints
from towertap.drawing import style
from towertap.report import page
from towertap.wear import figure as figures
from towertap.wear.model import Followed, Wear
from towertap.wear.words import status
from towertap.words.phrases import counted


def write_wear(wear: Wear, followed: Followed, folder: str | Path, notices: Sequence[str] = ()) -> Path:
    """Write `wear.html` and its figures (PNG) into `folder`, which is made if need be; returns the page's path.

    `followed` is what the answer came from. `notices` are lines to stand under the headline.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    checks = {one.metric: one for one in wear.checks}
    pictures = []
    with rc_context(style.RC):
        for number, course in enumerate(wear.courses, start=1):
            figure, target = figures.draw(wear, course, checks.get(course.metric)), folder / f"wear_{number}.png"
            style.save(figure, target)
            pictures.append(page.embedded(target, figure.get_suptitle(), ""))
    text = page.template("wear.html.j2").render(
        wear=wear,
        notices=notices,
        facts=facts(wear),
        told=[(one, status(one), picture) for one, picture in zip(wear.courses, pictures, strict=True)],
        shared=conditions(followed.passes)[0],
        tables=[conditions(followed.passes)[1], fingerprints(followed.passes)],
        versions=page.versions(),
    )
    path = folder / "wear.html"
    path.write_text(text, encoding="utf-8", errors="replace")
    return path


def facts(wear: Wear) -> list[tuple[str, str]]:
    """The facts under the headline."""
    first, last = wear.sessions[0], wear.sessions[-1]
    passes = counted(sum(one.passes for one in wear.sessions), "pass")
    return [
        ("Vehicle", wear.vehicle or "not said"),
        ("Part", wear.part),
        ("First fit", first.session),
        ("Followed", f"over {counted(len(wear.sessions), 'day')} to {last.session}, {passes}"),
        ("Roads", ", ".join(dict.fromkeys(one.road for one in wear.courses))),
        ("Smooth reference", wear.smooth),
        ("Margin that counts", f"±{100 * wear.margin:g} %"),
        ("Not looked at", counted(wear.other_captures, "capture") + " of other parts or vehicles"),
    ]
