"""What is followed over months, and what is found, as plain data."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from towertap.compare.drives.model import Excluded, Pass, Quantity
from towertap.compare.road.alignment import RoadAlignment
from towertap.compare.road.rough import Basis
from towertap.compare.stats.contrast import ALPHA, Verdict
from towertap.compare.stats.ratio import Contrast

if TYPE_CHECKING:
    from towertap.bench.carried import BenchSummary
    from towertap.bench.sharing import Share


@dataclass(frozen=True, eq=False)
class Session:
    """The drives of one day: `name` is the day on which the first of them began (UTC), `began` when."""

    name: str
    began: datetime
    passes: tuple[Pass, ...]

    def of(self, road: str) -> tuple[Pass, ...]:
        """Its passes over one road, in driving order."""
        return tuple(one for one in self.passes if one.road == road)


@dataclass(frozen=True, eq=False)
class Followed:
    """All passes with one part on one vehicle, by session; the first session is the first fit.

    `smooth` is the road that sets the gate, `others` the number of captures of other parts and vehicles.
    """

    folder: Path
    part: str
    vehicle: str
    smooth: str
    quantities: tuple[Quantity, ...]
    sessions: tuple[Session, ...]
    excluded: tuple[Excluded, ...]
    warnings: tuple[str, ...]
    others: int

    @property
    def passes(self) -> tuple[Pass, ...]:
        """All passes in driving order."""
        return tuple(one for session in self.sessions for one in session.passes)

    @property
    def roads(self) -> tuple[str, ...]:
        """Every road, the rough ones in the order of the alphabet, then the smooth one."""
        return (*sorted({one.road for one in self.passes} - {self.smooth}), self.smooth)

    def of(self, road: str) -> tuple[Session, ...]:
        """The sessions in which a road was driven, each with no other passes."""
        found = (Session(one.name, one.began, one.of(road)) for one in self.sessions)
        return tuple(one for one in found if one.passes)


@dataclass(frozen=True)
class Day:
    """One session in short: its passes in all, and the air of those that say it, °C, from coldest to warmest."""

    session: str
    began_utc: str
    passes: int
    air_c: tuple[float, float] | None


@dataclass(frozen=True)
class Point:
    """One pass: `months` since the first fit, `value` over what the finding rests on, `whole` over the whole pass."""

    capture: str
    session: str
    months: float
    value: float
    whole: float


@dataclass(frozen=True)
class Mean:
    """One session: the geometric mean of its passes, at the mean of their times."""

    session: str
    months: float
    level: float
    passes: int


@dataclass(frozen=True, kw_only=True)
class Change(Contrast):
    """One later session (`after`) against the first fit (`before`), by the spread of passes within all sessions.

    `together` is the interval that holds together with those of all changes of the answer (Bonferroni; None as
    `interval`), `outside` whether it lies wholly outside the margin; `p_…_holm` are adjusted over all changes.
    """

    session: str
    together: tuple[float, float] | None
    outside: bool
    p_difference_holm: float | None
    p_equivalence_holm: float | None
    verdict: Verdict


@dataclass(frozen=True)
class Crossing:
    """When the trend's line has gone as far as the margin, counted from where it stands at the first fit.

    Months since the first fit, with a 95 % interval, and the same as dates. All but the earliest are None where no
    rise or fall is shown after Holm's adjustment; a date is also None later than `told_until`, beyond which a line is
    not continued. `seen` is True when the crossing lies within the time seen.
    """

    months: float | None
    earliest_months: float
    latest_months: float | None
    on: str | None
    earliest: str | None
    latest: str | None
    told_until: str
    seen: bool


@dataclass(frozen=True)
class Trend:
    """The line through the sessions' means of the logarithm, each session counting once.

    `percent_per_month` and its 95 % interval; `start` is the line at the first fit, in the metric's unit; `over_span`
    the ratio from the first to the last session with its 95 % interval and p-values as in a contrast; `scatter` is the
    standard deviation of session means about the line and `of_passes` what of it the passes within days would give
    (both of logarithms; None where every day has one pass), `days_p` the p of the test that days differ by no more
    than that (lack of fit).
    """

    percent_per_month: float
    interval: tuple[float, float]
    start: float
    df: int
    span_months: float
    over_span: float
    over_span_interval: tuple[float, float]
    p_difference: float
    p_equivalence: float
    p_difference_holm: float | None
    p_equivalence_holm: float | None
    verdict: Verdict
    scatter: float
    of_passes: float | None
    days_p: float | None
    crossing: Crossing

    @property
    def days_differ(self) -> bool:
        """Whether the days stray about the line by more than the passes within days account for."""
        return self.days_p is not None and self.of_passes is not None and self.days_p < ALPHA


@dataclass(frozen=True, kw_only=True)
class Course:
    """One metric on one road over the months.

    `verdict` is that of the last session's passes against those of the first fit, their days and all; where the days
    differ by more than passes account for it is `undecided`, unless the trend has left the margin. `outside` are the
    sessions whose passes lie outside the margin, `outside_since` the first of those that go on to the last session,
    None where that lies not outside. `left` is the first session at which the trend has left the margin, so that the
    part has and not a day: the line's interval, one of as many as there are trends, is wholly outside. `trend` is None
    with two sessions. `share` is the share of places that are rough, `whole_because` why the figures rest on whole
    passes, None where they do not or where nothing is gated. `noise` is the sensor's share in the pass where it is
    largest.
    """

    road: str
    metric: str
    label: str
    unit: str
    margin: float
    basis: Basis
    share: float
    whole_because: str | None
    points: tuple[Point, ...]
    means: tuple[Mean, ...]
    changes: tuple[Change, ...]
    verdict: Verdict
    outside: tuple[str, ...]
    outside_since: str | None
    left: str | None
    trend: Trend | None
    noise: Share | None
    words: str
    cautions: tuple[str, ...]

    @property
    def drowned(self) -> bool:
        """Whether the sensor's noise is more than half of a pass's power, so that nothing is judged."""
        return self.noise is not None and self.noise.judged == "not judged"


@dataclass(frozen=True)
class Wear:
    """The answer: `courses` of the rough roads, `checks` of the smooth one, and what is needed to take them apart.

    `changes_tested` and `trends_tested` are the sizes of the two families over which p-values are adjusted; the checks
    stand by themselves. `limits` is the roughness limit of each metric by name.
    """

    part: str
    vehicle: str
    smooth: str
    margin: float
    quantile: float
    alpha: float
    summary: str
    sessions: tuple[Day, ...]
    courses: tuple[Course, ...]
    checks: tuple[Course, ...]
    changes_tested: int
    trends_tested: int
    limits: dict[str, float]
    alignment: tuple[RoadAlignment, ...]
    warnings: tuple[str, ...]
    excluded: tuple[Excluded, ...]
    other_captures: int
    bench: dict[str, BenchSummary]

    def __iter__(self) -> Iterator[Course]:
        return iter(self.courses)

    def data(self) -> dict[str, Any]:
        """The answer as nested dicts and lists, for JSON."""
        return asdict(self)
