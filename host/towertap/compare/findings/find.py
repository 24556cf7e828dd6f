"""From a laid-out study to its findings, on every rough road and over all together, and what each rests on."""

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import count
from typing import Any

import numpy as np
from numpy.typing import NDArray

from towertap.compare.caution import Caution, Weight
from towertap.compare.controls import known_before
from towertap.compare.drives.model import SIDES, Pass
from towertap.compare.findings import instrument
from towertap.compare.findings.decide import Undecided, decide
from towertap.compare.findings.model import Finding, OverSmooth
from towertap.compare.road.places import BASES, whole_value
from towertap.compare.stats.contrast import (
    ALPHA,
    NO_SPREAD,
    Student,
    block_ratios,
    described,
    ends,
    p_interaction,
    pass_contrast,
)
from towertap.compare.stats.design import Design, overlap
from towertap.compare.stats.part import Statements, statements
from towertap.compare.stats.roads import p_roads_differ, rounds, smooth_control
from towertap.compare.study import Road, Study
from towertap.signals.metrics import Metric
from towertap.words.phrases import some

ALL_ROADS = "all rough roads"
FEWEST_TO_SPARE_ONE = 3
"""With fewer passes on a side, none is left out to see what hangs on it."""

Array = NDArray[np.float64]


def find(study: Study, primary: str | None) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Every metric over all rough roads together, if there are two or more, and on each road.

    The findings of the `primary` metric are families of their own.
    """
    of_roads = [_measured(study, metric, (road,)) for road in study.roads for metric in study.metrics]
    overall = [_measured(study, metric, study.roads) for metric in study.metrics] if len(study.roads) > 1 else []
    return decide(overall, primary), decide(of_roads, primary)


def _measured(study: Study, metric: Metric, roads: Sequence[Road]) -> Undecided:
    """Both statements of a metric: on one road by passes, over several by rounds, each one drive over every road.

    On one road every pass is its own round.
    """
    name, passes = metric.name, [drive for road in roads for drive in road.passes]
    rough = [road.rough[name] for road in roads]
    values = [places.value(drive) for places, road in zip(rough, roads, strict=True) for drive in road.passes]
    of_road, after = np.array([drive.road for drive in passes]), np.array([drive.side == "after" for drive in passes])
    in_round = _rounds_of(passes) if len(roads) > 1 else list(range(len(passes)))
    paired, every = all(road.design.block is not None for road in roads), np.arange(len(passes))

    def sample(logs: Array, numbers: NDArray[np.int64]) -> tuple[Array, Design, list[Pass]]:
        """Logarithms of the rounds that these passes make, their design, and each round's first pass."""
        round_logs, first = rounds(logs[numbers], of_road[numbers], [in_round[i] for i in numbers], after[numbers])
        firsts = [passes[number] for number in numbers[first]]
        return round_logs, study.groups.design(firsts, paired), firsts

    def without(number: int) -> Statements:
        return statements(*sample(logs, np.delete(every, number))[:2], *known)

    logs, whole_logs = (np.log([getattr(value, kind) for value in values]) for kind in ("value", "whole"))
    known = known_before(study.controls, name, study.refit_sd, study.day_sd)
    noise = instrument.largest_share(passes, values, name, instrument.engine_share(study.drives.passes, metric))
    margin = noise.narrowed(study.margin) if noise else study.margin
    round_logs, design, firsts = sample(logs, every)
    whole_round_logs, *_ = sample(whole_logs, every)
    inference = statements(round_logs, design, *known)
    shown = described(inference.drives, round_logs, design.after, margin)
    by_block = None if design.block is None else (round_logs, design.after, design.block)
    whole = pass_contrast(whole_round_logs, design.after, design.block)
    times_s = [drive.started.timestamp() if drive.started else None for drive in firsts]
    fields = {
        "metric": name,
        "label": metric.label,
        "unit": metric.unit,
        "margin": study.margin,
        "whole": described(whole, whole_round_logs, design.after, study.margin),
        "roads_differ": _roads_differ(roads, logs) if len(roads) > 1 else None,
        "overlap": overlap(design, times_s),
        "over_smooth": _over_smooth(study, name, inference.drives) if shown.interval else None,
        "block_ratios": block_ratios(*by_block) if by_block else (),
        "p_interaction": p_interaction(*by_block) if by_block else None,
        "noise": noise,
        "cautions": tuple(
            _incomplete_rounds(passes, in_round) if len(roads) > 1 else instrument.mounting_cautions(name, passes)
        ),
        **_rests_on(roads, name),
        **{
            f"{side}_values": tuple(value for drive, value in zip(passes, values, strict=True) if drive.side == side)
            for side in SIDES
        },
    }
    can_spare = shown.interval is not None and min(shown.passes) >= FEWEST_TO_SPARE_ONE
    names = tuple(drive.name for drive in passes)
    return Undecided(fields, shown, inference, margin, names, without if can_spare else None)


def _rests_on(roads: Sequence[Road], metric: str) -> dict[str, Any]:
    """The fields of a finding that say which metres of road it rests on."""
    rough, over_all = [road.rough[metric] for road in roads], len(roads) > 1
    not_one_road = [f"{road.name}: {road.not_one_road}" for road in roads if road.not_one_road]
    return {
        "road": ALL_ROADS if over_all else roads[0].name,
        "over_all": over_all,
        "basis": max((places.basis for places in rough), key=BASES.index),
        "whole_because": _why_not_rough(roads, metric) if over_all else rough[0].whole_because,
        "rough_share": float(np.mean([places.share for places in rough])),
        "bursts": sum(places.bursts for places in rough),
        "loud_passes": tuple(name for places in rough for name in places.loud_passes),
        "not_one_road": next(iter(not_one_road), None) if over_all else roads[0].not_one_road,
    }


def _why_not_rough(roads: Sequence[Road], metric: str) -> str | None:
    """What each of several roads rests on; None if all rest on the same."""
    bases = {road.name: road.rough[metric].basis for road in roads}
    if len(set(bases.values())) == 1:
        return None
    return "its roads differ in what they rest on: " + "; ".join(f"{name}, {basis}" for name, basis in bases.items())


def _roads_differ(roads: Sequence[Road], logs: Array) -> bool | None:
    """Whether roads are shown to differ, by the logarithms (n,) of all their passes; None if this cannot be tested."""
    ends_at = np.cumsum([len(road.passes) for road in roads])
    students = [
        pass_contrast(road_logs, road.design.after, road.design.block)
        for road, road_logs in zip(roads, np.split(logs, ends_at[:-1]), strict=True)
    ]
    return bool(p_roads_differ(students) < ALPHA) if all(student.error > NO_SPREAD for student in students) else None


def _over_smooth(study: Study, metric: str, rough: Student) -> OverSmooth | None:
    """The finding against the smooth road's own change, if each side drove that twice or more."""
    if study.smooth is None:
        return None
    levels = np.log([whole_value(drive, metric) for drive in study.smooth.passes])
    smooth = pass_contrast(levels, study.smooth.design.after, study.smooth.design.block)
    if not smooth.error > NO_SPREAD:
        return None
    over, reading = smooth_control(rough, smooth, study.margin)
    return OverSmooth(float(over.ratio), ends(over), float(smooth.ratio), ends(smooth), reading)


def _incomplete_rounds(passes: Sequence[Pass], in_round: Sequence[int]) -> Iterator[Caution]:
    """Warn of passes left out because their round did not drive every road."""
    driven: dict[tuple[str, int], set[str]] = defaultdict(set)
    for drive, number in zip(passes, in_round, strict=True):
        driven[drive.side, number].add(drive.road)
    every = set.union(*driven.values())
    incomplete = [
        drive.name for drive, number in zip(passes, in_round, strict=True) if driven[drive.side, number] != every
    ]
    complete_sides = [side for (side, _), roads in driven.items() if roads == every]
    few = min(map(complete_sides.count, SIDES)) == 2
    if incomplete:
        yield Caution(
            f"Left out, because their round did not drive every road: {some(incomplete)}."
            + " Two rounds on a side are hardly enough for a test." * few,
            Weight.WEAKENS if few else Weight.LIMITS,
        )


def _rounds_of(passes: Sequence[Pass]) -> list[int]:
    """The round of each pass: its number, or its position among those of its side and road.

    The position if a pass has no number, or if a side has no number that every road has.
    """
    numbers = [drive.conditions.pass_number or 0 for drive in passes]
    of_roads: dict[str, set[tuple[str, int]]] = defaultdict(set)
    for drive, number in zip(passes, numbers, strict=True):
        of_roads[drive.road].add((drive.side, number))
    if all(numbers) and len({side for side, _ in set.intersection(*of_roads.values())}) == len(SIDES):
        return numbers
    counts: dict[tuple[str, str], Iterator[int]] = defaultdict(lambda: count(1))
    return [next(counts[drive.side, drive.road]) for drive in passes]
