"""A finding: what the passes say about one metric on one road, as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from towertap.compare.road.rough import Basis, PassValue
from towertap.compare.stats.blocks import Blocked
from towertap.compare.stats.ratio import Contrast
from towertap.compare.stats.effect import Blocks

if TYPE_CHECKING:
    from towertap.bench.sharing import Share

Verdict = Literal["harsher", "gentler", "equivalent", "undecided"]


@dataclass(frozen=True, kw_only=True)
class Finding(Contrast):
    """What the passes say about one metric on one road.

    `margin` is the margin that counts as a fraction (0.10: ratios of 1/1.10 to 1.10 do not count), `basis` what the
    contrast rests on and `whole_because` why on whole passes (None where not), `rough_share` the share of the road's
    places that are rough, `whole` the same contrast over whole passes. `p_…_holm` are the p-values adjusted over the
    `family` findings tested together (those of the `primary` metric, or all others; None where the plan names none,
    and all are one family), `passes_needed` the passes a side that would most likely decide an undecided finding (None
    where decided or out of reach), `blocked` what blocks add where the contrast is by block (else None), `noise` the
    share of the sensor's own noise in the pass where it is largest (None where nobody knows), `words` a paragraph for
    the customer, `cautions` what a sceptic must know with it. The verdict reads from the metric's side: `harsher` is
    more of it, `gentler` less.
    """

    road: str
    metric: str
    label: str
    unit: str
    margin: float
    verdict: Verdict
    words: str
    cautions: tuple[str, ...]
    primary: bool | None
    family: int
    basis: Basis
    whole_because: str | None
    rough_share: float
    whole: Contrast
    p_difference_holm: float | None
    p_equivalence_holm: float | None
    passes_needed: int | None
    blocked: Blocked | None
    noise: Share | None
    before_values: tuple[PassValue, ...]
    after_values: tuple[PassValue, ...]

    @property
    def blocks(self) -> Blocks | None:
        """The block of each pass, before and after, None where the contrast is not by block."""
        return self.blocked.blocks if self.blocked else None

    @property
    def values(self) -> tuple[list[float], list[float]]:
        """The values of the passes that the finding rests on, before and after."""
        before, after = ([drive.value for drive in side] for side in (self.before_values, self.after_values))
        return before, after
