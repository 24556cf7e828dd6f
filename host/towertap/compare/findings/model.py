"""A finding: what the passes say about one metric on one road, or over all, as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from towertap.compare.caution import Caution
from towertap.compare.road.places import Basis, PassValue
from towertap.compare.stats.contrast import Contrast, Verdict
from towertap.compare.stats.design import About, Overlap
from towertap.compare.stats.part import Source
from towertap.compare.stats.roads import Reading

if TYPE_CHECKING:
    from towertap.bench.sharing import Share


@dataclass(frozen=True)
class Spread:
    """How far installations or days are taken to differ, as a fraction, with `df` degrees of freedom, and whence.

    `overturned_at` is the largest spread with which the verdict about the part would still stand: infinite where the
    design cancels it, None where the verdict is undecided.
    """

    sd: float
    df: float
    source: Source
    overturned_at: float | None


@dataclass(frozen=True)
class PartStatement:
    """What these drives say about the part: the same ratio, with the spread of installations and days in its error.

    `interval` is that of 95 %, `interval_90` the one that equivalence is read from; `standard_error` is of the ratio's
    logarithm, with `df` degrees of freedom, and of it `pass_error` is what passes alone make, with `pass_df`. The
    p-values are raw and after Holm, none smaller than `least_p`. All are None where a contrast's are.
    """

    interval: tuple[float, float] | None
    interval_90: tuple[float, float] | None
    standard_error: float | None
    df: float | None
    pass_error: float | None
    pass_df: float | None
    p_difference: float | None
    p_equivalence: float | None
    p_difference_holm: float | None
    p_equivalence_holm: float | None
    least_p: float
    installation: Spread
    day: Spread


@dataclass(frozen=True)
class OverSmooth:
    """The rough road against the smooth one: `ratio` of ratios with its 95 % interval, `smooth` the smooth road's own.

    `reading` says what that leaves of the change as the rough roads' own.
    """

    ratio: float
    interval: tuple[float, float]
    smooth: float
    smooth_interval: tuple[float, float]
    reading: Reading


@dataclass(frozen=True)
class PassInfluence:
    """What single passes do to a finding: the range of ratios without each, and the passes that a verdict hangs on.

    Those are the passes without which one of the two verdicts is another, the one that moves the ratio most first.
    """

    ratios: tuple[float, float]
    hangs_on: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Finding(Contrast):
    """What the passes say about one metric on one road, or over all rough roads together (`over_all`).

    Two statements, never mixed. The contrast and `on_these_drives` say what these drives showed: the interval over
    their passes, or over all roads their rounds. `part` and `verdict` say what that is about the part, with the spread
    of installations and days that the design did not cancel; `about` what a difference is about, from `overlap`, how
    part, installation, day, order and warmth went together. Verdicts are after Holm's adjustment over the `family`
    findings tested together (those of the `primary` metric, or all others; None where no plan names one, and all are
    one family).

    `margin` is the margin that counts as a fraction, `basis` what the contrast rests on and `whole_because` why not on
    rough places (None where it does; over all, what each road rests on where they differ), `rough_share` the share of
    the road's places that are rough, `whole` the same contrast over whole passes. `block_ratios` are those of each
    block where blocks decide, `p_interaction` asks whether they agree. `bursts` is the number of places left out where
    one pass alone was loud, `loud_passes` those passes, `influence` what single passes do (None where a side has too
    few to spare one). `passes_needed` are the passes a side that would decide an undecided finding 4 times in 5, if
    passes vary as the middle estimate has it, and `assurance` that power averaged over what their spread may be (None
    where decided or out of reach). `noise` is the share of the sensor's own noise in the pass where it is largest (None
    where nobody knows), `not_one_road` why nothing is judged of passes that may be of several roads (None where that is
    no question). `cautions` are what a sceptic must know with it.
    """

    road: str
    over_all: bool
    metric: str
    label: str
    unit: str
    margin: float
    verdict: Verdict
    on_these_drives: Verdict
    about: About
    part: PartStatement
    overlap: Overlap
    over_smooth: OverSmooth | None
    p_difference_holm: float | None
    p_equivalence_holm: float | None
    primary: bool | None
    family: int
    basis: Basis
    whole_because: str | None
    rough_share: float
    whole: Contrast
    block_ratios: tuple[float, ...]
    p_interaction: float | None
    bursts: int
    loud_passes: tuple[str, ...]
    influence: PassInfluence | None
    roads_differ: bool | None
    passes_needed: int | None
    assurance: float | None
    noise: Share | None
    not_one_road: str | None
    before_values: tuple[PassValue, ...]
    after_values: tuple[PassValue, ...]
    cautions: tuple[Caution, ...]
    words: str
