"""Speed: how fast the passes were driven, and how much a difference in speed may explain."""

from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from towertap.compare.drives.model import Pass
from towertap.compare.findings.model import Finding
from towertap.compare.road.places import Places
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.speed.effects import RoadSpeed, faster, road_speed
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.words.numbers import change_percent, fixed
from towertap.words.phrases import listed
from towertap.words.table import Table, tabulate

OFFSETS = {
    "given": "as given",
    "found": "found by the forward acceleration",
    "not found": "taken as zero, since none could be found",
}
"""How the offset of a log's clock was determined."""


class SpeedSection(Section):
    name = "speed"
    title = "Speed"
    note = (
        "A difference in speed between the sides contributes to the change. Speed comes from a speed log if there is "
        "one, otherwise from the alignment, relative to the reference pass. A level goes as speed to some power, up to "
        "2 in common practice."
    )

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """The speeds on each rough road, and what they mean for each finding."""
        roads = [speed for road in study.roads if (speed := road_speed(road, study.margin, findings))]
        if not roads:
            return None
        return Evidence(
            headline=_headline(roads),
            tables=(tabulate("What speed does", map(_row, roads)), *_clocks(roads)),
            cautions=tuple(
                caution for road in roads for caution in (road.caution, road.contradiction) if caution is not None
            ),
            data=roads,
            drawn=[road.aligned for road in study.roads if road.aligned and any(drive.speed for drive in road.passes)],
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        if not evidence.drawn:
            return
        from towertap.compare.sections.along_road import along_road

        yield along_road(
            "speed",
            evidence.headline,
            "One line per pass over the same metres of road. What matters is a difference between the kinds of line.",
            evidence.drawn,
            _logged,
            "Speed along the road",
        )


def _logged(road: Places) -> Iterator[tuple[Pass, dict[str, NDArray]]]:
    """The speed of every pass with a log, by place, within its recording."""
    for number, drive in enumerate(road.passes):
        if drive.speed is not None:
            starts_s = drive.cells["start_s"]
            inside = (drive.speed.time_s >= starts_s[0]) & (drive.speed.time_s <= starts_s[-1])
            place_s = road.place_s(number, np.asarray(drive.speed.time_s[inside]))
            yield drive, {"place, s": place_s, "speed, km/h": 3.6 * drive.speed.speed_ms[inside]}


def _headline(roads: Sequence[RoadSpeed]) -> str:
    changes = [f"{faster(road.contrast.ratio)} on {road.road}" for road in roads]
    matters = [road.road for road in roads if road.caution]
    verdict = f"enough to matter on {listed(matters)}" if matters else "too little to matter"
    refuted = [road.road for road in roads if road.contradiction]
    logs = f" The speed logs contradict the alignment on {listed(refuted)} and are not used there." if refuted else ""
    return f"After the change {', '.join(changes)}: {verdict}.{logs}"


def _clocks(roads: Sequence[RoadSpeed]) -> Iterator[Table]:
    """How far the clock of each speed log is ahead of the captures', and how that was determined."""
    logs = dict.fromkeys((drive.log, drive.offset) for road in roads for drive in road.passes if drive.log)
    if logs:
        yield tabulate(
            "Clocks of the speed logs",
            (
                {
                    "log": name or "",
                    "ahead of the captures', s": fixed(offset.seconds, 2) if offset else "–",
                    "known to, s": f"±{fixed(offset.uncertainty_s, 2)}" if offset and offset.uncertainty_s else "–",
                    "how": OFFSETS[offset.source] if offset else "not known",
                }
                for name, offset in logs
            ),
        )


def _row(road: RoadSpeed) -> dict[str, str]:
    return {
        "road": road.road,
        "before": _speed(road, road.contrast.before),
        "after": _speed(road, road.contrast.after),
        "change": change_percent(road.contrast.ratio, road.contrast.interval),
        "speed alone may make up to": change_percent(road.explains),
    }


def _speed(road: RoadSpeed, value: float) -> str:
    return f"{value:.1f} km/h" if road.source == "log" else f"× {value:.3f}"
