"""What is drawn as boxes: the levels behind the findings and those of the smooth road."""

from collections.abc import Sequence
from dataclasses import dataclass

from numpy.typing import NDArray

from towertap.compare.drives.model import Drives
from towertap.compare.findings.model import Finding
from towertap.compare.road.rough import RoughnessLimit

Levels = tuple[NDArray, NDArray]
"""Levels before and after, (n,) each, in the metric's unit."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """The levels behind the box plots: `smooth` by metric, `rough` by road and metric."""

    drives: Drives
    limits: dict[str, RoughnessLimit]
    findings: Sequence[Finding]
    smooth: dict[str, Levels]
    rough: dict[tuple[str, str], Levels]
