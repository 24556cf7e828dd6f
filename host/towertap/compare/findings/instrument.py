"""What the bench says of the instrument behind a comparison: noise in the findings, bands, records that are missing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from towertap.bench.carried import KINDS, BenchSummary
from towertap.bench.sharing import MARKED_SHARE, Share, judged
from towertap.compare.drives.model import Pass
from towertap.compare.findings.model import Finding
from towertap.compare.road.rough import PassValue
from towertap.words.phrases import listed


def largest_share(passes: Sequence[Pass], values: Iterable[PassValue], metric: str) -> Share | None:
    """The sensor's share in the value of the pass where it is largest; None where nothing is known of it."""
    noise = {drive.name: drive.noise[metric] for drive in passes if metric in drive.noise}
    shares = [share_at(noise[drive.capture], drive.value) for drive in values if drive.capture in noise]
    return max(shares, key=lambda share: share.share, default=None)


def share_at(whole: Share, value: float) -> Share:
    """The share in a value over part of a pass, from that over the whole of it: its floor is the same."""
    share = min(1.0, (whole.floor / value) ** 2)
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
    reasons = dict.fromkeys(drive.beyond[metric] for drive in passes if metric in drive.beyond)
    return [f"{road}: {reason}; above that the mounting rings along." for reason in reasons]


def warnings(bench: Mapping[str, BenchSummary]) -> Iterator[str]:
    """Of captures by name: missing records, boxes and calibrations that differ, chips that failed their own test."""
    without = defaultdict(list)
    for kind in KINDS:
        if missing := tuple(name for name, records in bench.items() if records.measured_utc[kind] is None):
            without[missing].append(kind)
    for names, kinds in without.items():
        yield (
            f"no bench record of {listed(kinds)} holds for {len(names)} of {len(bench)} captures: make them with "
            "'towertap bench', or name their folder with --bench"
        )
    yield from _differences(bench)
    for name, records in bench.items():
        if records.selftest_ok is False:
            yield f"{name}: {records.words['selftest']}"


def _differences(bench: Mapping[str, BenchSummary]) -> Iterator[str]:
    """What a ratio within one box and calibration does not have."""
    boxes = sorted({records.serial for records in bench.values()})
    if len(boxes) > 1:
        scale = 100 * max(max(records.scale_uncertainty) for records in bench.values())
        yield (
            f"the captures are of {len(boxes)} boxes ({', '.join(boxes)}): a ratio between boxes has the uncertainty "
            f"of their scales, ±{scale:.2g} % each, which its interval does not hold"
        )
    if len({records.measured_utc["calibration"] for records in bench.values()}) > 1:
        yield "captures are read by different calibrations, so their difference is in the ratios too"
