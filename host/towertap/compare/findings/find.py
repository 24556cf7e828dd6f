"""From a laid-out study to its findings: what each rests on, on every rough road and over all together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from towertap.compare.drives.model import SIDES, Pass, Quantity
from towertap.compare.findings import instrument
from towertap.compare.findings.decide import Undecided, decided
from towertap.compare.findings.model import Finding, OverSmooth
from towertap.compare.road.rough import BASES, PassValue, whole_value
from towertap.compare.stats.blocks import block_ratios, p_interaction
from towertap.compare.stats.contrast import ALPHA, Student, pass_contrast
from towertap.compare.stats.design import Design, overlap
from towertap.compare.stats.part import Statements, statements
from towertap.compare.stats.ratio import contrast, described, ends
from towertap.compare.stats.roads import p_roads_differ, rounds, smooth_control
from towertap.compare.study import Road, Study

ALL_ROADS = "all rough roads"
FEWEST_TO_SPARE_ONE = 3
"""With fewer passes on a side none is left out to see what hangs on it."""

Numbers = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Sample:
    """Passes of one road, or rounds over all: logarithms (n,), their design, and the pass that gives each its place."""

    logs: NDArray[np.float64]
    design: Design
    passes: tuple[Pass, ...]


def find(study: Study, primary: str | None) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Every metric over all rough roads together, where there are two or more; and on each road.

    `primary` names the metric whose findings are families of their own.
    """
    of_roads = [_on_road(study, road, quantity) for road in study.roads for quantity in study.quantities]
    overall = [_over_all(study, quantity, of_roads) for quantity in study.quantities if len(study.roads) > 1]
    parts = study.drives.before, study.drives.after
    return decided(overall, primary, parts), decided(of_roads, primary, parts)


def _on_road(study: Study, road: Road, quantity: Quantity) -> Undecided:
    metric, rough = quantity.name, road.rough[quantity.name]
    values = [rough.value(drive) for drive in road.passes]
    logs, wholes = np.log([value.value for value in values]), np.array([value.whole for value in values])
    after, paired = road.design.after, road.block is not None

    def of_passes(numbers: Numbers) -> Sample:
        passes = tuple(road.passes[number] for number in numbers)
        return Sample(logs[numbers], study.groups.design(passes, paired), passes)

    return _measured(
        study,
        quantity,
        of_passes,
        road.passes,
        values,
        road=road.name,
        over_all=False,
        basis=rough.basis,
        whole_because=rough.warning,
        rough_share=rough.share,
        whole=contrast(wholes[~after], wholes[after], study.margin, road.block),
        bursts=rough.bursts[0],
        loud_passes=rough.bursts[1],
        roads_differ=None,
        not_one_road=study.not_one_road(road),
        cautions=tuple(instrument.mounting_cautions(metric, road.passes)),
    )


def _over_all(study: Study, quantity: Quantity, of_roads: Sequence[Undecided]) -> Undecided:
    """Over all rough roads: the unit is the round, one drive over every road."""
    passes = [drive for road in study.roads for drive in road.passes]
    rough = [road.rough[quantity.name] for road in study.roads for _ in road.passes]
    values = [places.value(drive) for places, drive in zip(rough, passes, strict=True)]
    of_road, in_round = np.array([drive.road for drive in passes]), np.array(_rounds_of(passes))
    after = np.array([drive.side == "after" for drive in passes])
    paired = all(road.block is not None for road in study.roads)

    def of_rounds(logs: NDArray[np.float64], numbers: Numbers) -> Sample:
        over = rounds(logs[numbers], of_road[numbers], in_round[numbers].tolist(), after[numbers])
        firsts = tuple(passes[number] for number in numbers[over.first])
        return Sample(over.logs, study.groups.design(firsts, paired), firsts)

    logs, whole_logs = (np.log([getattr(value, name) for value in values]) for name in ("value", "whole"))
    whole = of_rounds(whole_logs, np.arange(len(passes)))
    of_metric = [measured for measured in of_roads if measured.fields["metric"] == quantity.name]
    students = [measured.both.drives for measured in of_metric]
    roads = [road.rough[quantity.name] for road in study.roads]
    return _measured(
        study,
        quantity,
        lambda numbers: of_rounds(logs, numbers),
        passes,
        values,
        road=ALL_ROADS,
        over_all=True,
        basis=min((places.basis for places in roads), key=BASES.index),
        whole_because=None,
        rough_share=float(np.mean([places.share for places in roads])),
        whole=described(
            pass_contrast(whole.logs, whole.design.after, whole.design.block),
            whole.logs,
            whole.design.after,
            study.margin,
        ),
        bursts=sum(places.bursts[0] for places in roads),
        loud_passes=tuple(name for places in roads for name in places.bursts[1]),
        roads_differ=bool(p_roads_differ(students) < ALPHA) if all(of.df >= 1 for of in students) else None,
        not_one_road=next((f"{road.name}: {why}" for road in study.roads if (why := study.not_one_road(road))), None),
        cautions=(),
    )


def _measured(
    study: Study,
    quantity: Quantity,
    sample: Callable[[Numbers], Sample],
    passes: Sequence[Pass],
    values: Sequence[PassValue],
    **of_where: Any,
) -> Undecided:
    """Both statements of a metric; `sample` is of the passes with these numbers, all or all but one."""
    known = study.known(quantity.name)

    def without(number: int) -> Statements:
        rest = sample(np.delete(np.arange(len(passes)), number))
        return statements(rest.logs, rest.design, *known)

    whole_set = sample(np.arange(len(passes)))
    design = whole_set.design
    both = statements(whole_set.logs, design, *known)
    engine = instrument.engine_share(study.drives.passes, quantity)
    noise = instrument.largest_share(passes, values, quantity.name, engine)
    shown = described(both.drives, whole_set.logs, design.after, instrument.narrowed(study.margin, noise))
    before, after = (
        tuple(value for drive, value in zip(passes, values, strict=True) if drive.side == side) for side in SIDES
    )
    fields: Mapping[str, Any] = {
        "metric": quantity.name,
        "label": quantity.label,
        "unit": quantity.unit,
        "margin": study.margin,
        "overlap": overlap(design, *_times_and_warmth(whole_set.passes)),
        "over_smooth": _over_smooth(study, quantity.name, both.drives) if shown.interval else None,
        "block_ratios": () if design.block is None else block_ratios(whole_set.logs, design.after, design.block),
        "p_interaction": None if design.block is None else p_interaction(whole_set.logs, design.after, design.block),
        "noise": noise,
        "before_values": before,
        "after_values": after,
        **of_where,
    }
    can_spare = shown.interval is not None and min(shown.passes) >= FEWEST_TO_SPARE_ONE
    return Undecided(fields, shown, both, tuple(drive.name for drive in passes), without if can_spare else None)


def _over_smooth(study: Study, metric: str, rough: Student) -> OverSmooth | None:
    """The finding against the smooth road's own change, where both sides drove it two times or more."""
    if study.smooth is None:
        return None
    levels = np.log([whole_value(drive, metric) for drive in study.smooth.passes])
    smooth = pass_contrast(levels, study.smooth.design.after, study.smooth.block)
    if not (smooth.df >= 1 and smooth.error > 0):
        return None
    control = smooth_control(rough, smooth, study.margin)
    over = control.over_smooth
    return OverSmooth(float(over.ratio), ends(over), float(smooth.ratio), ends(smooth), control.reading)


def _rounds_of(passes: Sequence[Pass]) -> list[int]:
    """The round of each pass: its number, or its place among those of its side and road where one has none."""
    if all(drive.conditions.pass_number for drive in passes):
        return [drive.conditions.pass_number or 0 for drive in passes]
    seen: dict[tuple[str, str], int] = {}
    numbers = []
    for drive in passes:
        key = drive.side, drive.road
        seen[key] = seen.get(key, 0) + 1
        numbers.append(seen[key])
    return numbers


def _times_and_warmth(passes: Sequence[Pass]) -> tuple[list[float | None], list[float | None]]:
    starts = [drive.started.timestamp() if drive.started else None for drive in passes]
    return starts, [drive.conditions.air_temperature_c for drive in passes]
