"""From the input to the output of the part, where two boxes recorded the passes at once."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace

from towertap.compare.drives.model import SIDES, Excluded, Reading
from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.transfer.bands import PassTransfer, RoadTransfer, road_transfer
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.errors import AnalysisError, TowertapError
from towertap.words.numbers import fixed, interval, number
from towertap.words.table import Table, tabulate

VARIES = re.compile(r"[\w+-]*\d(?:[\w.+-]*\w)?")
"""What may differ between two sentences that say the same: numbers, and names that have one."""


class TransferSection(Section):
    """How a second box's motion reaches the first."""

    name = "transfer"
    title = "From the input to the output of the part"
    note = (
        "Two boxes recorded these passes at once. The gain of a band is the r.m.s. of the output's vertical "
        "acceleration that follows the input's, over the r.m.s. of the input's; the coherence is the part of the "
        "output's power that follows. The rest is what reaches the output by other ways (springs, dampers, the other "
        "wheels, the engine, fore-aft motion of the same arm), what is not linear, and the sensors' noise. Noise at "
        "the input makes a gain too small. Each box has a clock of its own. The two were brought together by what both "
        "felt, so the delay of the path itself is not known: phase is relative and is not shown. Bands in which less "
        "than half of the output's power follows in any pass, or no more than by chance, are not judged."
    )

    def measure(self, reading: Reading) -> PassTransfer | str | None:
        """The transfer of this pass, or why there is none; None where nobody asked for it."""
        if reading.inputs is None:
            return None
        from towertap.compare.sections.transfer.two_boxes import pass_transfer  # few comparisons have a second box

        try:
            return pass_transfer(reading, reading.inputs)
        except TowertapError as error:
            return str(error)

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """The transfer on each rough road; AnalysisError where it was asked for and no pass can be used."""
        drives = study.drives
        if drives.input_position is None:
            return None
        output = ", ".join(sorted({drive.conditions.box_position for drive in drives.passes})) or "the box compared"
        roads = []
        for road in drives.rough_roads:
            measured = [(drive, drive.measured.get(self.name)) for drive in drives.of(road)]
            passes = [replace(found, side=drive.side) for drive, found in measured if isinstance(found, PassTransfer)]
            excluded = [Excluded(drive.name, why) for drive, why in measured if isinstance(why, str)]
            positions = drives.input_position, output
            roads.append(road_transfer(road, positions, (drives.before, drives.after), passes, excluded))
        if not any(road.passes for road in roads):
            first = roads[0].excluded[0]
            raise AnalysisError(
                f"no pass has a usable input at '{drives.input_position}'; {first.capture}: {first.reason}"
            )
        return Evidence(
            headline=_headline(roads),
            paragraphs=tuple(line for road in roads for line in (road.words, *left_out(road))),
            tables=tuple(table for road in roads if _both_sides(road) for table in (_bands(road), _passes(road))),
            warnings=tuple(caution for road in roads for caution in road.cautions),
            data=roads,
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        """One figure a road that both boxes recorded with both parts."""
        from towertap.compare.sections.transfer import figure

        for place, road in enumerate(evidence.data, start=1):
            if _both_sides(road):
                yield Picture(
                    f"transfer_{place}",
                    figure.draw(road),
                    "Above: gain by third-octave bands (Welch's H1, Hann, 2 s, half overlap, 1 kHz); open marks are "
                    "passes, lines their geometric means. Middle: coherence of the pass of each side that has least; "
                    "dotted, what chance exceeds 1 time in 20. Below: ratio after / before with intervals that hold "
                    "for all judged bands together (Welch's over passes, each at its part of 5 % after Bonferroni, "
                    "with no more degrees of freedom than all bands together tell); thick where 1 is outside.",
                )


def _both_sides(road: RoadTransfer) -> bool:
    return {drive.side for drive in road.passes} == set(SIDES)


def _headline(roads: Sequence[RoadTransfer]) -> str:
    changed = [
        road.road
        for road in roads
        if any(band.interval and not band.interval[0] <= 1 <= band.interval[1] for band in road.bands)
    ]
    if not changed:
        return f"No change of how {roads[0].output} follows {roads[0].input} is shown."
    return f"How {roads[0].output} follows {roads[0].input} changed on {', '.join(changed)}."


def _bands(road: RoadTransfer) -> Table:
    return tabulate(
        f"Transfer on {road.road}: {road.output} over {road.input}, vertical",
        (
            {
                "band, Hz": band.name,
                "gain before": number(band.before),
                "gain after": number(band.after),
                "ratio": number(band.ratio) if band.judged else "not judged",
                "95 % interval, all bands": interval(band.interval),
                "coherence before": fixed(band.before_coherence, 2),
                "after": fixed(band.after_coherence, 2),
                "by chance": fixed(band.chance, 2),
            }
            for band in road.bands
        ),
    )


def _passes(road: RoadTransfer) -> Table:
    return tabulate(
        f"The two clocks on {road.road}",
        (
            {
                "output": drive.capture,
                "input": drive.input_capture,
                "input's clock less output's, s": fixed(drive.offset_s, 4),
                "drift, ppm": fixed(drive.drift_ppm),
                "scatter of 2 s windows, ms": fixed(drive.scatter_us / 1000, 2),
                "windows that agree": f"{drive.agreeing} of {drive.windows}",
                "independent averages": fixed(drive.averages),
            }
            for drive in road.passes
        ),
    )


def left_out(road: RoadTransfer) -> list[str]:
    """Which passes of a road are not in the transfer and why, alike ones in one line."""
    return [
        f"{', '.join(names)} {'is' if len(names) == 1 else 'are'} not in the transfer: {reason}."
        for names, reason in together([(drive.capture, drive.reason) for drive in road.excluded])
    ]


def together(lines: Sequence[tuple[str, str]]) -> list[tuple[list[str], str]]:
    """Names and what is said of each → the names of which the same is said but for numbers and names in it, and that.

    A number that differs becomes the range of it, a name that differs an ellipsis.
    """
    groups: dict[str, list[tuple[str, list[str]]]] = {}
    for name, words in lines:
        groups.setdefault(VARIES.sub("\0", words), []).append((name, VARIES.findall(words)))
    joined = []
    for frame, members in groups.items():
        fixed_parts = frame.split("\0")
        varying = [_spread(values) for values in zip(*(values for _, values in members), strict=True)]
        words = "".join(part for pair in zip(fixed_parts, [*varying, ""], strict=True) for part in pair)
        joined.append(([name for name, _ in members], words))
    return joined


def _spread(values: Sequence[str]) -> str:
    if len(set(values)) == 1:
        return values[0]
    try:
        ordered = sorted(values, key=float)
    except ValueError:
        return "…"
    return f"{ordered[0]} to {ordered[-1]}"
