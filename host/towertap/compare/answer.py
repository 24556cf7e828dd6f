"""The answer of a comparison, with all that its rooms have found."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any

from towertap.bench.carried import BenchSummary
from towertap.compare.alignment import RoadAlignment
from towertap.compare.knocks import RoadKnocks
from towertap.compare.model import Excluded, Finding, Gate, GateKind, Sanity, SmoothChange
from towertap.compare.plan import Plan
from towertap.compare.speed import RoadSpeed
from towertap.compare.thirds import RoadBands
from towertap.compare.transfer import RoadTransfer


@dataclass(frozen=True)
class Departure:
    """One point in which the drives or the analysis departed from the plan: its kind (one word) and a sentence."""

    kind: str
    words: str


@dataclass(frozen=True)
class Comparison:
    """The answer: findings by road and metric, with all that is needed to take them apart.

    `summary` is one sentence over all findings, `alpha` the error rate of each family of findings (each kind of test),
    `gate` how rough stretches are picked, `gates` the threshold of each metric by name, `alignment` how the passes over
    each rough road were aligned (empty when gated by windows), `warnings` whatever touches more than one finding,
    `bench` what the bench says of the box behind each capture, by name. `sanity` holds rough roads against the smooth
    one, `smooth_changes` the smooth one after against before. `plan` is the plan it was held against, if there was one,
    and `departures` where it was not kept. `transfer` is from a second box, where one was recorded. `bands` is where in
    frequency each road changed, `speed` what is known of the speed driven over it.
    """

    before: str
    after: str
    smooth: str
    margin: float
    quantile: float
    alpha: float
    summary: str
    findings: tuple[Finding, ...]
    gates: dict[str, Gate]
    sanity: tuple[Sanity, ...]
    smooth_changes: tuple[SmoothChange, ...]
    warnings: tuple[str, ...]
    excluded: tuple[Excluded, ...]
    gate: GateKind
    alignment: tuple[RoadAlignment, ...]
    bench: dict[str, BenchSummary]
    plan: Plan | None = None
    departures: tuple[Departure, ...] = ()
    knocks: tuple[RoadKnocks, ...] = ()
    transfer: tuple[RoadTransfer, ...] = ()
    bands: tuple[RoadBands, ...] = ()
    speed: tuple[RoadSpeed, ...] = ()

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.findings)

    def data(self) -> dict[str, Any]:
        """The comparison as nested dicts and lists, for JSON."""
        return asdict(self)
