"""Allan deviation of a sensor at rest, its confidence limits, and the kinds of noise that the curve shows.

Definitions: NIST SP 1065 (Riley 2008), sections 5.2 and 5.4; kinds of noise and their coefficients: IEEE 952 annex C.
Deviation and degrees of freedom (Greenhall and Riley 2003) are allantools'. Its memory is some five times the series,
which is of means over 10 ms: 15 MB an hour.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from towertap.errors import AnalysisError
from towertap.lazily import allantools

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
class NoiseKind:
    """Its name, its coefficient's unit, the exponent of frequency in its density, its Allan variance over tau (s)."""

    name: str
    unit: str
    exponent: int
    variance: Callable[[Array], Array]
    """Of a coefficient of 1."""


KINDS = (
    NoiseKind("velocity_random_walk", "m/s/√s", 0, lambda tau: 1 / tau),
    NoiseKind("bias_instability", "m/s²", -1, lambda tau: np.full_like(tau, 2 * np.log(2) / np.pi)),
    NoiseKind("acceleration_random_walk", "m/s²/√s", -2, lambda tau: tau / 3),
    NoiseKind("ramp", "m/s³", -2, lambda tau: tau**2 / 2),  # no noise; the nearest kind's degrees of freedom
)
"""In the order in which they rule the curve, from short to long averaging."""


@dataclass(frozen=True, eq=False)
class AllanCurve:
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


def analyse(values: ArrayLike, interval_s: float) -> tuple[AllanCurve, dict[str, Coefficient]]:
    """The curve of `values` (n,), evenly `interval_s` apart, in m/s², and what it says of each of KINDS.

    Averaging times are octaves up to a quarter of the record. AnalysisError when it is too short.
    """
    series: Array = np.asarray(values, np.float64)
    if series.size < FEWEST:
        raise AnalysisError(
            f"{series.size * interval_s:.3g} s at rest are too short for an Allan deviation: record longer"
        )
    factors = 2 ** np.arange(int(np.log2(series.size // LARGEST_PART)) + 1)
    tau_s: Array = factors * np.float64(interval_s)
    # Less the mean, which is of no effect on the deviation, the sums stay small.
    variance = allantools.oadev(series - series.mean(), data_type="freq", taus=factors)[1] ** 2
    if not variance.all():
        raise AnalysisError("the samples never change, so they carry no noise: the axis is dead")
    choices = np.array(
        [
            [allantools.edf_greenhall(kind.exponent, 2, int(m), series.size + 1, overlapping=True) for m in factors]
            for kind in KINDS
        ]
    )
    freedom, powers, errors = _fit(variance, tau_s, np.maximum(choices, 1.0))
    tail = (1 - CONFIDENCE) / 2
    low = variance * freedom / scipy.stats.chi2.isf(tail, freedom)
    high = variance * freedom / scipy.stats.chi2.ppf(tail, freedom)
    terms = _terms(tau_s)
    ruling = (terms * powers).argmax(axis=1)
    ratio = terms @ powers / variance
    departs = (ratio * scipy.stats.chi2.isf(RARE / 2, freedom) < freedom / SLACK) | (
        ratio * scipy.stats.chi2.ppf(RARE / 2, freedom) > freedom * SLACK
    )
    coefficients = {}
    for k, kind in enumerate(KINDS):
        where, value = np.flatnonzero(ruling == k), float(np.sqrt(powers[k]))
        error = scipy.stats.norm.ppf(1 - tail) * errors[k]
        # A departure at shorter times, where the weights are largest, pulls the whole fit after it.
        follows = not departs[: where[-1] + 1 if where.size else None].any()
        seen = bool(where.size and follows and powers[k] > error)
        coefficients[kind.name] = Coefficient(
            kind.name,
            kind.unit,
            value,
            (float(np.sqrt(powers[k] - error)), float(np.sqrt(powers[k] + error))) if seen else None,
            float(np.sqrt((high / terms[:, k]).min())),
            seen,
            follows,
            (float(tau_s[where[0]]), float(tau_s[where[-1]])) if seen else None,
        )
    return AllanCurve(tau_s, np.sqrt(variance), np.sqrt(low), np.sqrt(high)), coefficients


def modelled(coefficients: dict[str, Coefficient], tau_s: Array) -> Array:
    """The deviation over `tau_s` (n,) that the coefficients together stand for."""
    powers = np.array([coefficients[kind.name].value ** 2 for kind in KINDS])
    deviation: Array = np.sqrt(_terms(tau_s) @ powers)
    return deviation


def _terms(tau_s: Array) -> Array:
    """Allan variance of a coefficient of 1 of each of KINDS, (n, 4)."""
    return np.stack([kind.variance(tau_s) for kind in KINDS], axis=1)


def _fit(variance: Array, tau_s: Array, choices: Array) -> tuple[Array, Array, Array]:
    """Degrees of freedom (n,), and the squared coefficients (4,) with their standard errors.

    The variances add, so this is least squares with no coefficient below nought. Each point counts by its own
    uncertainty, which follows from the fit (weights from the data would favour points that came out low): repeated.
    `choices` (4, n) are the degrees of freedom for each kind that may rule.
    """
    terms, model, freedom = _terms(tau_s), variance, choices[0]
    for _ in range(4):
        spread = model * np.sqrt(2 / freedom)
        powers, _residual = scipy.optimize.nnls(terms / spread[:, None], variance / spread)
        model = terms @ powers
        freedom = np.take_along_axis(choices, (terms * powers).argmax(axis=1)[None], axis=0)[0]
    active = powers > 0
    weighted = terms[:, active] / (model * np.sqrt(2 / freedom))[:, None]
    scale = np.linalg.norm(weighted, axis=0)  # the terms differ by many decades
    errors = np.zeros(len(KINDS))
    covariance = COUNTED_TWICE * np.linalg.inv((weighted / scale).T @ (weighted / scale))
    errors[active] = np.sqrt(np.diag(covariance)) / scale
    return freedom, powers, errors
