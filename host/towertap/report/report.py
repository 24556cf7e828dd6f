"""Writes the report: draws the pictures, puts them into the page as vectors, and beside it as PNG with their data."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from markupsafe import Markup
from matplotlib import rc_context

from towertap.compare.comparison import Comparison
from towertap.compare.sections import SECTIONS
from towertap.drawing import style
from towertap.drawing.picture import Picture
from towertap.report import page
from towertap.report.figures import intervals
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
) -> Path:
    """Write `report.html` into `folder`, which is made if need be; returns the page's path.

    Beside it go its pictures (PNG) and, as CSV, what they draw and every table. `notices` are lines to stand over the
    answer, `sounds` files in the folder by the picture that they belong to; `full` opens all folds. The report is a
    function of the comparison: no capture is opened.
    """
    folder = Path(folder)
    make_folders(folder)
    with rc_context(style.RC):
        findings = shown(intervals.picture(comparison), folder)
        pictures = {
            name: [shown(picture, folder, sounds) for picture in section.pictures(comparison.evidence[name])]
            if comparison.evidence[name].drawn is not None
            else []
            for section in SECTIONS
            if (name := section.name) in comparison.evidence
        }
    for name, evidence in comparison.evidence.items():
        for number, table in enumerate(evidence.tables, start=1):
            write_csv(table, folder / DATA / f"{name}_table_{number}.csv")
    path = folder / "report.html"
    path.write_text(page.render(comparison, findings, pictures, notices, full), encoding="utf-8", errors="replace")
    return path


def make_folders(folder: Path) -> None:
    """The folder of a page, and those beside the page."""
    for beside in (PICTURES, DATA):
        (folder / beside).mkdir(parents=True, exist_ok=True)


def shown(picture: Picture, folder: Path, sounds: Mapping[str, Path] | None = None) -> page.PagePicture:
    """A picture for the page in `folder`, with its panels and its data beside that."""
    panels = []
    title = " ".join(picture.title.split())
    for number, panel in enumerate(picture.panels, start=1):
        name = picture.name if len(picture.panels) == 1 else f"{picture.name}_{number}"
        style.save(panel, folder / PICTURES / f"{name}.png")
        panel.set_layout_engine("none")  # it is laid out
        panels.append(Markup(style.svg(panel, name, title)))
    write_csv(picture.data, folder / DATA / f"{picture.name}.csv")
    sound = (sounds or {}).get(picture.name)
    return page.PagePicture(
        title,
        picture.caption,
        tuple(panels),
        f"{DATA}/{picture.name}.csv",
        sound.relative_to(folder).as_posix() if sound else "",
    )
