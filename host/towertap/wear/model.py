"""One part over months as plain data: what was driven, and the answer."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from towertap.compare.caution import Caution
from towertap.compare.drives.model import Excluded, Pass
from towertap.compare.road.alignment import RoadAlignment
from towertap.compare.road.places import Basis
from towertap.compare.stats.contrast import ALPHA, Contrast, Verdict
from towertap.signals.metrics import Metric
from towertap.wear.trend import Line, fit_line

if TYPE_CHECKING:
    from towertap.bench.carried import BenchSummary
    from towertap.bench.sharing import Share


@dataclass(frozen=True, eq=False)
class Session:
    """The drives of one day; `began` is the start of the first one, `name` its local date."""

    name: str
    began: datetime
    passes: tuple[Pass, ...]

    def of(self, road: str) -> tuple[Pass, ...]:
        """Its passes over one road, in driving order."""
        return tuple(drive for drive in self.passes if drive.road == road)


@dataclass(frozen=True, eq=False)
class History:
    """All passes with one part on one vehicle, by session; the first session is the first fit.

    `smooth` is the road that sets the roughness limit, `remarks` say what differs between passes, `others` is the
    number of captures of other parts and vehicles.
    """

    part: str
    vehicle: str
    smooth: str
    metrics: tuple[Metric, ...]
    sessions: tuple[Session, ...]
    excluded: tuple[Excluded, ...] = ()
    remarks: tuple[str, ...] = ()
    others: int = 0

    @property
    def passes(self) -> tuple[Pass, ...]:
        return tuple(drive for session in self.sessions for drive in session.passes)

    @property
    def roads(self) -> tuple[str, ...]:
        """Every road: the rough ones sorted, then the smooth one."""
        return (*sorted({drive.road for drive in self.passes} - {self.smooth}), self.smooth)

    @property
    def first_fit(self) -> datetime:
        """When the first session began; months are counted from here."""
        return self.sessions[0].began

    def on(self, road: str) -> History:
        """The history of one road: the sessions in which it was driven, without other passes."""
        sessions = [replace(session, passes=session.of(road)) for session in self.sessions]
        return replace(self, sessions=tuple(session for session in sessions if session.passes))


@dataclass(frozen=True)
class Point:
    """One pass: `months` since the first fit, `value` over the course's basis, `whole` over the complete pass."""

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

    `together` is the joint interval over all changes of the answer (Bonferroni), None if `interval` is. `outside` is
    True if all of it is outside the margin. `p_…_holm` are adjusted over all changes.
    """

    session: str
    together: tuple[float, float] | None
    outside: bool
    p_difference_holm: float | None
    p_equivalence_holm: float | None
    verdict: Verdict


@dataclass(frozen=True)
class Crossing:
    """When the trend's line has changed by the margin since the first fit.

    Months since then with a 95 % interval, and the same as dates. All but the earliest are None if no rise or fall is
    shown after Holm's adjustment. Dates after `told_until`, where the extrapolation ends, are None. `seen` is True if
    the crossing is not after the last session.
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
    """The line through the sessions' mean logarithms, each session counting once.

    `interval` is the 95 % interval of `percent_per_month`, `start` the line at the first fit in the metric's unit.
    `over_span` is the ratio of the last session to the first, with its 95 % interval and p-values as in a contrast.
    `scatter` is the standard deviation of session means about the line, `of_passes` the part that passes within days
    explain (both of logarithms), `days_p` the p of the lack-of-fit test that days differ by no more than that. The last
    two are None if no day has two passes.
    """

    percent_per_month: float
    interval: tuple[float, float]
    start: float
    df: int
    span_months: float
    over_span: float
    over_span_interval: tuple[float, float] | None
    p_difference: float | None
    p_equivalence: float | None
    p_difference_holm: float | None
    p_equivalence_holm: float | None
    verdict: Verdict
    scatter: float
    of_passes: float | None
    days_p: float | None
    crossing: Crossing

    @property
    def p_decisive(self) -> float | None:
        return self.p_equivalence_holm if self.verdict == "equivalent" else self.p_difference_holm

    @property
    def days_differ(self) -> bool:
        """Whether days vary about the line by more than the passes within days explain."""
        return self.days_p is not None and self.days_p < ALPHA


@dataclass(frozen=True, kw_only=True)
class Course:
    """One metric on one road over the months.

    `basis` is what the values are taken over, `whole_because` why that is not the rough places (None if it is), `share`
    the share of places that are rough, `noise` the largest share of sensor or engine noise in any pass.

    `verdict` compares the last session's passes with those of the first fit, including what their days add. It is
    `undecided` if days differ by more than passes explain, unless the trend has left the margin. `outside` are the
    sessions whose passes are outside the margin, `outside_since` the first of an unbroken run up to the last session.
    `left` is the first session at which the trend has left the margin, a statement about the part and not about a day:
    all of the line's interval, joint over all trends, is outside. `trend` is None with two sessions.
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
    noise: Share | None
    changes: tuple[Change, ...] = ()
    verdict: Verdict = "undecided"
    outside: tuple[str, ...] = ()
    outside_since: str | None = None
    left: str | None = None
    trend: Trend | None = None
    words: str = ""
    cautions: tuple[Caution, ...] = ()

    @property
    def groups(self) -> list[list[float]]:
        """The values of the passes of each session."""
        return [[point.value for point in self.points if point.session == mean.session] for mean in self.means]

    @property
    def line(self) -> Line | None:
        """`fit_line` through the means of the sessions."""
        return fit_line([mean.months for mean in self.means], [math.log(mean.level) for mean in self.means])

    @property
    def drowned(self) -> bool:
        """Whether noise is more than half of a pass's power; nothing is judged then."""
        return self.noise is not None and self.noise.drowns

    @property
    def measured_margin(self) -> float:
        """The margin for measured values, narrower if part of the power does not come from the road."""
        return self.noise.narrowed(self.margin) if self.noise else self.margin


@dataclass(frozen=True, eq=False)
class Wear:
    """The answer: `courses` of the rough roads, `checks` of the smooth one, and how they were reached.

    `changes_tested` and `trends_tested` are the sizes of the two families of tests that p-values are adjusted over; the
    checks belong to neither. `limits` maps each metric to its roughness limit.
    """

    history: History
    margin: float
    alpha: float
    summary: str
    courses: tuple[Course, ...]
    checks: tuple[Course, ...]
    changes_tested: int
    trends_tested: int
    limits: dict[str, float]
    alignment: tuple[RoadAlignment, ...]
    cautions: tuple[Caution, ...]
    bench: dict[str, BenchSummary]

    def __iter__(self) -> Iterator[Course]:
        return iter(self.courses)

    def data(self) -> dict[str, Any]:
        history = self.history
        own = {name: value for name, value in vars(self).items() if name != "history"}
        from_history = {name: getattr(history, name) for name in ("part", "vehicle", "smooth", "excluded")}
        sessions = [_day(session) for session in history.sessions]
        return own | from_history | {"sessions": sessions, "other_captures": history.others}


def _day(session: Session) -> dict[str, Any]:
    """A summary of a session; `air_c` is the coldest and warmest air that its passes state, °C."""
    air_c = [c for drive in session.passes if (c := drive.conditions.air_temperature_c) is not None]
    return {
        "session": session.name,
        "began_utc": session.began.astimezone(UTC).isoformat(timespec="seconds"),
        "passes": len(session.passes),
        "air_c": (min(air_c), max(air_c)) if air_c else None,
    }
