"""The picture of one course: passes, days, the trend line, and the margin around the first fit."""

import textwrap
from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import matplotlib.dates as mdates
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation
from numpy.typing import ArrayLike

from towertap.drawing.style import INK, PAPER, QUIET, SIDES, WASH, log_ticks, new_figure
from towertap.wear.course import MONTH
from towertap.wear.model import Course, Crossing, Wear
from towertap.wear.trend import Line
from towertap.words.numbers import brief
from towertap.words.table import Table, of_columns

DAY, TREND = INK, SIDES["after"].colour
CIRCLE: Any = {"ls": "", "marker": "o", "ms": 4, "mfc": "none", "mec": SIDES["before"].colour, "mew": 0.9}
DIAMOND: Any = {"ls": "", "marker": "D", "ms": 5.5, "color": DAY}
LINE: Any = {"color": TREND, "ls": SIDES["after"].line, "lw": 1.5}
REACHED: Any = {"ls": "-", "marker": "s", "ms": 6.5, "color": TREND, "mec": PAPER}
STEPS = 60
WIDEST = 3.0
"""The axis reaches at most this multiple of the measured values; a wider interval is cut off."""
BESIDE_PT, APART_PT, REACH_PT = 7.0, 4.0, 18.0
"""Distance of a day's passes from its diamond and from each other, and of the last from the diamond at most."""


def panels(wear: Wear, course: Course, check: Course | None) -> list[Figure]:
    """A rough road's course, and the smooth road's if there is one, by the driver's date."""
    first_fit = wear.history.first_fit.replace(tzinfo=None)
    drawn = [(course, f"{course.road}, over {course.basis}")]
    drawn += [(check, f"{check.road}, the smooth road: the check")] if check else []
    return [_panel(shown, first_fit, name) for shown, name in drawn]


def data(courses: Sequence[Course]) -> Table:
    """Every pass, dated in months since the first fit."""
    columns: dict[str, Any] = {
        "road": [course.road for course in courses for _ in course.points],
        "pass": [point.capture for course in courses for point in course.points],
        "day": [point.session for course in courses for point in course.points],
        "months since the first fit": [point.months for course in courses for point in course.points],
        f"value, {courses[0].unit}": [point.value for course in courses for point in course.points],
    }
    return of_columns("Passes over time", columns)


def _panel(course: Course, first_fit: datetime, name: str) -> Figure:
    figure = new_figure(3.6)
    axes = figure.subplots()
    axes.set_title(brief(name, 52))
    axes.set_yscale("log")
    first, top, line = course.means[0].level, 1 + course.margin, course.line
    axes.axhspan(first / top, first * top, color=WASH, lw=0, label="margin")
    axes.axhline(first, color=QUIET, lw=0.7)
    values = [point.value for point in course.points] + [first / top, first * top]
    ends = [first * end for change in course.changes for end in change.together or ()]
    if line is not None:
        ends += _line(axes, course, line, first_fit)
    _days(axes, course, first_fit)
    _passes(axes, course, first_fit)
    axes.margins(x=0.1)
    bottom, ceiling = max(min(values + ends), min(values) / WIDEST), min(max(values + ends), max(values) * WIDEST)
    axes.set_ylim(bottom / 1.03, ceiling * 1.03)
    log_ticks(axes, "y")
    axes.set_ylabel(textwrap.fill(brief(f"{course.label}, {course.unit}", 60), 20))
    axes.grid(axis="y")
    figure.legend(*axes.get_legend_handles_labels(), loc="outside lower left", ncols=2)
    locator = mdates.AutoDateLocator(maxticks=5)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(mdates.ConciseDateFormatter(locator))
    axes.set_xlabel("date")
    return figure


def _line(axes: Axes, course: Course, line: Line, first_fit: datetime) -> list[float]:
    """Draw the trend's line, its band, and where it reaches the margin; returns the ends of the band."""
    months = np.linspace(course.means[0].months, course.means[-1].months, STEPS)
    low, high = np.exp(line.band(months))
    dates = _dates(first_fit, months)
    axes.fill_between(dates, low, high, color=TREND, alpha=0.16, lw=0, label="its 95 % interval")
    axes.plot(dates, np.exp(line.at(months)), **LINE, label="trend")
    if course.trend and course.trend.crossing.seen:
        _crossing(axes, course, line, course.trend.crossing, first_fit)
    return [*low[[0, -1]], *high[[0, -1]]]


def _crossing(axes: Axes, course: Course, line: Line, when: Crossing, first_fit: datetime) -> None:
    """Mark where the line reaches the margin, with its interval up to the last day."""
    first, last = course.means[0].months, course.means[-1].months
    assert when.months is not None
    ends = [min(first + months, last) for months in (when.earliest_months, when.latest_months or last)]
    level = float(np.exp(line.at(first + when.months)))
    axes.plot(_dates(first_fit, ends), [level, level], color=TREND, lw=2.2, solid_capstyle="butt")
    axes.plot(_dates(first_fit, first + when.months), level, **REACHED, label="reaches the margin")


def _days(axes: Axes, course: Course, first_fit: datetime) -> None:
    """Draw the means of days, later ones with the joint interval of their change."""
    first, name = course.means[0].level, "days, 95 % together"
    together = {change.session: change.together for change in course.changes}
    for mean in course.means:
        date = _dates(first_fit, mean.months)
        if interval := together.get(mean.session):
            axes.plot([date, date], [first * end for end in interval], color=DAY, lw=1.2)
        axes.plot(date, mean.level, **DIAMOND, label=name)
        name = ""


def _passes(axes: Axes, course: Course, first_fit: datetime) -> None:
    """Draw every pass, in the order driven, to the right of its day."""
    for mean in course.means:
        values = [point.value for point in course.points if point.session == mean.session]
        step = min(APART_PT, (REACH_PT - BESIDE_PT) / max(1, len(values) - 1))
        for rank, value in enumerate(values):
            aside = ScaledTranslation((BESIDE_PT + rank * step) / 72, 0, axes.figure.dpi_scale_trans)
            name = "passes" if mean is course.means[0] and not rank else None
            date = _dates(first_fit, mean.months)
            axes.plot(date, value, **CIRCLE, transform=axes.transData + aside, label=name)


def _dates(first_fit: datetime, months: ArrayLike) -> Any:
    """Months since the first fit as matplotlib's dates, in days."""
    return mdates.date2num(first_fit) + np.asarray(months) * (MONTH / timedelta(days=1))
