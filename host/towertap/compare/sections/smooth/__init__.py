"""The smooth road as a check: it should hardly change, and it must be smoother than the rough ones."""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, product

from towertap.compare.caution import Caution, Weight
from towertap.compare.drives.model import SIDES, Drives
from towertap.compare.findings.describe import by_metric
from towertap.compare.findings.model import Finding
from towertap.compare.road.places import whole_value
from towertap.compare.section import Evidence, Section
from towertap.compare.stats.contrast import Contrast, contrast
from towertap.compare.stats.roads import Reading
from towertap.compare.study import Study
from towertap.errors import CallError
from towertap.words.numbers import change_percent, interval, number, range_percent
from towertap.words.phrases import listed, sentence_case
from towertap.words.table import Table, tabulate

FEW = "too few passes to say"
READINGS: dict[Reading, str] = {
    "rough moved more": "part of the change is the rough roads' own",
    "moved alike": "box, tyres, weather or day may be the cause, or the part acts there too",
    "smooth moved more": "the smooth road changed more",
    "moved apart": "the smooth road moved the other way",
    "smooth held still": "what changed is the rough roads' own",
    "cannot tell": "not settled whether it moved as well",
}


@dataclass(frozen=True, kw_only=True)
class SmoothChange(Contrast):
    """The smooth road after against before: whole passes in one metric. A check, not a finding.

    `moved` is True if the unadjusted 95 % interval excludes 1, which makes the check strict.
    """

    metric: str
    label: str
    moved: bool


@dataclass(frozen=True, kw_only=True)
class RoughAgainstSmooth(Contrast):
    """A rough road (`after`) against the smooth one (`before`): whole passes with one part, in one metric.

    `distinct` is True if the 95 % interval is above 1, None with too few passes to say.
    """

    road: str
    metric: str
    part: str
    distinct: bool | None


class SmoothSection(Section):
    name = "smooth"
    title = "The smooth road"
    note = (
        "Whole passes. A part that acts only on rough roads does not change the smooth road; box, tyres and weather "
        "act on both. A rough road must come out rougher than the smooth one with either part, or the roughness limit "
        "means little."
    )

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence:
        """Whole passes over the smooth road after against before, and each rough road against it."""
        smooth, changes, contrasts = study.drives.smooth, smooth_changes(study), rough_against_smooth(study)
        refuse_rough_as_smooth(study.drives, contrasts)
        return Evidence(
            headline=_headline(smooth, changes, contrasts),
            tables=tuple(filter(None, (_changes(smooth, changes), _against(findings), _roughness(study, contrasts)))),
            cautions=tuple(_cautions(smooth, contrasts)),
            data={"changes": changes, "rough_against_smooth": contrasts},
        )


def _headline(smooth: str, changes: Sequence[SmoothChange], contrasts: Sequence[RoughAgainstSmooth]) -> str:
    moved = [f"{change.label} {change_percent(change.ratio, change.interval)}" for change in changes if change.moved]
    unmoved = f"No change of {smooth} is shown" if changes else f"{smooth} was not driven on both sides"
    sentence = f"It changed as well: {listed(moved)}" if moved else unmoved
    alike = dict.fromkeys(entry.road for entry in contrasts if not entry.distinct)
    rougher = "every rough road is rougher than the smooth one"
    if alike:
        verb = "is" if len(alike) == 1 else "are"
        rougher = f"{listed(list(alike))} {verb} not shown to be rougher in every metric"
    return f"{sentence}; {rougher}." if contrasts else f"{sentence}."


def _cautions(smooth: str, contrasts: Sequence[RoughAgainstSmooth]) -> Iterator[Caution]:
    if alike := list(dict.fromkeys(entry.road for entry in contrasts if entry.distinct is False)):
        yield Caution(
            f"Not shown to be rougher than the smooth road, {smooth}, in every metric and with either part: "
            f"{listed(alike)}. What counts as rough means little there.",
            Weight.WEAKENS,
            "Name a smoother road as the smooth one, or drive rougher ones",
        )


def _changes(smooth: str, changes: Sequence[SmoothChange]) -> Table | None:
    if not changes:
        return None
    return tabulate(
        f"{smooth}, after against before",
        (
            {
                "metric": change.label,
                "change": change_percent(change.ratio, change.interval),
                "95 %": range_percent(change.interval),
                "changed": FEW if change.interval is None else "yes" if change.moved else "not shown",
            }
            for change in changes
        ),
    )


def _against(findings: Sequence[Finding]) -> Table | None:
    """The change of the rough roads against the smooth one's, and what remains as theirs."""
    pairs = [
        (finding, finding.over_smooth) for group in by_metric(findings) for finding in group if finding.over_smooth
    ]
    if not pairs:
        return None
    return tabulate(
        "The rough roads' change against the smooth one's",
        (
            {
                "metric": sentence_case(finding.label),
                "road": finding.road,
                "rough": change_percent(finding.ratio, finding.interval),
                "smooth": change_percent(over.smooth, over.smooth_interval),
                "rough over smooth": change_percent(over.ratio, over.interval),
                "95 %": range_percent(over.interval),
                "so": READINGS[over.reading],
            }
            for finding, over in pairs
        ),
        grouped=True,
    )


def _roughness(study: Study, contrasts: Sequence[RoughAgainstSmooth]) -> Table | None:
    if not contrasts:
        return None
    distinct = {True: "yes", False: "no", None: FEW}
    return tabulate(
        "Rough roads against the smooth one",
        (
            {
                "road": entry.road,
                "metric": study.labels[entry.metric],
                "part": entry.part,
                "× the smooth road": number(entry.ratio),
                "95 %": interval(entry.interval),
                "rougher": "no: smoother" if entry.interval and entry.interval[1] < 1 else distinct[entry.distinct],
            }
            for entry in contrasts
        ),
        grouped=True,
    )


def smooth_changes(study: Study) -> tuple[SmoothChange, ...]:
    """The smooth road's whole passes after against before, in every metric; empty unless both sides drove it."""
    if study.smooth is None:
        return ()
    changes = []
    for metric in study.metrics:
        before, after = ([whole_value(drive, metric.name) for drive in study.smooth.of(side)] for side in SIDES)
        ratio = contrast(before, after, study.margin, study.smooth.design.block)
        moved = ratio.interval is not None and not ratio.interval[0] <= 1 <= ratio.interval[1]
        changes.append(SmoothChange(**vars(ratio), metric=metric.name, label=metric.label, moved=moved))
    return tuple(changes)


def rough_against_smooth(study: Study) -> tuple[RoughAgainstSmooth, ...]:
    """Every rough road against the smooth one, in every metric, for each part that drove both."""
    drives, entries = study.drives, []
    for road, metric, (side, part) in product(study.roads, study.metrics, zip(SIDES, drives.parts, strict=True)):
        smooth, rough = (
            [whole_value(drive, metric.name) for drive in drives.of(name, side)] for name in (drives.smooth, road.name)
        )
        if smooth:
            ratio = contrast(smooth, rough, study.margin)
            distinct = None if ratio.interval is None else ratio.interval[0] > 1
            entries.append(
                RoughAgainstSmooth(**vars(ratio), road=road.name, metric=metric.name, part=part, distinct=distinct)
            )
    return tuple(entries)


def refuse_rough_as_smooth(drives: Drives, entries: Sequence[RoughAgainstSmooth]) -> None:
    """Raise CallError if a road is clearly smoother than the one named as smooth, in every metric with every part."""
    smoother = {}
    for road, group in groupby(entries, key=lambda entry: entry.road):
        ratios = [entry.ratio if entry.interval and entry.interval[1] < 1 else math.inf for entry in group]
        if max(ratios) < math.inf:
            smoother[road] = math.prod(ratios) ** (1 / len(ratios))
    if smoother:
        raise CallError(
            f"{drives.smooth}, given as the smooth road, is rougher than {listed(sorted(smoother))}: did you mean "
            f"--smooth {min(smoother, key=smoother.__getitem__)}?"
        )
