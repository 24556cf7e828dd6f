"""What the signal looks like: one typical pass a side, as a whole and in its worst second."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from towertap.compare.drives.model import SIDES, Pass, Reading
from towertap.compare.findings.model import Finding
from towertap.compare.road.rough import PassValue
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.traces.trace import Trace, trace
from towertap.compare.study import Study
from towertap.drawing.picture import Picture

WORST_BY = ("jerk_z", "acceleration_z")
"""The worst second is that with most of the first of these that the rate carries."""


class TracesSection(Section):
    """Envelopes of acceleration and jerk, and the worst second."""

    name = "traces"
    title = "What it looks like"

    def measure(self, reading: Reading) -> Trace:
        """The envelope of the pass, and its worst second."""
        windows = reading.windows
        metric = next(name for name in WORST_BY if name in windows)
        worst_s = float(windows["start_s"][np.nanargmax(windows[metric])])
        return trace(reading.capture, reading.analysis.to_vehicle[2], worst_s)

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """The passes nearest to their side's mean in each road's first finding."""
        pairs = {}
        for finding in first_findings(findings):
            typical = [drive.measured.get(self.name) for drive in typical_passes(finding, study.drives.passes)]
            if all(typical):
                pairs[finding.road] = dict(zip(SIDES, typical, strict=True))
        if not pairs:
            return None
        return Evidence(headline="A typical pass of each side.", drawn=pairs)

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """One picture a road."""
        from towertap.compare.sections.traces import figure

        for place, (road, pair) in enumerate(evidence.drawn.items(), start=1):
            yield Picture(
                f"traces_{place}",
                figure.title(road, pair),
                "The pass of each side whose value is nearest to that side's mean, vertical: smallest and largest "
                "value in each of 600 steps, and the second with most jerk. Acceleration from 0.5 to 500 Hz, jerk up "
                "to 100 Hz, or what the rate carries. It shows what the signal is like, not what the part does.",
                tuple(figure.panels(pair)),
                figure.data(pair),
            )


def first_findings(findings: Sequence[Finding]) -> list[Finding]:
    """The first finding of each road."""
    of_roads = [finding for finding in findings if not finding.over_all]
    return list({finding.road: finding for finding in reversed(of_roads)}.values())[::-1]


def typical_passes(finding: Finding, passes: Sequence[Pass]) -> tuple[Pass, Pass]:
    """The pass of each side whose value is nearest to the side's mean."""
    by_name = {drive.name: drive for drive in passes}
    return (
        by_name[_typical(finding.before_values, finding.before)],
        by_name[_typical(finding.after_values, finding.after)],
    )


def _typical(values: Sequence[PassValue], mean: float) -> str:
    return min(values, key=lambda drive: abs(math.log(drive.value / mean))).capture
