"""Writes the report: draws the figures, embeds them in the page, puts both into a folder."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

from matplotlib import rc_context
from matplotlib.figure import Figure

from towertap.capture.reading import open_capture
from towertap.compare.answer import Comparison
from towertap.compare.model import Drives, Finding, Pass, PassFigure, Side
from towertap.compare.places import Places, find_places
from towertap.report import density, drawn, page, style
from towertap.report.by_place import by_place
from towertap.report.figures import (
    alignment,
    boxes,
    intervals,
    knocks,
    spectra,
    spectrogram,
    speed,
    thirds,
    traces,
    transfer,
)
from towertap.wire.layouts import STANDARD_GRAVITY_MS2

BOTH: tuple[Side, Side] = ("before", "after")


def write_report(comparison: Comparison, drives: Drives, folder: str | Path, notices: Sequence[str] = ()) -> Path:
    """Write `report.html` and its figures (PNG) into `folder`, which is made if need be; returns the page's path.

    `drives` are those that the comparison came from; their captures are read again, block by block. `notices` are lines
    to stand under the headline. Raises FileError for a capture that can no longer be read.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    roads = [find_places(drives.of(one.road)) for one in comparison.alignment]
    with rc_context(style.RC):
        pictures = {
            "intervals": _put(folder, "intervals", intervals.draw(comparison)),
            "boxes": _put(folder, "boxes", boxes.draw(comparison)),
            "alignment": _put(folder, "alignment", alignment.draw(roads)) if roads else None,
            "traces": [
                _put(folder, f"traces_{place}", figure)
                for place, figure in enumerate(_trace_figures(comparison, drives), start=1)
            ],
            "thirds": _put(folder, "thirds", thirds.draw(comparison.bands, comparison.margin)),
            "spectrograms": [
                _put(folder, f"spectrogram_{place}", figure)
                for place, figure in enumerate(_spectrograms(comparison, drives, roads), start=1)
            ],
            "spectra": _put(
                folder, "spectra", spectra.draw(road_spectra(drives), comparison.bands, _sensor_noise(drives))
            ),
            "knocks": [
                _put(folder, f"knocks_{place}", figure)
                for place, one in enumerate(comparison.knocks, start=1)
                if (figure := knocks.draw(drives, one.road))
            ],
            "speed": _put(folder, "speed", figure) if (figure := speed.draw(roads)) else None,
            "transfer": [
                _put(folder, f"transfer_{place}", figure) if (figure := transfer.draw(road)) else None
                for place, road in enumerate(comparison.transfer, start=1)
            ],
        }
    path = folder / "report.html"
    path.write_text(page.render(comparison, drives, pictures, notices), encoding="utf-8", errors="replace")
    return path


def road_spectra(drives: Drives) -> dict[str, dict[Side, density.Density]]:
    """Density of vertical acceleration by road (rough ones first) and side, over the side's passes."""
    found: dict[str, dict[Side, density.Density]] = {}
    for road in (*drives.rough_roads, drives.smooth):
        for side in BOTH:
            spectrum = density.over_passes([_density(one) for one in drives.of(road, side)], drawn.HIGHEST_HZ)
            if spectrum is not None:
                found.setdefault(road, {})[side] = spectrum
    return found


def _density(one: Pass) -> tuple[drawn.Array, drawn.Array]:
    with open_capture(one.path) as capture:
        return drawn.density(capture, one.to_vehicle[2], one.windows)


def _sensor_noise(drives: Drives) -> float:
    """Density of the sensor's own noise by its data sheet, (m/s²)²/Hz; all captures are of one kind of box."""
    with open_capture(drives.passes[0].path) as capture:
        return float((capture.layout.noise_g_per_rthz * STANDARD_GRAVITY_MS2) ** 2)


def _trace_figures(comparison: Comparison, drives: Drives) -> list[Figure]:
    """One figure a road, of the passes nearest to their side's mean in the road's first finding."""
    return [
        traces.draw(finding.road, *(_trace(one, finding) for one in _typical_passes(finding, drives)))
        for finding in _first_findings(comparison)
    ]


def _spectrograms(comparison: Comparison, drives: Drives, roads: Sequence[Places]) -> list[Figure]:
    """One figure a road that has third-octaves, of the same passes."""
    places, bands = {one.alignment.road: one for one in roads}, {one.road: one for one in comparison.bands}
    return [
        spectrogram.draw(by_place(bands[finding.road], places.get(finding.road), *_typical_passes(finding, drives)))
        for finding in _first_findings(comparison)
        if finding.road in bands
    ]


def _first_findings(comparison: Comparison) -> list[Finding]:
    """The first finding of each road."""
    return list({finding.road: finding for finding in reversed(comparison.findings)}.values())[::-1]


def _typical_passes(finding: Finding, drives: Drives) -> tuple[Pass, Pass]:
    """The pass of each side whose figure is nearest to the side's mean."""
    passes = {one.name: one for one in drives.passes}
    return (
        passes[_typical(finding.before_values, finding.before)],
        passes[_typical(finding.after_values, finding.after)],
    )


def _typical(values: Sequence[PassFigure], mean: float) -> str:
    return min(values, key=lambda value: abs(math.log(value.figure / mean))).capture


def _trace(one: Pass, finding: Finding) -> drawn.Trace:
    worst = one.windows.loc[one.windows[finding.metric].idxmax()]
    with open_capture(one.path) as capture:
        return drawn.trace(capture, one.to_vehicle[2], float(worst["start_s"]))


def _put(folder: Path, name: str, figure: Figure) -> page.Picture:
    path = folder / f"{name}.png"
    style.save(figure, path)
    return page.picture(path, figure.get_suptitle())
