"""The gate: which stretches of a rough road are rough, judged by the smooth road, and where that judgement misleads.

By place, the gate picks the stretches where all passes together were over the threshold, the same in every pass.

By windows, the simple gate, each pass picks its own, and so selects on the outcome. When a change lifts more windows
over the threshold, the newly kept ones are mild, so the mean of the kept ones moves less than the road did, or the
wrong way. In simulation with a true change of 10 %, a gate that kept 95 % of the windows showed 9.5 %, one that kept
87 % showed 8 %, one that kept 58 % showed under 6 % (`tests/compare/test_gate.py`). So the kept share of every pass is
shown, and the simple gate decides only where it hardly cuts and cuts both sides alike.

Where neither gate can decide, the finding rests on whole passes, which have no such bias.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from towertap.compare.effect import standard_error
from towertap.compare.model import Basis, Drives, Gate, KeptShare, Pass, PassFigure
from towertap.compare.places import Places
from towertap.compare.statistics import box, energy_mean
from towertap.errors import AnalysisError

MOSTLY_KEPT = 0.90
"""Least mean kept share, over both sides together, with which the gate decides; it does not know the sides apart."""
LARGE_STEP, SMALL_STEP = 0.10, 0.02
"""Mean kept shares of the sides that differ by more than the large step always warn, by less than the small never."""
STEP_ALPHA = 0.05
"""Between the two steps: warn where the difference is more than the passes' own spread explains (Welch)."""

FEWEST_PLACES = 5
"""With fewer rough places than these the finding rests on whole passes."""


@dataclass(frozen=True, eq=False)
class Gated:
    """What a gate leaves of the passes over one road in one metric; each tuple is (before, after).

    `figures` are the pass figures, `values` the r.m.s. of the windows or places that the finding rests on.
    """

    basis: Basis
    figures: tuple[list[PassFigure], list[PassFigure]]
    values: tuple[NDArray[np.float64], NDArray[np.float64]]
    share: KeptShare


def set_gate(drives: Drives, metric: str, quantile: float) -> Gate:
    """The threshold of one metric: the quantile of the smooth road's windows pooled over both sides."""
    sides = [window_values(drives.of(drives.smooth, side), metric) for side in ("before", "after")]
    pooled = np.concatenate(sides)
    if not pooled.size:
        raise AnalysisError(
            f"no window of the smooth road '{drives.smooth}' has a {metric}: the gate needs a sound pass"
        )
    return Gate(
        metric=metric,
        quantile=quantile,
        threshold=float(np.quantile(pooled, quantile)),
        windows=pooled.size,
        before_box=box(sides[0]),
        after_box=box(sides[1]),
    )


def window_values(passes: Sequence[Pass], metric: str, above: float = -np.inf) -> NDArray[np.float64]:
    """The windows of some passes in one metric, those above a threshold, joined to one array (n,)."""
    return np.concatenate([np.empty(0), *(kept(one, metric, above) for one in passes)])


def kept(one: Pass, metric: str, above: float = -np.inf) -> NDArray[np.float64]:
    """The windows of one pass that lie above a threshold, (n,), in the metric's unit; windows without a figure drop."""
    values = one.windows[metric].to_numpy(float)
    return values[np.isfinite(values) & (values > above)]


def gate_windows(
    sides: tuple[Sequence[Pass], Sequence[Pass]], metric: str, threshold: float, parts: tuple[str, str]
) -> Gated:
    """Gate each pass by its own windows, or not at all where that misleads."""
    before, after = ([pass_figure(one, metric, threshold) for one in side] for side in sides)
    share = kept_share(before, after, parts)
    values = (window_values(sides[0], metric, threshold), window_values(sides[1], metric, threshold))
    if share.warning is None:
        return Gated("rough windows", (before, after), values, share)
    return Gated("whole passes", (_by_whole(before), _by_whole(after)), values, share)


def gate_places(places: Places, sides: tuple[Sequence[Pass], Sequence[Pass]], metric: str, threshold: float) -> Gated:
    """Gate all passes over one road by the places that are rough over all of them together.

    Where the passes could not be aligned or too few places are rough, every window is kept.
    """
    rough = rough_places(places, metric, threshold)
    before, after = ([rough.figure(one) for one in side] for side in sides)
    values = (rough.values(sides[0]), rough.values(sides[1]))
    return Gated(rough.basis, (before, after), values, KeptShare(rough.share, rough.share, None, rough.warning))


@dataclass(frozen=True, eq=False)
class RoughPlaces:
    """The rough places of one road in one metric: `at` holds the r.m.s. there by pass, `count` all its places.

    `share` is how many of the places are rough, 0 to 1. Where `warning` says why there are none to rest on, `at` is
    empty, and whole passes stand in.
    """

    metric: str
    at: dict[str, NDArray[np.float64]]
    count: int
    share: float
    warning: str | None

    @property
    def basis(self) -> Basis:
        """What figures by these places rest on."""
        return "whole passes" if self.warning else "rough places"

    def figure(self, one: Pass) -> PassFigure:
        """One pass's figure over the rough places."""
        whole = pass_figure(one, self.metric, -np.inf)
        if self.warning:
            return whole
        values = self.at[one.name]
        gated = energy_mean(values)
        return replace(whole, windows=self.count, kept=values.size, gated=gated, figure=gated)

    def values(self, passes: Sequence[Pass]) -> NDArray[np.float64]:
        """What the figures of some passes rest on, places or windows, joined to one array (n,)."""
        if self.warning:
            return window_values(passes, self.metric)
        return np.concatenate([self.at[one.name] for one in passes])


def rough_places(places: Places, metric: str, threshold: float) -> RoughPlaces:
    """The places where all passes together, by geometric mean, are over the threshold, whatever was fitted or when."""
    found = places.figures(metric)
    rough = is_rough(found, threshold)
    warning = places.alignment.warning
    if warning is None and rough.sum() < FEWEST_PLACES:
        warning = f"only {rough.sum()} of {rough.size} places are over the gate"
    if warning is not None:
        return RoughPlaces(metric, {}, rough.size, 1.0, warning)
    at = {one.name: row[rough] for one, row in zip(places.passes, found, strict=True)}
    return RoughPlaces(metric, at, rough.size, float(rough.mean()), None)


def is_rough(figures: NDArray[np.float64], threshold: float) -> NDArray[np.bool_]:
    """Which places (m,) are over the threshold by the geometric mean of the passes' figures (n, m) there."""
    if not figures.size:
        return np.zeros(0, bool)
    rough: NDArray[np.bool_] = np.exp(np.log(figures).mean(axis=0)) > threshold
    return rough


def _by_whole(figures: list[PassFigure]) -> list[PassFigure]:
    return [replace(one, figure=one.whole) for one in figures]


def pass_figure(one: Pass, metric: str, threshold: float) -> PassFigure:
    """Bring one pass to one figure, over its kept windows and over all; `figure` starts as the gated one."""
    every, gated = kept(one, metric), kept(one, metric, threshold)
    whole = energy_mean(every)
    if not whole > 0:
        raise AnalysisError(
            f"capture '{one.name}' has no {metric} to compare ({'zero throughout' if every.size else 'no window'}): "
            "leave the capture or the metric out"
        )
    return PassFigure(
        capture=one.name,
        pass_number=one.conditions.pass_number,
        windows=every.size,
        kept=gated.size,
        gated=energy_mean(gated),
        whole=whole,
        figure=energy_mean(gated),
    )


def kept_share(before: Sequence[PassFigure], after: Sequence[PassFigure], parts: tuple[str, str]) -> KeptShare:
    """Hold the two sides' kept shares against each other; the rule is the constants at the head of this module."""
    shares = [np.array([figure.share for figure in side]) for side in (before, after)]
    means = [float(side.mean()) for side in shares]
    step = abs(means[1] - means[0])
    p = None
    if min(side.size for side in shares) > 1 and step > 0:
        error, df = standard_error(*shares)
        p = float(2 * stats.t.sf(step / error, df)) if error > 0 else 0.0
    empty = [figure.capture for figure in (*before, *after) if not figure.kept]
    warning = None
    if empty:
        others = len(empty) - 2
        more = f" and {others} more pass{'' if others == 1 else 'es'}" if others > 0 else ""
        warning = f"not one window of {', '.join(empty[:2])}{more} is over the gate"
    elif step > LARGE_STEP or (step > SMALL_STEP and p is not None and p < STEP_ALPHA):
        more = f"{_percent(means[1])} with {parts[1]}"
        warning = f"the gate keeps {_percent(means[0])} of the windows with {parts[0]} and {more}"
    elif sum(means) / 2 < MOSTLY_KEPT:
        warning = f"the gate keeps only {_percent(sum(means) / 2)} of the windows"
    return KeptShare(before=means[0], after=means[1], p=p, warning=warning)


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
