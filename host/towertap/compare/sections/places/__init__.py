"""The metres of road behind the findings: how passes were aligned, and which places are rough."""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from towertap.compare.drives.model import Pass
from towertap.compare.findings.model import Finding
from towertap.compare.road.places import Places
from towertap.compare.section import Evidence, Section
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.words.numbers import brief, fixed, number, percent
from towertap.words.phrases import listed
from towertap.words.table import Table, tabulate


class PlacesSection(Section):
    name = "places"
    title = "Which metres of road"
    note = (
        "Passes are aligned by the road's own fingerprint, the level of the wheel hop, and cut into places: the same "
        "metres in every pass, one second of the reference pass long. A place is rough if all passes together are "
        "above the roughness limit, so the selection does not depend on the outcome."
    )

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence:
        findings = [finding for finding in findings if not finding.over_all]
        places = [road.places for road in study.roads if road.places]
        return Evidence(
            headline=_headline(study, findings),
            tables=(_alignment(places), _rough(study, findings)),
            data=[road.alignment for road in places],
            drawn=places,
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        from towertap.compare.sections.along_road import along_road

        yield along_road(
            "alignment",
            _title(evidence.drawn),
            "Level of the vertical acceleration from 4 to 25 Hz in steps of 0.1 s, one line per pass. Where the "
            "alignment is right, the lines rise and fall together.",
            evidence.drawn,
            _fingerprints,
            "Fingerprints of the road",
        )


def _title(roads: Sequence[Places]) -> str:
    """How well the passes fit."""
    fits = []
    for road in roads:
        qualities = [drive.quality for drive in road.alignment.passes]
        failed = " (not aligned)" if road.alignment.failure else ""
        fits.append(f"{brief(road.alignment.road, 24)} {min(qualities):.2f} to {max(qualities):.2f}{failed}")
    return "Correlation of each aligned pass with the others: " + "; ".join(fits)


def _fingerprints(places: Places) -> Iterator[tuple[Pass, dict[str, NDArray]]]:
    """The fingerprint of every pass, by driving time and by place."""
    for drive, warp, fingerprint in zip(places.passes, places.warps, places.prints, strict=True):
        cells = np.arange(fingerprint.size) + 0.5
        at_s = {"time, s": cells * places.cell_s, "place, s": warp(cells) * places.cell_s}
        yield drive, {**at_s, "wheel hop level, standard score": fingerprint}


def _headline(study: Study, findings: Sequence[Finding]) -> str:
    whole = dict.fromkeys(finding.road for finding in findings if finding.whole_because)
    aligned = [f"{road.name} ({road.aligned.alignment.places} places)" for road in study.roads if road.aligned]
    headline = (
        f"All passes are aligned on {listed(aligned)}." if aligned else "Passes could not be aligned on any road."
    )
    return f"{headline} Findings not over rough places alone: {', '.join(whole)}." if whole else headline


def _alignment(roads: Sequence[Places]) -> Table:
    return tabulate(
        "Alignment",
        (
            {
                "road": road.alignment.road,
                "pass": drive.capture + (" (reference)" if drive.capture == road.alignment.reference else ""),
                "correlation with the others": number(drive.quality, 2),
                "by chance": number(drive.chance, 2),
                "speed, × the reference's": fixed(drive.speed, 3),
                "shared, s": fixed(drive.overlap_s),
                "fits": "yes" if drive.aligned else "no",
            }
            for road in roads
            for drive in road.alignment.passes
        ),
        grouped=True,
    )


def _rough(study: Study, findings: Sequence[Finding]) -> Table:
    return tabulate(
        "What is rough",
        (
            {
                "road": finding.road,
                "metric": finding.label,
                "roughness limit": f"{number(study.limits[finding.metric].value)} {finding.unit}",
                "rough places": percent(finding.rough_share),
                "noise or engine, at most": f"{100 * finding.noise.share:.1f} %" if finding.noise else "unknown",
                "rests on": finding.basis + (f": {finding.whole_because}" if finding.whole_because else ""),
            }
            for finding in findings
        ),
        grouped=True,
    )
