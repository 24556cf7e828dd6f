"""The picture of every pass's value before and after on each road, on a linear scale; a panel per metric."""

from collections.abc import Iterator, Sequence
from itertools import groupby

import numpy as np
from matplotlib.figure import Figure

from towertap.compare.sections.differences.effects import Difference
from towertap.drawing.style import INK, QUIET, SIDES, legend, new_figure, side_handles
from towertap.words.numbers import brief
from towertap.words.phrases import sentence_case


def panels(differences: Sequence[Difference]) -> Iterator[Figure]:
    """A panel per metric, with roads side by side."""
    for label, group in groupby(differences, key=lambda difference: difference.label):
        figure, roads = new_figure(2.4), list(group)
        axes = figure.subplots()
        for place, road in enumerate(roads):
            for (side, look), x in zip(SIDES.items(), (place - 0.2, place + 0.2), strict=True):
                values = road.values[side]
                axes.plot(x + np.linspace(-0.15, 0.15, len(values)), values, look.marker, ms=4, color=look.colour)
                axes.hlines(np.mean(values), x - 0.18, x + 0.18, color=look.colour, ls=look.line, lw=1.2)
        axes.axhline(0.0, color=QUIET, lw=0.8)
        axes.grid(axis="y")
        axes.locator_params(axis="y", nbins=6)
        axes.set_xticks(range(len(roads)), labels=[f"{brief(road.road, 16)}\n{road.words}" for road in roads])
        axes.tick_params(axis="x", length=0, labelcolor=INK)
        axes.set_ylabel("count" if roads[0].rule == "count" else roads[0].unit)
        axes.set_title(brief(sentence_case(label), 48))
        legend(figure, side_handles())
        yield figure
