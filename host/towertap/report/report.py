"""Writes the report: draws the pictures, puts them into the page as vectors, and beside it as PNG with their data."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from importlib.metadata import version
from pathlib import Path

from markupsafe import Markup

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
    """Write `report.html` into `folder`, which is made if need be; returns the page's path.

    Beside it go its pictures (PNG) and, as CSV, what they draw and every table. `notices` are lines to stand over the
    answer, `sounds` files in the folder by the picture that they belong to; `full` opens all folds, `fresh` draws
    every picture anew. The report is a function of the comparison: no capture is opened.
    """
    folder = Path(folder)
    make_folders(folder)
    keeper = PictureKeeper(comparison.drives.passes[0].path, fresh)
    of_findings = (comparison.overall, comparison.findings, comparison.margin, comparison.drives.after)
    (findings,) = keeper.drawn("findings", of_findings, lambda: [_findings(comparison)])
    pictures = {}
    for section in SECTIONS:
        if evidence := comparison.evidence.get(section.name):
            make = partial(section.pictures, evidence)
            drawn = () if evidence.drawn is None else keeper.drawn(section.name, evidence, make)
            pictures[section.name] = [on_page(picture, folder, sounds) for picture in drawn]
    for name, evidence in comparison.evidence.items():
        for number, table in enumerate(evidence.tables, start=1):
            write_csv(table, folder / DATA / f"{name}_table_{number}.csv")
    path = folder / "report.html"
    text = page.render(comparison, on_page(findings, folder), pictures, notices, full)
    path.write_text(text, encoding="utf-8", errors="replace")
    return path


def make_folders(folder: Path) -> None:
    """The folder of a page, and those beside the page."""
    for beside in (PICTURES, DATA):
        (folder / beside).mkdir(parents=True, exist_ok=True)


def _findings(comparison: Comparison) -> Picture:
    from towertap.report.figures import intervals

    return intervals.picture(comparison)


@dataclass(frozen=True)
class PictureKeeper:
    """Draws pictures, and keeps them beside a `capture` (see `kept`)."""

    capture: Path
    fresh: bool = False
    """Take nothing from what was kept."""

    def drawn(
        self, name: str, made_from: object, pictures: Callable[[], Iterable[Picture]]
    ) -> tuple[DrawnPicture, ...]:
        """Some `pictures` by the `name` of what they show, anew where all that they are `made_from` has changed."""
        content = hashlib.sha256(packed(made_from)).hexdigest()
        entry = Kept(self.capture, f"drawn-{name}", (content, version("matplotlib")), files=())
        drawn: tuple[DrawnPicture, ...] | None = None if self.fresh else entry.look_up(tuple[DrawnPicture, ...])
        if drawn is None:
            drawn = draw(pictures)
            entry.keep(drawn)
        return drawn


def draw(pictures: Callable[[], Iterable[Picture]]) -> tuple[DrawnPicture, ...]:
    """Pictures made and drawn; matplotlib is loaded only here."""
    from matplotlib import rc_context

    from towertap.drawing import style

    with rc_context(style.RC):
        return tuple(map(style.draw, pictures()))


def on_page(picture: DrawnPicture, folder: Path, sounds: Mapping[str, Path] | None = None) -> page.PagePicture:
    """A picture for the page in `folder`, with its panels and its data beside that."""
    for panel in picture.panels:
        (folder / PICTURES / f"{panel.name}.png").write_bytes(panel.png)
    write_csv(picture.data, folder / DATA / f"{picture.name}.csv")
    sound = (sounds or {}).get(picture.name)
    return page.PagePicture(
        picture.title,
        picture.caption,
        tuple(Markup(panel.svg) for panel in picture.panels),
        f"{DATA}/{picture.name}.csv",
        sound.relative_to(folder).as_posix() if sound else "",
    )
