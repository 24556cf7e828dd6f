"""Allan deviation of a sensor at rest, its confidence limits, and the kinds of noise that the curve shows.

Definitions: NIST SP 1065 (Riley 2008), sections 5.2 and 5.4; kinds of noise and their coefficients: IEEE 952 annex C.
allantools computes deviation and degrees of freedom (Greenhall and Riley 2003), in about five times the memory of the
series: 15 MB per hour of means over 10 ms.
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
"""Fewest values for a curve."""

LARGEST_PART = 4
"""Averaging times go up to 1/4 of the record. Beyond, the deviation has hardly any degrees of freedom."""

CONFIDENCE = 0.95

RARE, SLACK = 1e-3, 1.2
"""A variance departs from the fit if its limits at confidence 1 − RARE exclude the fit by more than a factor SLACK."""

COUNTED_TWICE = 2.0
"""Octaves of averaging time partly share fluctuations: for white noise their degrees of freedom add up to about twice
the number of values. So the variances of the fitted coefficients are multiplied by this."""


@dataclass(frozen=True)
class NoiseKind:
    """One kind of noise; `exponent` is that of frequency in its density."""

    name: str
    unit: str
    """Of its coefficient."""
    exponent: int
    variance: Callable[[Array], Array]
    """Allan variance over tau (s) for a coefficient of 1."""


KINDS = (
    NoiseKind("velocity_random_walk", "m/s/√s", 0, lambda tau: 1 / tau),
    NoiseKind("bias_instability", "m/s²", -1, lambda tau: np.full_like(tau, 2 * np.log(2) / np.pi)),
    NoiseKind("acceleration_random_walk", "m/s²/√s", -2, lambda tau: tau / 3),
    NoiseKind("ramp", "m/s³", -2, lambda tau: tau**2 / 2),  # not noise; it uses the nearest kind's degrees of freedom
)
"""In the order in which they dominate the curve, from short to long averaging."""


@dataclass(frozen=True, eq=False)
class AllanCurve:
    """Overlapping Allan deviation over averaging time (n,), with limits at CONFIDENCE."""

    tau_s: Array
    deviation: Array
    low: Array
    high: Array


@dataclass(frozen=True)
class Coefficient:
    """What the curve shows about one kind of noise.

    `seen`: it dominates the curve over the range `tau_s`, and the curve follows the fit up to there. Then `interval` is
    that of `value`. Otherwise `value` is what the fit needs, often zero, and `bound` the most that the curve allows.
    `follows` is false if the curve is not a sum of these kinds: something else moved the sensor.
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
    """The curve of `values` (n,) in m/s², `interval_s` apart, and the coefficient of each of KINDS by name.

    Averaging times are octaves up to a quarter of the record. AnalysisError if it is too short or never changes.
    """
    series: Array = np.asarray(values, np.float64)
    if series.size < FEWEST:
        raise AnalysisError(
            f"{series.size * interval_s:.3g} s at rest are too short for an Allan deviation: record longer"
        )
    factors = 2 ** np.arange(int(np.log2(series.size // LARGEST_PART)) + 1)
    tau_s: Array = factors * np.float64(interval_s)
    # The mean does not affect the deviation; without it the sums stay small.
    variance = allantools.oadev(series - series.mean(), data_type="freq", taus=factors)[1] ** 2
    if not variance.all():
        raise AnalysisError("the samples never change, so they carry no noise: the axis is dead")
    freedoms = [
        [allantools.edf_greenhall(kind.exponent, 2, int(m), series.size + 1, overlapping=True) for m in factors]
        for kind in KINDS
    ]
    freedom, powers, errors = _fit(variance, tau_s, np.maximum(freedoms, 1.0))
    tail = (1 - CONFIDENCE) / 2
    low = variance * freedom / scipy.stats.chi2.isf(tail, freedom)
    high = variance * freedom / scipy.stats.chi2.ppf(tail, freedom)
    terms = _terms(tau_s)
    dominant = (terms * powers).argmax(axis=1)
    ratio = terms @ powers / variance
    departs = (ratio * scipy.stats.chi2.isf(RARE / 2, freedom) < freedom / SLACK) | (
        ratio * scipy.stats.chi2.ppf(RARE / 2, freedom) > freedom * SLACK
    )
    coefficients = {}
    for k, kind in enumerate(KINDS):
        places = np.flatnonzero(dominant == k)
        error = scipy.stats.norm.ppf(1 - tail) * errors[k]
        # A departure at shorter times, where the weights are largest, distorts the entire fit.
        follows = not departs[: places[-1] + 1 if places.size else None].any()
        seen = bool(places.size and follows and powers[k] > error)
        coefficients[kind.name] = Coefficient(
            kind.name,
            kind.unit,
            float(np.sqrt(powers[k])),
            (float(np.sqrt(powers[k] - error)), float(np.sqrt(powers[k] + error))) if seen else None,
            float(np.sqrt((high / terms[:, k]).min())),
            seen,
            follows,
            (float(tau_s[places[0]]), float(tau_s[places[-1]])) if seen else None,
        )
    return AllanCurve(tau_s, np.sqrt(variance), np.sqrt(low), np.sqrt(high)), coefficients


def modelled(coefficients: dict[str, Coefficient], tau_s: Array) -> Array:
    """The deviation (n,) at `tau_s` (n,) according to the coefficients."""
    powers = np.array([coefficients[kind.name].value ** 2 for kind in KINDS])
    deviation: Array = np.sqrt(_terms(tau_s) @ powers)
    return deviation


def _terms(tau_s: Array) -> Array:
    """Allan variance of each of KINDS for a coefficient of 1, (n, 4)."""
    return np.stack([kind.variance(tau_s) for kind in KINDS], axis=1)


def _fit(variance: Array, tau_s: Array, freedoms: Array) -> tuple[Array, Array, Array]:
    """Degrees of freedom (n,), and the squared coefficients (4,) with their standard errors.

    Variances add, so this is non-negative least squares. Each point is weighted by its uncertainty according to the
    fit, so the fit is repeated; weights from the data would favour points that came out low. `freedoms` (4, n) are the
    degrees of freedom if that kind dominates.
    """
    terms, model, freedom = _terms(tau_s), variance, freedoms[0]
    for _ in range(4):
        spread = model * np.sqrt(2 / freedom)
        powers, _residual = scipy.optimize.nnls(terms / spread[:, None], variance / spread)
        model = terms @ powers
        freedom = freedoms[(terms * powers).argmax(axis=1), np.arange(tau_s.size)]
    active = powers > 0
    weighted = terms[:, active] / (model * np.sqrt(2 / freedom))[:, None]
    scale = np.linalg.norm(weighted, axis=0)  # the terms differ by many decades
    errors = np.zeros(len(KINDS))
    covariance = COUNTED_TWICE * np.linalg.inv((weighted / scale).T @ (weighted / scale))
    errors[active] = np.sqrt(np.diag(covariance)) / scale
    return freedom, powers, errors
