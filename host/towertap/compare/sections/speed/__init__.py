"""Speed: what was driven, what a difference of it may make, and the findings over places driven alike."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.speed.effects import RoadSpeed, SpeedEffect, speeds_of
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.words.numbers import fixed, interval, number
from towertap.words.phrases import listed
from towertap.words.table import Table, tabulate

OFFSETS = {
    "given": "as given",
    "found": "found by the forward acceleration",
    "not found": "taken as nought, since none could be found",
}
"""How the offset of a log's clock is known."""


class SpeedSection(Section):
    """A speed that differs between the sides is in the ratio too."""

    name = "speed"
    title = "Speed"
    note = (
        "A speed that differs between the sides is in the ratio too. By a speed log where there is one (joined by UTC, "
        "its clock's offset found or given), else by the alignment, relative to the reference pass. The exponent is "
        "that of a level that goes as speed to this power within the road, its interval by the jackknife over passes; "
        "where the passes do not show it, 0.5 to 2 is taken, as common practice has it. Noise in a log pulls it "
        "towards 0."
    )

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """The speeds of each rough road, and what they have to do with each finding."""
        roads = speeds_of(study, findings)
        if not roads:
            return None
        return Evidence(
            headline=_headline(roads),
            paragraphs=(*(road.words for road in roads), *_clocks(roads)),
            tables=(_table(roads, study),),
            warnings=tuple(road.warning for road in roads if road.warning),
            data=roads,
            drawn=[road.aligned for road in study.roads if road.aligned],
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """Speed along the road, where passes have logs."""
        from towertap.compare.sections.speed import figure

        if (drawn := figure.draw(evidence.drawn)) is not None:
            yield Picture(
                "speed",
                drawn,
                "One line a pass over the same metres of road, before and after; the differences that matter are those "
                "between the two kinds of line.",
            )


def _headline(roads: Sequence[RoadSpeed]) -> str:
    matters = [road.road for road in roads if road.warning]
    if matters:
        return f"The speed differs by enough to matter on {listed(matters)}."
    return "The speeds driven before and after are alike enough not to matter."


def _clocks(roads: Sequence[RoadSpeed]) -> Iterator[str]:
    """How far the clock of each speed log is ahead of the captures', and how that is known; a sentence a log."""
    for name, offset in dict.fromkeys(
        (drive.log, drive.offset) for road in roads for drive in road.passes if drive.log
    ):
        if offset is None:
            yield f"The clock of {name}: not known against the captures'."
            continue
        about = f" ± {offset.uncertainty_s:.2f}" if offset.uncertainty_s is not None else ""
        way = "behind" if offset.seconds < 0 else "ahead of"
        yield (
            f"The clock of {name} is {abs(offset.seconds):.2f}{about} s {way} the captures' ({OFFSETS[offset.source]})."
        )


def _table(roads: Sequence[RoadSpeed], study: Study) -> Table:
    return tabulate("What speed does", (_row(road, effect, study) for road in roads for effect in road.effects))


def _row(road: RoadSpeed, effect: SpeedEffect, study: Study) -> dict[str, str]:
    matched = effect.matched
    return {
        "road": road.road,
        "metric": study.labels[effect.metric],
        "before": _speed(road, road.contrast.before),
        "after": _speed(road, road.contrast.after),
        "exponent of speed": fixed(effect.exponent) + ("" if effect.seen else " (not used)"),
        "95 % interval": fixed(effect.interval) + ("" if effect.seen else " (common practice)"),
        "ratio that speed alone may make": number(effect.explains),
        "places driven alike": f"{effect.alike} of {effect.places}" if effect.places else "whole passes",
        "ratio over them": number(matched.ratio) if matched else "–",
        "95 % interval over them": interval(matched.interval) if matched else "–",
    }


def _speed(road: RoadSpeed, value: float) -> str:
    return f"{value:.1f} km/h" if road.source == "log" else f"× {value:.3f}"
