"""The mixed model: fittings of a part counted as drawn at random, beside the analysis by block that decides.

The analysis by block takes its error from the passes; this one asks what would come out if the parts were fitted anew.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from towertap.compare.stats.effect import Effect

STARTS = (1.0, 0.37, 2.71, 0.05)
"""Variances, in residual ones, that the search starts from in turn: from some it runs into a singular matrix."""
FEWEST_BLOCKS = 3
"""With fewer the fittings of a part are not told apart from it."""
NO_VARIANCE = 1e-6
"""A component below this part of the residual variance is at its bound, zero."""


@dataclass(frozen=True)
class Mixed:
    """What the mixed model gives: the ratio of the parts, its 95 % interval, `df` degrees of freedom and p-values.

    `fitting_spread` is the standard deviation of the logarithm from fitting to fitting of one part, `pass_spread` that
    from pass to pass of one fitting.
    """

    ratio: float
    interval: tuple[float, float]
    df: float
    p_difference: float
    p_equivalence: float
    fitting_spread: float
    pass_spread: float


def mixed(
    logs: NDArray[np.float64],
    part: NDArray[np.float64],
    block: NDArray[np.int64],
    fitting: NDArray[np.int64],
    plain: Effect,
    margin: float,
) -> Mixed | None:
    """Fit log figure = part + random block + random fitting + error by REML; all arguments (n,), `part` 0 or 1.

    `plain` is the additive estimate of the same passes. With few blocks a normal interval is far too short, so it is
    that of t: with blocks − 1 degrees of freedom, those between the fittings of a part within blocks, which is exact
    where as many passes stand in each fitting and every fitting in a block of its own. Where the fittings' variance
    comes out as zero, or each was driven over once, so that it cannot be told from the passes', the additive estimate
    stands in with the same few degrees of freedom: so few blocks do not show that fittings are all alike
    (`tests/compare/fitting_spread.py` has how often the interval holds). None where no fit is found, and with two
    blocks, which leave one degree of freedom and tell nothing.
    """
    count = np.unique(block).size
    if count < FEWEST_BLOCKS:
        return None
    alike = replace(plain, df=float(count - 1))
    cells = np.unique(np.column_stack([block, part]), axis=0).shape[0]
    if cells == logs.size:
        return _held(alike, 0.0, plain.spread, margin)
    found = _fit(logs / plain.spread, part, (block, fitting))
    if found is None:
        return None
    residual, (_, between) = found.scale, found.vcomp
    if between < NO_VARIANCE * residual:
        return _held(alike, 0.0, plain.spread, margin)
    before, difference = found.fe_params * plain.spread
    error = float(found.bse_fe[1]) * plain.spread
    pass_spread = float(np.sqrt(residual)) * plain.spread
    held = Effect(float(before), float(before + difference), error, alike.df, pass_spread)
    return _held(held, float(np.sqrt(between)) * plain.spread, pass_spread, margin)


def _held(effect: Effect, fitting_spread: float, pass_spread: float, margin: float) -> Mixed:
    return Mixed(
        ratio=float(np.exp(effect.difference)),
        interval=effect.interval(),
        df=effect.df,
        p_difference=effect.p_difference(),
        p_equivalence=effect.p_equivalence(margin),
        fitting_spread=fitting_spread,
        pass_spread=pass_spread,
    )


def _fit(values: NDArray[np.float64], part: NDArray[np.float64], random: Sequence[NDArray[np.int64]]) -> Any:
    """The statsmodels results, variance components in the order of `random`; None where nothing converges.

    Powell's search needs no slope, and so comes to rest at a variance of zero, where the others wander about.
    """
    from statsmodels.regression.mixed_linear_model import (  # slow to load, and few comparisons need it
        MixedLM,
        MixedLMParams,
        VCSpec,
    )

    columns = [(levels[:, None] == np.unique(levels)).astype(float) for levels in random]
    names = [str(number) for number in range(len(columns))]
    spec = VCSpec(
        names,
        [[[f"{name}.{i}" for i in range(z.shape[1])]] for name, z in zip(names, columns, strict=True)],
        [[z] for z in columns],
    )
    fixed = np.column_stack([np.ones(part.size), part])
    model = MixedLM(values, fixed, groups=np.zeros(part.size), exog_vc=spec)
    for start in STARTS:
        first = MixedLMParams.from_components(fe_params=np.zeros(2), vcomp=np.full(len(columns), start))
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")  # a variance at its bound is usual with so few fittings, and is dealt with
            try:
                found = model.fit(reml=True, start_params=first, method=["powell"], ftol=1e-10)
            except np.linalg.LinAlgError:
                continue
            if found.converged and np.isfinite(found.bse_fe).all():
                return found
    return None
