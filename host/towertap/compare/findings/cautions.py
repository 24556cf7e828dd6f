"""What in the drives weakens the findings: clipped or overflowed passes, blocks that do not hold, a low rate.

A harsher part clips more, so leaving such passes out would choose by the outcome. A pass with few touched windows is
used without those, and the verdicts with and without such passes are both reported.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

from towertap.compare.caution import Caution, Weight
from towertap.compare.drives.model import SIDES, Drives, metric_of
from towertap.compare.findings.describe import WORDS
from towertap.compare.findings.model import Finding
from towertap.compare.study import Study
from towertap.errors import TowertapError
from towertap.words.numbers import change_percent
from towertap.words.phrases import counted, listed, sentence_case, some


def on_the_drives(
    study: Study, findings: Sequence[Finding], judge: Callable[[Drives], Sequence[Finding]], defaults: Sequence[str]
) -> Iterator[Caution]:
    """What a sceptic must know; `judge` finds the same for other drives, `defaults` are the metrics nobody chose."""
    drives = study.drives
    touched = [drive for drive in drives.passes if drive.touched]
    if touched:
        names = some([drive.name for drive in touched])
        yield Caution(f"Used without the windows that clipping or an overflow touched: {names}.")
        yield _without(drives, findings, judge)
    for road in drives.rough_roads:
        yield from _one_sided(drives, road)
    yield from _not_carried(drives, defaults)
    yield from _on_pairing(study)


def _without(drives: Drives, findings: Sequence[Finding], judge: Callable[[Drives], Sequence[Finding]]) -> Caution:
    """What the verdicts would be without these passes."""
    clean = replace(drives, passes=tuple(drive for drive in drives.passes if not drive.touched))
    try:
        others = {(finding.road, finding.metric): finding for finding in judge(clean)}
    except TowertapError:
        return Caution(
            "Without the passes that clipped or overflowed nothing could be compared: everything rests on them.",
            Weight.OVERTURNS,
        )
    changed = []
    for finding in findings:
        other = others.get((finding.road, finding.metric))
        if other is None or other.verdict != finding.verdict:
            without = _verdict(other) if other else "not judged"
            changed.append(f"{finding.label} on {finding.road} {_verdict(finding)}, {without}")
    if not changed:
        return Caution("Without the passes that clipped or overflowed every verdict is the same.")
    return Caution(
        f"With the passes that clipped or overflowed and without them the verdicts differ: {'; '.join(changed)}.",
        Weight.OVERTURNS,
    )


def _verdict(finding: Finding) -> str:
    return f"{WORDS[finding.verdict]} ({change_percent(finding.ratio, finding.interval)})"


def _one_sided(drives: Drives, road: str) -> Iterator[Caution]:
    """Warn when clipping left no pass of a side, or touched one side only: its values are too low by what was cut."""
    for side, part in zip(SIDES, drives.parts, strict=True):
        if (lost := drives.clipped_out.count((road, side))) and not drives.of(road, side):
            yield Caution(
                f"{road} is not compared: {counted(lost, 'pass')} with {part} clipped too much to be used. A harsher "
                "part clips more, so the other roads may not show what it does.",
                Weight.OVERTURNS,
                f"Drive {road} again, slower or with a larger range of the sensor",
            )
            return
    counts = [sum(bool(drive.integrity.clipped_samples) for drive in drives.of(road, side)) for side in SIDES]
    counts = [count + drives.clipped_out.count((road, side)) for count, side in zip(counts, SIDES, strict=True)]
    if bool(counts[0]) != bool(counts[1]):
        at = 0 if counts[0] else 1
        part, bound = ((drives.before, "an upper"), (drives.after, "a lower"))[at]
        yield Caution(
            f"{road}: {counted(counts[at], 'pass')} with {part} clipped and none with the other part. The peaks that "
            f"were cut off are missing from its values, so the change found is {bound} bound of the true one.",
            Weight.WEAKENS,
        )


def _not_carried(drives: Drives, defaults: Sequence[str]) -> Iterator[Caution]:
    reasons = {name: reason for drive in drives.passes for name, reason in drive.left_out.items()}
    for name in defaults:
        if name in reasons:
            yield Caution(f"{sentence_case(metric_of(name).label)} is left out: {reasons[name]}.")


def _on_pairing(study: Study) -> Iterator[Caution]:
    """Blocks that do not hold, passes outside the plan, and too few passes."""
    for road in study.every_road:
        if road.not_paired:
            yield Caution(
                f"{road.name} is not compared by block ({road.not_paired}): a drift between the planned blocks does "
                "not cancel there.",
                Weight.WEAKENS,
            )
        if road.unplanned:
            yield Caution(f"{listed(road.unplanned)} on {road.name} was not planned and is left out: the blocks hold.")
    for road in study.roads:
        if min(len(road.of("before")), len(road.of("after"))) == 2:
            yield Caution(
                f"{road.name} has two passes on a side, which is hardly enough for a test.",
                Weight.WEAKENS,
                "Drive three passes or more with each part",
            )
