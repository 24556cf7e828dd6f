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
    """How far installations or days are taken to differ, as a fraction, with `df` degrees of freedom and its source.

    `overturned_at` is the largest spread at which the verdict about the part still stands: infinite if the design
    cancels it, None if the verdict is undecided.
    """

    sd: float
    df: float
    source: Source
    overturned_at: float | None


@dataclass(frozen=True, kw_only=True)
class PartStatement:
    """What these drives say about the part: the same ratio, with the spread of installations and days in its error.

    `interval` is the 95 % one, `interval_90` decides equivalence. `standard_error` is of the ratio's logarithm, with
    `df` degrees of freedom; `pass_error`, with `pass_df`, is the passes' share of it. The p-values are raw and after
    Holm, none smaller than `least_p`. All are None when a contrast's are.
    """

    interval: tuple[float, float] | None = None
    interval_90: tuple[float, float] | None = None
    standard_error: float | None = None
    df: float | None = None
    pass_error: float | None = None
    pass_df: float | None = None
    p_difference: float | None = None
    p_equivalence: float | None = None
    p_difference_holm: float | None
    p_equivalence_holm: float | None
    least_p: float
    installation: Spread
    day: Spread


@dataclass(frozen=True)
class OverSmooth:
    """The rough roads against the smooth one: `ratio` of ratios with its 95 % interval; `smooth` is the smooth road's.

    `reading` says how much of the change is the rough roads' own.
    """

    ratio: float
    interval: tuple[float, float]
    smooth: float
    smooth_interval: tuple[float, float]
    reading: Reading


@dataclass(frozen=True)
class PassInfluence:
    """What single passes do to a finding: the range of ratios without each, and the passes that a verdict hangs on.

    Without one of the latter a verdict would be different; the one that moves the ratio most comes first.
    """

    ratios: tuple[float, float]
    hangs_on: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Finding(Contrast):
    """What the passes say about one metric on one road, or over all rough roads together (`over_all`).

    Two statements, never mixed. The contrast and `on_these_drives` say what these drives showed: the interval over
    their passes, or over all roads their rounds. `part` and `verdict` say what that means for the part, with the spread
    of installations and days that the design did not cancel. `about` says what a difference may come from, judged by
    `overlap`: how part, installation, day and order went together. Verdicts are after Holm's adjustment over the
    `family` findings tested together: those of the `primary` metric, or all others (None without a plan: one family).

    `margin` is the margin that counts, as a fraction. `basis` is what the contrast rests on, `whole_because` why not on
    rough places (None if it does; over all, what each road rests on, if they differ), `rough_share` the rough share of
    the road's places, `whole` the same contrast over whole passes. `block_ratios` are those of each block when blocks
    decide, `p_interaction` tests whether they agree. `bursts` is the number of places left out because one pass alone
    was loud, `loud_passes` those passes, `influence` what single passes do (None if a side has too few to spare one).
    `passes_needed` are the passes per side that would decide an undecided finding 4 times in 5, at the middle estimate
    of their spread, and `assurance` that power averaged over what the spread may be (both None if decided or out of
    reach). `noise` is the sensor's own noise in the pass with the largest share (None if unknown). `not_one_road` says
    why passes that may be of several roads are not judged. `cautions` are what a sceptic must know with it.
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
