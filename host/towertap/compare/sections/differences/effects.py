"""The rules of comparison beside the ratio of levels: by the difference of means over passes, and by counts."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from towertap.compare.drives.model import CELL_S
from towertap.compare.stats.contrast import ALPHA, NO_SPREAD, holm, pass_contrast
from towertap.compare.stats.design import Design
from towertap.compare.stats.rates import rate_ratio
from towertap.compare.study import Road, Study
from towertap.signals.metrics import Metric, Rule
from towertap.words.numbers import number

Array = NDArray[np.float64]
Effect = tuple[float, tuple[float, float] | None, float | None, str]
"""Size, 95 % interval and p of after against before, None where passes tell nothing from chance, and the size said."""


def by_difference(values: Array, road_s: Array, design: Design, unit: str) -> Effect:
    """Of means over passes, in the metric's unit: by Welch (1947), or by part + block where blocks pair the parts."""
    student, least = pass_contrast(values, design.after, design.block), NO_SPREAD * np.abs(values).max()
    size, reach = float(student.difference), float(student.half_width())
    words = f"{number(abs(size))} {unit} {'more' if size >= 0 else 'less'}"
    if not (student.error > least and all(np.ptp(values[side]) > least for side in (design.after, ~design.after))):
        return size, None, None, words  # too few passes, or copies
    return size, (size - reach, size + reach), student.reported_p(student.p_difference()), words


def by_count(values: Array, road_s: Array, design: Design, unit: str) -> Effect:
    """The ratio of rates as `stats.rates` has it, which stands at few counts and at none; blocks do not count."""
    rates = rate_ratio(*(each[side] for each in (values, road_s) for side in (~design.after, design.after)))
    return rates.ratio, rates.interval, rates.p, f"{number(rates.ratio, 2)} times as many"


RULES: dict[Rule, Callable[[Array, Array, Design, str], Effect]] = {"difference": by_difference, "count": by_count}
"""Values of passes, each over so many seconds of road, both (n,), their design and the metric's unit → effect."""


@dataclass(frozen=True)
class Difference:
    """One metric on one road: the `values` of each side's passes over `road_s` seconds of road each, and the effect.

    `p_holm` is p after Holm over all of the section, `words` the effect where that shows one.
    """

    metric: str
    label: str
    unit: str
    rule: Rule
    road: str
    values: dict[str, list[float]]
    road_s: dict[str, list[float]]
    size: float
    interval: tuple[float, float] | None
    p: float | None
    words: str
    p_holm: float | None = None


def differences_of(study: Study) -> list[Difference]:
    """Every metric of another rule on every road, the smooth one too, but where passes may be of several."""
    roads = [road for road in study.every_road if not road.not_one_road]
    raw = [_difference(road, metric) for metric in study.beside for road in roads]
    adjusted = holm([difference.p for difference in raw])
    return [_after_holm(difference, p) for difference, p in zip(raw, adjusted, strict=True)]


def _difference(road: Road, metric: Metric) -> Difference:
    """A metric over the cells of each pass on the road that all share; over all of a pass where it is not aligned."""
    values, road_s = np.empty((2, len(road.passes)))
    for index, drive in enumerate(road.passes):
        shared, road_s[index] = np.ones(drive.n_cells, bool), drive.n_cells * CELL_S
        if road.aligned:
            shared = road.aligned.place_of(index, drive.cells["start_s"] + CELL_S / 2) >= 0
            road_s[index] = np.diff(road.aligned.bounds_s[index][shared]).sum()
        values[index] = metric.of_all(drive.kept[metric.name][:, shared])
    after, about = road.design.after, (metric.name, metric.label, metric.unit, metric.rule, road.name)
    of_passes, roads_s = ({"before": of[~after].tolist(), "after": of[after].tolist()} for of in (values, road_s))
    return Difference(*about, of_passes, roads_s, *RULES[metric.rule](values, road_s, road.design, metric.unit))


def _after_holm(difference: Difference, p: float | None) -> Difference:
    shown = p is not None and p < ALPHA
    return replace(difference, p_holm=p, words=difference.words if shown else "no change is shown")
