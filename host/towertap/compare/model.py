"""What a comparison is made of, as plain data: passes in, findings out; the rest of the room stands on it."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from towertap.archive.record import CAPTURE
from towertap.compare.blocks import Blocked
from towertap.compare.effect import Blocks
from towertap.signals.knocks import Knock

if TYPE_CHECKING:
    from towertap.bench.carried import BenchSummary
    from towertap.bench.sharing import Share
    from towertap.capture.conditions import Conditions
    from towertap.capture.integrity import Integrity
    from towertap.capture.speed_log import SpeedLog

Side = Literal["before", "after"]
Verdict = Literal["harsher", "gentler", "equivalent", "undecided"]
GateKind = Literal["places", "windows"]
Basis = Literal["rough places", "rough windows", "whole passes"]


def name_of(capture: Path) -> str:
    """A capture's file name without its suffix, or in an archive, where all have one name, its recording's."""
    return capture.parent.name if capture.name == CAPTURE else capture.stem


@dataclass(frozen=True)
class Quantity:
    """A metric as people meet it: `name` is its column in a window table, `label` its words, `unit` its unit."""

    name: str
    label: str
    unit: str


@dataclass(frozen=True, eq=False)
class Pass:
    """One drive over one road with one part fitted: the unit of every inference.

    `windows` has one row a window of 1 s, the columns `piece`, `start_s` and one per metric (r.m.s. in the metric's
    unit); `cells` is the same over windows of a tenth of a second, by which passes are aligned and cut into places.
    `whole` holds the figures of the whole capture by metric name. `path` is the capture they came from. `noise`,
    `beyond`, `bench` and `to_vehicle` are what the bench says of them, as in an analysis. `started` is when the
    recording began, None where the capture does not know; `knocks` what was heard, by the time from the capture's first
    sample, None where the rate is too low to listen; `speed` the speed driven, by time from the capture's start, None
    where no log covers the pass.
    """

    path: Path
    side: Side
    conditions: Conditions
    integrity: Integrity
    windows: pd.DataFrame
    cells: pd.DataFrame
    whole: dict[str, float]
    noise: dict[str, Share] = field(default_factory=dict)
    beyond: dict[str, str] = field(default_factory=dict)
    bench: BenchSummary | None = None
    to_vehicle: NDArray[np.float64] = field(default_factory=lambda: np.eye(3))
    started: datetime | None = None
    knocks: tuple[Knock, ...] | None = None
    speed: SpeedLog | None = None

    @property
    def name(self) -> str:
        """The capture's name."""
        return name_of(self.path)

    @property
    def road(self) -> str:
        """The road driven, as written down before the drive."""
        return self.conditions.road


@dataclass(frozen=True)
class Excluded:
    """A capture that was left out of the comparison, by file name without suffix, and why, in one line."""

    capture: str
    reason: str


@dataclass(frozen=True, eq=False)
class Drives:
    """All passes that a comparison rests on; `before` and `after` name the parts, `smooth` the reference road."""

    folder: Path
    before: str
    after: str
    smooth: str
    quantities: tuple[Quantity, ...]
    passes: tuple[Pass, ...]
    excluded: tuple[Excluded, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def rough_roads(self) -> tuple[str, ...]:
        """Every road but the smooth one, in the order of the alphabet."""
        return tuple(sorted({one.road for one in self.passes} - {self.smooth}))

    @property
    def first(self) -> Side | None:
        """The side whose every pass was driven before every pass of the other; None when mixed or not known."""
        before, after = (
            [one.started for one in self.passes if one.side == side and one.started] for side in ("before", "after")
        )
        if not (before and after) or len(before) + len(after) < len(self.passes):
            return None
        return "before" if max(before) < min(after) else "after" if max(after) < min(before) else None

    def of(self, road: str, side: Side | None = None) -> tuple[Pass, ...]:
        """The passes over one road, of one side or of both, in driving order (pass number, then name)."""
        chosen = [one for one in self.passes if one.road == road and side in (None, one.side)]
        return tuple(sorted(chosen, key=lambda one: (one.side == "after", one.conditions.pass_number or 0, one.name)))


@dataclass(frozen=True)
class Box:
    """The numbers of one box plot over windows; whiskers end at the last value within 1.5 interquartile ranges."""

    n: int
    median: float
    q1: float
    q3: float
    whisker_low: float
    whisker_high: float
    outliers: tuple[float, ...]


@dataclass(frozen=True)
class PassFigure:
    """One pass in one finding, as a point over the box plot.

    `windows` are all its windows of 1 s, or all places of the road where passes are gated by place, `kept` those that
    are rough. `gated` is the r.m.s. over the ones kept (not a number when none was), `whole` that over the whole pass,
    `figure` the one of the two that the finding rests on.
    """

    capture: str
    pass_number: int | None
    windows: int
    kept: int
    gated: float
    whole: float
    figure: float

    @property
    def share(self) -> float:
        """Kept share of this pass's windows or places, 0 to 1."""
        return self.kept / self.windows


@dataclass(frozen=True)
class Gate:
    """The threshold of one metric: a quantile of the smooth road's windows, pooled over both parts.

    `before_box` and `after_box` are the smooth road's own windows, None where a side did not drive it.
    """

    metric: str
    quantile: float
    threshold: float
    windows: int
    before_box: Box | None
    after_box: Box | None


@dataclass(frozen=True)
class KeptShare:
    """Mean kept share (0 to 1) of each side's passes over one road in one metric.

    By place both sides keep the same. `p` is Welch's test between the passes' shares (None with one pass a side or by
    place). `warning` says why the gate cannot decide, None when it can.
    """

    before: float
    after: float
    p: float | None
    warning: str | None


@dataclass(frozen=True, kw_only=True)
class Contrast:
    """Two groups of passes against each other, on logarithms.

    `before` and `after` are geometric means over passes in the metric's unit, `ratio` = after / before, `interval` its
    95 % interval (Welch's, or by block; None where a side has one pass or the passes cannot tell), `passes` the numbers
    of passes, `p_difference` the two-sided p, `p_equivalence` that of the two one-sided tests against the margin.
    """

    before: float
    after: float
    ratio: float
    interval: tuple[float, float] | None
    passes: tuple[int, int]
    p_difference: float | None
    p_equivalence: float | None


@dataclass(frozen=True)
class WindowTTest:
    """The common practice, shown and not used: Student's t-test over the kept windows as if they were independent.

    `p` is None when it cannot be had. `lag_1` is the correlation of neighbouring windows within a pass, `note` says
    what is wrong with the test.
    """

    p: float | None
    n_before: int
    n_after: int
    lag_1: float
    note: str


@dataclass(frozen=True, kw_only=True)
class Finding(Contrast):
    """What the passes say about one metric on one road.

    `margin` is the margin that counts as a fraction (0.10: ratios of 1/1.10 to 1.10 do not count), `basis` what the
    contrast rests on, `ungated` the same contrast over whole passes, `p_…_holm` the p-values adjusted over the `family`
    findings tested together (those of the `primary` metric, or all others; None where the plan names none, and all are
    one family), `smallest_difference` the ratio above 1 that these passes would have shown with a power of
    80 %, `passes_needed` the passes a side that would most likely decide an undecided finding (None where decided or
    out of reach), `permutation_p` and `bootstrap_interval` cross-checks of the contrast by other means (None with too
    few passes, see `resampling`), `blocked` what blocks add where the contrast is by block (else None), `noise` the
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
    ungated: Contrast
    p_difference_holm: float | None
    p_equivalence_holm: float | None
    smallest_difference: float | None
    passes_needed: int | None
    permutation_p: float | None
    bootstrap_interval: tuple[float, float] | None
    blocked: Blocked | None
    noise: Share | None
    kept_share: KeptShare
    before_values: tuple[PassFigure, ...]
    after_values: tuple[PassFigure, ...]
    before_box: Box | None
    after_box: Box | None
    window_t_test: WindowTTest

    @property
    def blocks(self) -> Blocks | None:
        """The block of each pass, before and after, None where the contrast is not by block."""
        return self.blocked.blocks if self.blocked else None


@dataclass(frozen=True, kw_only=True)
class Sanity(Contrast):
    """Does the instrument tell a rough road from the smooth one? `before` is the smooth road, `after` the rough one.

    Whole passes of one part, in one metric. `distinct` is True when the 95 % interval lies above 1, None when there
    are too few passes to say.
    """

    road: str
    metric: str
    part: str
    distinct: bool | None
    words: str


@dataclass(frozen=True, kw_only=True)
class SmoothChange(Contrast):
    """The smooth road after against before: whole passes in one metric. A check, and no finding.

    `moved` is True where the 95 % interval, unadjusted as a check ought to be, does not hold 1.
    """

    metric: str
    label: str
    moved: bool
    words: str
