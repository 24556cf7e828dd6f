"""What the bench says of the instrument behind a comparison: noise in the findings, bands, records that are missing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from towertap.bench.carried import KINDS, BenchSummary
from towertap.bench.sharing import MARKED_SHARE, Share, judged
from towertap.compare.model import Finding, Pass, PassFigure
from towertap.compare.phrases import listed


def largest_share(passes: Sequence[Pass], figures: Iterable[PassFigure], metric: str) -> Share | None:
    """The sensor's share in the figure of the pass where it is largest; None where nothing is known of it."""
    noise = {one.name: one.noise[metric] for one in passes if metric in one.noise}
    shares = [share_at(noise[one.capture], one.figure) for one in figures if one.capture in noise]
    return max(shares, key=lambda one: one.share, default=None)


def share_at(whole: Share, figure: float) -> Share:
    """The share in a figure over the stretches kept, from that over the whole pass: its floor is the same."""
    share = min(1.0, (whole.floor / figure) ** 2)
    return replace(whole, share=share, judged=judged(share))


def drowned(finding: Finding) -> bool:
    """Whether the sensor's noise is more than half of a finding's power, so that it is not judged."""
    return finding.noise is not None and finding.noise.judged == "not judged"


def noise_cautions(finding: Finding) -> list[str]:
    """A line where the sensor's noise is more than a tenth of a finding's power and less than half."""
    if finding.noise is None or finding.noise.judged != "marked":
        return []
    return [
        f"{finding.road}, {finding.metric}: up to {100 * finding.noise.share:.0f} % of a pass's power is the sensor's "
        f"own noise (limit {100 * MARKED_SHARE:.0f} %), the same with either part, so the true ratio lies further from "
        "1 than the one measured."
    ]


def mounting_cautions(road: str, metric: str, passes: Sequence[Pass]) -> list[str]:
    """A line for each way in which a metric reaches beyond what the mounting carries."""
    reasons = dict.fromkeys(one.beyond[metric] for one in passes if metric in one.beyond)
    return [f"{road}: {reason}; above that the mounting rings along." for reason in reasons]


def warnings(told: Mapping[str, BenchSummary]) -> Iterable[str]:
    """Of captures by name: missing records, boxes and calibrations that differ, chips that failed their own test."""
    without = defaultdict(list)
    for kind in KINDS:
        if missing := tuple(name for name, one in told.items() if one.measured_utc[kind] is None):
            without[missing].append(kind)
    for names, kinds in without.items():
        yield (
            f"no bench record of {listed(kinds)} holds for {len(names)} of {len(told)} captures: make them with "
            "'towertap bench', or name their folder with --bench"
        )
    yield from _differences(told)
    for name, one in told.items():
        if one.selftest_ok is False:
            yield f"{name}: {one.words['selftest']}"


def _differences(told: Mapping[str, BenchSummary]) -> Iterable[str]:
    """What a ratio within one box and calibration does not have."""
    boxes = sorted({one.serial for one in told.values()})
    if len(boxes) > 1:
        scale = 100 * max(max(one.scale_uncertainty) for one in told.values())
        yield (
            f"the captures are of {len(boxes)} boxes ({', '.join(boxes)}): a ratio between boxes has the uncertainty "
            f"of their scales, ±{scale:.2g} % each, which its interval does not hold"
        )
    dates = {one.measured_utc["calibration"] for one in told.values()}
    if len(dates) > 1:
        yield "captures are read by different calibrations, so their difference is in the ratios too"
