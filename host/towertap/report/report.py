"""Writes the report: draws the pictures, embeds them in the page, puts both into a folder."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

from matplotlib import rc_context

from towertap.compare.comparison import Comparison
from towertap.compare.sections import SECTIONS
from towertap.drawing import style
from towertap.drawing.picture import Picture
from towertap.report import page
from towertap.report.figures import intervals
from towertap.words.table import Table

INTERVALS = (
    "Each finding's ratio of after to before with its 95 % interval over passes. An interval clear of 1 is a "
    "difference before the adjustment for many findings; one wholly inside the shaded margin is too small to count. "
    "The thin grey line is the same over whole passes."
)


def write_report(
    comparison: Comparison,
    folder: str | Path,
    notices: Sequence[str] = (),
    sounds: Mapping[str, Path] | None = None,
) -> Path:
    """Write `report.html`, its pictures (PNG) and tables (CSV) into `folder`, made if need be; returns the page's path.

    `notices` are lines to stand under the headline, `sounds` files in the folder by the picture that they belong to.
    The report is a function of the comparison: no capture is opened.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    with rc_context(style.RC):
        findings = _embed(folder, Picture("intervals", intervals.draw(comparison), INTERVALS))
        pictures = {
            section.name: [
                _embed(folder, picture, sounds) for picture in section.pictures(comparison.evidence[section.name])
            ]
            for section in SECTIONS
            if section.name in comparison.evidence
        }
    for name, evidence in comparison.evidence.items():
        for place, table in enumerate(evidence.tables, start=1):
            _write_csv(table, folder / f"{name}_{place}.csv")
    path = folder / "report.html"
    path.write_text(page.render(comparison, findings, pictures, notices), encoding="utf-8", errors="replace")
    return path


def _write_csv(table: Table, path: Path) -> None:
    """A table of the page as numbers that programs read: a plain minus, and nothing where there is none."""
    with path.open("w", encoding="utf-8", errors="replace", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(table.columns)
        rows.writerows(["" if cell == "–" else cell.replace("−", "-") for cell in row] for row in table.rows)


def _embed(folder: Path, picture: Picture, sounds: Mapping[str, Path] | None = None) -> page.Embedded:
    path = folder / f"{picture.name}.png"
    style.save(picture.figure, path)
    sound = (sounds or {}).get(picture.name)
    return page.embedded(path, picture.figure.get_suptitle(), picture.caption, sound.name if sound else "")
