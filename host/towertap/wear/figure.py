"""Figure: one course over time: passes, days, the line through them, and the margin around the first fit."""

from __future__ import annotations

import textwrap
from datetime import datetime, timedelta

import matplotlib.dates as mdates
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.transforms import ScaledTranslation

from towertap.drawing.style import INK, QUIET, SIDES, log_ticks, new_figure
from towertap.wear.course import MONTH, line_of
from towertap.wear.model import Course, Wear
from towertap.wear.trend import Line
from towertap.wear.words import status
from towertap.words.numbers import brief

MARGIN_SHADE = "#e6ebf0"
PASS, DAY, TREND = SIDES["before"].colour, INK, SIDES["after"].colour
STEPS = 60
WIDEST = 3.0
"""The axis goes no further than so many times what was measured; a wider interval runs out of the figure."""
BESIDE_PT, APART_PT, REACH_PT = 7.0, 4.0, 18.0
"""Passes stand beside their day's diamond, so far from it and from each other, the last no further than the reach."""


def draw(wear: Wear, course: Course, check: Course | None) -> Figure:
    """Draw a rough road's course, below it that of the smooth road where there is one; all by date."""
    title = f"{course.label[:1].upper()}{course.label[1:]} on {brief(course.road)}: {brief(status(course), 200)}"
    figure = new_figure(8.6, 5.4 if check else 3.9, title)
    rows = figure.subplots(2 if check else 1, 1, sharex=True, squeeze=False, height_ratios=[2, 1] if check else [1])
    fitted = datetime.fromisoformat(wear.sessions[0].began_utc)
    _panel(rows[0, 0], course, fitted, f"{course.road}, over {course.basis}")
    if check:
        _panel(rows[1, 0], check, fitted, f"{check.road}, the smooth road, whole passes: the check")
    handles, labels = rows[0, 0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower left", ncols=3)
    locator = mdates.AutoDateLocator(maxticks=9)
    rows[-1, 0].xaxis.set_major_locator(locator)
    rows[-1, 0].xaxis.set_major_formatter(mdates.ConciseDateFormatter(locator))
    rows[-1, 0].set_xlabel("date, UTC")
    return figure


def _panel(axes: Axes, one: Course, fitted: datetime, name: str) -> None:
    axes.set_title(brief(name, 90))
    axes.set_yscale("log")
    first, top = one.means[0].level, 1 + one.margin
    axes.axhspan(first / top, first * top, color=MARGIN_SHADE, lw=0, label="margin around the first fit")
    axes.axhline(first, color=QUIET, lw=0.7)
    line = line_of(one.means)
    if line is not None:
        months = np.linspace(one.means[0].months, one.means[-1].months, STEPS)
        low, high = line.band(months)
        dates = [_date(fitted, month) for month in months]
        axes.fill_between(
            dates, np.exp(low), np.exp(high), color=TREND, alpha=0.16, lw=0, label="95 % interval of the trend"
        )
        dashes = SIDES["after"].line
        axes.plot(dates, np.exp(line.at(months)), color=TREND, ls=dashes, lw=1.5, label="trend through the days")
    _days(axes, one, fitted)
    _passes(axes, one, fitted)
    values = [point.value for point in one.points] + [first / top, first * top]
    ends = [first * end for change in one.changes for end in change.together or ()]
    if line is not None:
        _crossing(axes, one, line, fitted)
        ends += np.exp(line.band([one.means[0].months, one.means[-1].months])).ravel().tolist()
    bottom = max(min(values + ends), min(values) / WIDEST)
    top_end = min(max(values + ends), max(values) * WIDEST)
    axes.set_ylim(bottom / 1.03, top_end * 1.03)
    log_ticks(axes, "y")
    axes.set_ylabel(textwrap.fill(brief(f"{one.label}, {one.unit}", 60), 20))
    axes.grid(axis="y")


def _crossing(axes: Axes, one: Course, line: Line, fitted: datetime) -> None:
    """Where the line has gone as far as the margin, with the part of its interval within the time seen."""
    when, first = one.trend.crossing if one.trend else None, one.means[0].months
    if when is None or when.months is None or not when.seen:
        return
    last = one.means[-1].months - first
    ends = [_date(fitted, first + min(end, last)) for end in (when.earliest_months, when.latest_months or last)]
    level = float(np.exp(line.at(first + when.months)))
    axes.plot(ends, [level, level], color=TREND, lw=2.2, solid_capstyle="butt")
    date = _date(fitted, first + when.months)
    axes.plot(
        date,
        level,
        ls="-",
        marker="s",
        ms=6.5,
        color=TREND,
        mec="white",
        label="trend reaches the margin, 95 % interval",
    )


def _days(axes: Axes, one: Course, fitted: datetime) -> None:
    """Days' means; later ones with the interval of their change, which holds together with all others."""
    first = one.means[0].level
    together = {change.session: change.together for change in one.changes}
    for number, mean in enumerate(one.means):
        interval, date = together.get(mean.session), _date(fitted, mean.months)
        if interval:
            axes.plot([date, date], [first * end for end in interval], color=DAY, lw=1.2)
        name = None if number else "days, intervals that hold together"
        axes.plot(date, mean.level, ls="", marker="D", ms=5.5, color=DAY, label=name)


def _passes(axes: Axes, one: Course, fitted: datetime) -> None:
    """Every pass, in the order driven, to the right of its day."""
    figure = axes.get_figure()
    assert figure is not None
    for mean in one.means:
        day = [point.value for point in one.points if point.session == mean.session]
        step = min(APART_PT, (REACH_PT - BESIDE_PT) / max(1, len(day) - 1))
        for rank, value in enumerate(day):
            aside = ScaledTranslation((BESIDE_PT + rank * step) / 72, 0, figure.dpi_scale_trans)
            axes.plot(
                _date(fitted, mean.months),
                value,
                ls="",
                marker="o",
                ms=4,
                mfc="none",
                mec=PASS,
                mew=0.9,
                transform=axes.transData + aside,
                label="passes, beside their day" if mean is one.means[0] and not rank else None,
            )


def _date(fitted: datetime, months: float) -> float:
    return float(mdates.date2num(fitted + timedelta(seconds=float(months) * MONTH.total_seconds())))
