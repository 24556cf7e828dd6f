"""Allan deviation of a sensor at rest, its confidence limits, and the kinds of noise that the curve shows.

Definitions and degrees of freedom: NIST SP 1065 (Riley 2008), sections 5.2 and 5.4; kinds of noise and their
coefficients: IEEE 952 annex C. Few lines of numpy, so that the host needs no further library for them; the tests hold
them to the published values and to an independent library.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import optimize, stats

from towertap.errors import AnalysisError

Array = NDArray[np.float64]

FEWEST = 32
"""Values that a curve needs at least."""

LARGEST_PART = 4
"""Averaging times reach up to this part of the record: beyond a quarter the deviation has hardly any freedom left."""

CONFIDENCE = 0.95

RARE, SLACK = 1e-3, 1.2
"""A variance whose limits, but for a chance of RARE, do not hold the fit within a factor of SLACK departs from it."""

COUNTED_TWICE = 2.0
"""Octaves of averaging time see partly the same fluctuations: of white noise their degrees of freedom add up to about
twice the number of values, so the standard errors of a fit to all of them are made larger by the root of this."""


@dataclass(frozen=True)
class Noise:
    """One kind of noise: its name, its coefficient's unit, and the Allan variance of a coefficient of 1 over tau (s).

    `freedom(n, m)` are the equivalent degrees of freedom of n phase values at averaging factor m.
    """

    name: str
    unit: str
    variance: Callable[[Array], Array]
    freedom: Callable[[int, Array], Array]


def _white(n: int, m: Array) -> Array:
    return (3 * (n - 1) / (2 * m) - 2 * (n - 2) / n) * 4 * m**2 / (4 * m**2 + 5)


def _flicker(n: int, m: Array) -> Array:
    return np.where(m == 1, 2 * (n - 2) ** 2 / (2.3 * n - 4.9), 5 * n**2 / (4 * m * (n + 3 * m)))


def _random_walk(n: int, m: Array) -> Array:
    return (n - 2) / m * ((n - 1) ** 2 - 3 * m * (n - 1) + 4 * m**2) / (n - 3) ** 2


NOISES = (
    Noise("velocity_random_walk", "m/s/√s", lambda tau: 1 / tau, _white),
    Noise("bias_instability", "m/s²", lambda tau: np.full_like(tau, 2 * np.log(2) / np.pi), _flicker),
    Noise("acceleration_random_walk", "m/s²/√s", lambda tau: tau / 3, _random_walk),
    Noise("ramp", "m/s³", lambda tau: tau**2 / 2, _random_walk),
)
"""In the order in which they rule the curve, from short to long averaging."""


@dataclass(frozen=True, eq=False)
class Curve:
    """Overlapping Allan deviation over averaging time (n,), with its limits at CONFIDENCE."""

    tau_s: Array
    deviation: Array
    low: Array
    high: Array


@dataclass(frozen=True)
class Coefficient:
    """What the curve says of one kind of noise.

    `seen`: it rules the curve somewhere, from and to `tau_s`, and the curve follows the fit up to there; then `value`
    has the `interval`. Otherwise `value` is what the fit needs, often nought, and `bound` the most that the curve
    allows. `follows` is false where the curve is not a sum of these kinds at all: something else moved the sensor.
    """

    name: str
    unit: str
    value: float
    interval: tuple[float, float] | None
    bound: float
    seen: bool
    follows: bool
    tau_s: tuple[float, float] | None


def deviation(values: ArrayLike, factor: int, *, overlapping: bool = True) -> float:
    """Allan deviation of `values` (n,) at `factor` of their spacing, in their unit; n of 2·factor or more.

    NIST SP 1065 equations 7 (plain) and 11 (overlapping), by sums of the values instead of phase.
    """
    total = np.concatenate([[0.0], np.cumsum(np.asarray(values, float))])
    if not 1 <= 2 * factor < total.size:
        raise AnalysisError(f"{total.size - 1} values are too few for an Allan deviation over {factor}: record longer")
    total = total[:: 1 if overlapping else factor]
    step = factor if overlapping else 1
    second = total[2 * step :] - 2 * total[step:-step] + total[: -2 * step]
    return float(np.sqrt(np.mean(second**2) / 2) / factor)


def analyse(values: ArrayLike, interval_s: float) -> tuple[Curve, dict[str, Coefficient]]:
    """The curve of `values` (n,), evenly `interval_s` apart, in m/s², and what it says of each of NOISES.

    Averaging times are octaves up to a quarter of the record. AnalysisError when it is too short.
    """
    series: Array = np.asarray(values, np.float64)
    if series.size < FEWEST:
        raise AnalysisError(
            f"{series.size * interval_s:.3g} s at rest are too short for an Allan deviation: record longer"
        )
    series = series - series.mean()  # of no effect on the deviation, but the sums stay small
    factors = 2 ** np.arange(int(np.log2(series.size // LARGEST_PART)) + 1)
    tau_s: Array = factors * np.float64(interval_s)
    variance = np.array([deviation(series, int(m)) for m in factors]) ** 2
    if not variance.all():
        raise AnalysisError("the samples never change, so they carry no noise: the axis is dead")
    freedom, powers, errors = _fit(variance, tau_s, factors.astype(np.float64), series.size + 1)
    tail = (1 - CONFIDENCE) / 2
    low = variance * freedom / stats.chi2.isf(tail, freedom)
    high = variance * freedom / stats.chi2.ppf(tail, freedom)
    terms = _terms(tau_s)
    ruling = (terms * powers).argmax(axis=1)
    ratio = terms @ powers / variance
    departs = (ratio * stats.chi2.isf(RARE / 2, freedom) < freedom / SLACK) | (
        ratio * stats.chi2.ppf(RARE / 2, freedom) > freedom * SLACK
    )
    coefficients = {}
    for k, noise in enumerate(NOISES):
        where, value = np.flatnonzero(ruling == k), float(np.sqrt(powers[k]))
        error = stats.norm.ppf(1 - tail) * errors[k]
        # A departure at shorter times, where the weights are largest, pulls the whole fit after it.
        follows = not bool(departs[: where[-1] + 1].any()) if where.size else not bool(departs.any())
        seen = bool(where.size and follows and powers[k] > error)
        coefficients[noise.name] = Coefficient(
            noise.name,
            noise.unit,
            value,
            (float(np.sqrt(powers[k] - error)), float(np.sqrt(powers[k] + error))) if seen else None,
            float(np.sqrt((high / terms[:, k]).min())),
            seen,
            follows,
            (float(tau_s[where[0]]), float(tau_s[where[-1]])) if seen else None,
        )
    return Curve(tau_s, np.sqrt(variance), np.sqrt(low), np.sqrt(high)), coefficients


def modelled(coefficients: dict[str, Coefficient], tau_s: Array) -> Array:
    """The deviation over `tau_s` (n,) that the coefficients together stand for."""
    powers = np.array([coefficients[noise.name].value ** 2 for noise in NOISES])
    deviation: Array = np.sqrt(_terms(tau_s) @ powers)
    return deviation


def _terms(tau_s: Array) -> Array:
    """Allan variance of a coefficient of 1 of each of NOISES, (n, 4)."""
    return np.stack([noise.variance(tau_s) for noise in NOISES], axis=1)


def _fit(variance: Array, tau_s: Array, factors: Array, n: int) -> tuple[Array, Array, Array]:
    """Degrees of freedom (n,), and the squared coefficients (4,) with their standard errors.

    The variances add, so this is least squares with no coefficient below nought. Each point counts by its own
    uncertainty, which follows from the fit (weights from the data would favour points that came out low): repeated.
    """
    terms, model = _terms(tau_s), variance
    freedom = np.maximum(NOISES[0].freedom(n, factors), 1.0)
    for _ in range(4):
        spread = model * np.sqrt(2 / freedom)
        powers, _residual = optimize.nnls(terms / spread[:, None], variance / spread)
        model = terms @ powers
        ruling = (terms * powers).argmax(axis=1)
        choices = np.stack([noise.freedom(n, factors) for noise in NOISES])
        freedom = np.maximum(choices[ruling, np.arange(len(factors))], 1.0)
    active = powers > 0
    weighted = terms[:, active] / (model * np.sqrt(2 / freedom))[:, None]
    scale = np.linalg.norm(weighted, axis=0)  # the terms differ by many decades
    errors = np.zeros(len(NOISES))
    covariance = COUNTED_TWICE * np.linalg.inv((weighted / scale).T @ (weighted / scale))
    errors[active] = np.sqrt(np.diag(covariance)) / scale
    return freedom, powers, errors
