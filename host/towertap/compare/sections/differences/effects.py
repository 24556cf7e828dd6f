"""Comparison by the difference of means over passes, and by counts."""

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
"""Size, 95 % interval and p of after against before, and the size in words. Without a test, interval and p are None."""


def by_difference(values: Array, road_s: Array, design: Design, unit: str) -> Effect:
    """The difference of means in the metric's unit: by Welch (1947), or by part + block if blocks pair the parts."""
    student, least = pass_contrast(values, design.after, design.block), NO_SPREAD * np.abs(values).max()
    size, reach = float(student.difference), float(student.half_width())
    words = f"{number(abs(size))} {unit} {'more' if size >= 0 else 'less'}"
    if not (student.error > least and all(np.ptp(values[side]) > least for side in (design.after, ~design.after))):
        return size, None, None, words  # too few passes, or copies
    return size, (size - reach, size + reach), student.reported_p(student.p_difference()), words


def by_count(values: Array, road_s: Array, design: Design, unit: str) -> Effect:
    """The ratio of rates of `stats.rates`, valid down to no counts; ignores blocks."""
    after = design.after
    rates = rate_ratio(values[~after], values[after], road_s[~after], road_s[after])
    return rates.ratio, rates.interval, rates.p, f"{number(rates.ratio, 2)} times as many"


RULES: dict[Rule, Callable[[Array, Array, Design, str], Effect]] = {"difference": by_difference, "count": by_count}
"""Rule → function of the passes' values (n,), their seconds of road (n,), their design, and the metric's unit."""


@dataclass(frozen=True)
class Difference:
    """One metric on one road: `values` and seconds of road (`road_s`) of each side's passes, and the effect.

    `p_holm` is adjusted over the section; `words` state the effect if it is shown.
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
    """Every such metric on every road, including the smooth one, except where passes may be of several roads."""
    roads = [road for road in study.every_road if not road.not_one_road]
    differences = [_difference(road, metric) for metric in study.beside for road in roads]
    adjusted = holm([difference.p for difference in differences])
    return [
        replace(difference, p_holm=p, words=difference.words if p is not None and p < ALPHA else "no change is shown")
        for difference, p in zip(differences, adjusted, strict=True)
    ]


def _difference(road: Road, metric: Metric) -> Difference:
    """A metric over the road that all passes share; over whole passes if the road is not aligned."""
    values, road_s = np.empty((2, len(road.passes)))
    for index, drive in enumerate(road.passes):
        shared, road_s[index] = np.ones(drive.n_cells, bool), drive.n_cells * CELL_S
        if road.aligned:
            shared = road.aligned.place_of(index, drive.cells["start_s"] + CELL_S / 2) >= 0
            road_s[index] = np.diff(road.aligned.bounds_s[index][shared]).sum()
        values[index] = metric.of_all(drive.kept[metric.name][:, shared])
    after = road.design.after
    by_side, road_by_side = ({"before": x[~after].tolist(), "after": x[after].tolist()} for x in (values, road_s))
    effect = RULES[metric.rule](values, road_s, road.design, metric.unit)
    return Difference(metric.name, metric.label, metric.unit, metric.rule, road.name, by_side, road_by_side, *effect)
