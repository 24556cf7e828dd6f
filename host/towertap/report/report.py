"""Write the report: the page with its pictures as SVG, and beside it the pictures as PNG and all data as CSV."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from importlib.metadata import version
from itertools import chain
from pathlib import Path

from towertap.compare.comparison import Comparison
from towertap.compare.sections import SECTIONS
from towertap.drawing.picture import DrawnPicture, Picture
from towertap.kept import Kept, packed
from towertap.report import page
from towertap.words.table import write_csv

PICTURES, DATA = "pictures", "data"
"""Folders beside the page."""


def write_report(
    comparison: Comparison,
    folder: str | Path,
    notices: Sequence[str] = (),
    sounds: Mapping[str, Path] | None = None,
    *,
    full: bool = False,
    fresh: bool = False,
) -> Path:
    """Write `report.html` into `folder`, created if needed, with pictures (PNG) and data (CSV); returns its path.

    `notices` are lines above the answer, `sounds` maps pictures to sound files in the folder. `full` opens all folds,
    `fresh` redraws every picture. The report is a function of the comparison: no capture is opened.
    """
    folder = Path(folder)
    drawn = partial(kept_or_drawn, comparison.drives.passes[0].path, fresh)
    inputs = (comparison.overall, comparison.findings, comparison.margin, comparison.drives.after)
    (findings,) = drawn("findings", inputs, lambda: [_findings(comparison)])
    pictures = {}
    for section in SECTIONS:
        if evidence := comparison.evidence.get(section.name):
            make = partial(section.pictures, evidence)
            pictures[section.name] = () if evidence.drawn is None else drawn(section.name, evidence, make)
    links = {name: sound.relative_to(folder).as_posix() for name, sound in (sounds or {}).items()}
    text = page.render(comparison, findings, pictures, links, notices, full)
    path = write_page(folder / "report.html", text, (findings, *chain.from_iterable(pictures.values())))
    for name, evidence in comparison.evidence.items():
        for number, table in enumerate(evidence.tables, start=1):
            write_csv(table, folder / DATA / f"{name}_table_{number}.csv")
    return path


def write_page(path: Path, text: str, pictures: Iterable[DrawnPicture]) -> Path:
    """Write a page to `path`, and its pictures and their data into folders beside it; returns `path`."""
    for name in (PICTURES, DATA):
        (path.parent / name).mkdir(parents=True, exist_ok=True)
    for picture in pictures:
        for panel in picture.panels:
            (path.parent / PICTURES / f"{panel.name}.png").write_bytes(panel.png)
        write_csv(picture.data, path.parent / DATA / f"{picture.name}.csv")
    path.write_text(text, encoding="utf-8", errors="replace")
    return path


def _findings(comparison: Comparison) -> Picture:
    from towertap.report.figures import intervals

    return intervals.picture(comparison)


def kept_or_drawn(
    capture: Path, fresh: bool, name: str, made_from: object, pictures: Callable[[], Iterable[Picture]]
) -> tuple[DrawnPicture, ...]:
    """The drawn `pictures`, kept beside a `capture` under `name`; drawn again if `fresh` or `made_from` has changed."""
    content = hashlib.sha256(packed(made_from)).hexdigest()
    entry = Kept(capture, f"drawn-{name}", (content, version("matplotlib")), files=())
    drawn: tuple[DrawnPicture, ...] | None = None if fresh else entry.look_up(tuple[DrawnPicture, ...])
    if drawn is None:
        drawn = draw(pictures)
        entry.keep(drawn)
    return drawn


def draw(pictures: Callable[[], Iterable[Picture]]) -> tuple[DrawnPicture, ...]:
    """Make and draw pictures; only this imports matplotlib."""
    from matplotlib import rc_context

    from towertap.drawing import style

    with rc_context(style.RC):
        return tuple(map(style.draw, pictures()))
