"""From the input to the output of the part, if two boxes recorded the passes at once."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from towertap.compare.caution import Caution, Weight
from towertap.compare.drives.model import Excluded, Reading
from towertap.compare.findings.model import Finding
from towertap.compare.section import Evidence, Section
from towertap.compare.sections.transfer.bands import PassTransfer, RoadTransfer, box_cautions, road_transfer
from towertap.compare.study import Study
from towertap.drawing.picture import Picture
from towertap.errors import AnalysisError, TowertapError
from towertap.words.numbers import change_percent, fixed, number, range_percent
from towertap.words.table import Table, joined, tabulate


class TransferSection(Section):
    name = "transfer"
    title = "From the input to the output of the part"
    note = (
        "Two boxes recorded these passes at once. Gain: r.m.s. of the output's vertical acceleration that follows the "
        "input's, over that of the input. Coherence: the share of the output's power that follows the input; the rest "
        "takes other paths, is not linear, or is noise. A band is not judged if less than half follows in any pass, or "
        "no more than by chance. The two clocks were matched by what both boxes felt, so phase is not known."
    )

    def measure(self, reading: Reading) -> PassTransfer | str | None:
        """The transfer of this pass, or why there is none; None if not asked for."""
        if reading.inputs is None:
            return None
        from towertap.compare.sections.transfer.two_boxes import pass_transfer  # rarely needed

        try:
            return pass_transfer(reading, reading.inputs)
        except TowertapError as error:
            return str(error)

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """The transfer on each rough road; AnalysisError if it was asked for and no pass can be used."""
        drives = study.drives
        if drives.input_position is None:
            return None
        output = ", ".join(sorted({drive.conditions.box_position for drive in drives.passes})) or "the box compared"
        roads = []
        for road in drives.rough_roads:
            measured = [(drive, drive.measured.get(self.name)) for drive in drives.of(road)]
            passes = [
                replace(result, side=drive.side) for drive, result in measured if isinstance(result, PassTransfer)
            ]
            excluded = [Excluded(drive.name, result) for drive, result in measured if isinstance(result, str)]
            positions = drives.input_position, output
            roads.append(road_transfer(road, positions, drives.parts, passes, excluded))
        if not any(road.passes for road in roads):
            first = roads[0].excluded[0]
            raise AnalysisError(
                f"no pass has a usable input at '{drives.input_position}'; {first.capture}: {first.reason}"
            )
        left_out = [drive for road in roads for drive in road.excluded]
        used = [drive for road in roads for drive in road.passes]
        serial_of = {drive.name: drive.bench.serial for drive in drives.passes if drive.bench}
        both = {drive.input_bench.serial for drive in used if drive.input_bench.serial == serial_of.get(drive.capture)}
        return Evidence(
            headline="; ".join(road.words for road in roads) + ".",
            tables=(
                *(table for road in roads if road.bands for table in (_bands(road), _passes(road))),
                *([_left_out(left_out)] if left_out else []),
            ),
            cautions=(*box_cautions(drives.input_position, used), *map(self._one_box, sorted(both - {""}))),
            data=roads,
            drawn=[road for road in roads if road.bands],
        )

    @staticmethod
    def _one_box(serial: str) -> Caution:
        return Caution(
            f"The box {serial} is named at the input and at the output at once: one of its positions or serials is "
            "wrong.",
            Weight.WEAKENS,
        )

    def pictures(self, evidence: Evidence) -> Iterable[Picture]:
        from towertap.compare.sections.transfer import figure

        if roads := evidence.drawn:
            yield Picture(
                "transfer",
                "; ".join(map(figure.title, roads)),
                "Top: gain by third-octaves (Welch's H1, Hann, 2 s, half overlap, 1 kHz). Middle: the lowest coherence "
                "of any pass of each side; dotted: what chance exceeds 1 time in 20. Bottom: change, with joint "
                "intervals over all judged bands; thick if a change is shown.",
                tuple(map(figure.panel, roads)),
                joined("Transfer", map(_bands, roads)),
            )


def _left_out(excluded: Sequence[Excluded]) -> Table:
    return tabulate(
        "Not in the transfer", ({"capture": capture.capture, "why": capture.reason} for capture in excluded)
    )


def _bands(road: RoadTransfer) -> Table:
    return tabulate(
        f"Transfer on {road.road}: {road.output} over {road.input}, vertical",
        (
            {
                "road": road.road,
                "band, Hz": band.name,
                "gain before": number(band.before),
                "gain after": number(band.after),
                "change": change_percent(band.ratio, band.interval) if band.ratio else "not judged",
                "95 %, all bands together": range_percent(band.interval),
                "coherence before": fixed(band.before_coherence, 2),
                "after": fixed(band.after_coherence, 2),
                "by chance": fixed(band.chance, 2),
            }
            for band in road.bands
        ),
        grouped=True,
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
