"""Each step from the passes to the intervals, so that a sceptic can recompute them."""

from collections.abc import Sequence
from dataclasses import dataclass

from numpy.typing import NDArray

from towertap.compare.findings.describe import CANCELLED, SOURCES, by_metric
from towertap.compare.findings.model import Finding
from towertap.compare.road.places import RoughnessLimit
from towertap.compare.study import Study
from towertap.words.numbers import change_percent, interval, number, p_value
from towertap.words.phrases import listed, sentence_case, some
from towertap.words.table import MISSING, Table, tabulate

DIGITS = 6
FORMULA = (
    "To recompute: ln ratio = Σ w ln value, with w = 1/n after and −1/n before, or with the least-squares weights of "
    "part + block if blocks pair the parts. Its standard error (SE) is Welch's, or that of the residuals. For the "
    "part, SE² = s²(passes) Σ w² + s²(installations) Σ W² + s²(days) Σ W², where W is the sum of the weights in each "
    "installation and each day; interval and p are no narrower and no smaller than on these drives. An interval is "
    "ratio × exp(± t SE), with Student's t for the degrees of freedom (df); equivalence is read from the 90 % "
    "interval. Over all roads, the logarithm of a round is the mean over its roads; incomplete rounds are left out."
)


def values(study: Study, findings: Sequence[Finding]) -> Table:
    """The value of every pass, with its block, installation and day."""
    groups = study.groups
    paired = {drive.name: road.design.block is not None for road in study.roads for drive in road.passes}
    part = {drive.name: drive.conditions.part for drive in study.drives.passes}
    return tabulate(
        "The value of each pass",
        (
            {
                "metric, road": f"{sentence_case(finding.label)} on {finding.road}, {finding.unit}",
                "pass": drive.capture,
                "part": part[drive.capture],
                "rests on": number(drive.value, DIGITS),
                "over the whole pass": number(drive.whole, DIGITS),
                "rough places": "–" if finding.whole_because else f"{drive.rough_places} of {drive.places}",
                "block": str(groups.blocks[drive.capture]) if paired[drive.capture] else "–",
                "installation": _known(groups.installations[drive.capture]),
                "day": _known(groups.days[drive.capture]),
            }
            for finding in findings
            for drive in (*finding.before_values, *finding.after_values)
        ),
        grouped=True,
    )


def _known(label: object) -> str:
    return "not known" if label is None else str(label)


def on_these_drives(findings: Sequence[Finding]) -> Table:
    return tabulate(
        "On these drives",
        (
            {
                "metric": f"{sentence_case(finding.label)}, {finding.unit}",
                "road": finding.road,
                "n": f"{finding.passes[0]} + {finding.passes[1]}",
                "before": number(finding.before, DIGITS),
                "after": number(finding.after, DIGITS),
                "ratio": number(finding.ratio, DIGITS),
                "SE of ln ratio": number(finding.standard_error, DIGITS),
                "df": number(finding.df, 4),
                "95 % interval": interval(finding.interval, DIGITS),
                "90 % interval": interval(finding.interval_90, DIGITS),
                "p different": p_value(finding.p_difference),
                "Holm": p_value(finding.p_difference_holm),
                "p equivalent": p_value(finding.p_equivalence),
                "Holm, equivalent": p_value(finding.p_equivalence_holm),
                "family": str(finding.family),
                "by block": ", ".join(change_percent(ratio) for ratio in finding.block_ratios) or MISSING,
                "on these drives": finding.on_these_drives,
                "ratio without any one pass": (
                    (finding.influence and interval(finding.influence.ratios, DIGITS)) or MISSING
                ),
                "hangs on": (finding.influence and some(finding.influence.hangs_on)) or MISSING,
            }
            for group in by_metric(findings)
            for finding in group
        ),
        grouped=True,
    )


def about_the_part(findings: Sequence[Finding]) -> Table:
    return tabulate(
        "About the part",
        (
            {
                "metric": sentence_case(finding.label),
                "road": finding.road,
                "SE of passes": number(finding.part.pass_error, DIGITS),
                "its df": number(finding.part.pass_df, 4),
                "Σ W², installations": _coefficient(finding.overlap.installation_coefficient),
                "s, installations": number(finding.part.installation.sd, 4),
                "df, installations": number(finding.part.installation.df),
                "Σ W², days": _coefficient(finding.overlap.day_coefficient),
                "s, days": number(finding.part.day.sd, 4),
                "df, days": number(finding.part.day.df),
                "SE of ln ratio": number(finding.part.standard_error, DIGITS),
                "df": number(finding.part.df, 4),
                "95 % interval": interval(finding.part.interval, DIGITS),
                "90 % interval": interval(finding.part.interval_90, DIGITS),
                "p different, Holm": p_value(finding.part.p_difference_holm, finding.part.least_p),
                "p equivalent, Holm": p_value(finding.part.p_equivalence_holm, finding.part.least_p),
                "verdict": finding.verdict,
            }
            for group in by_metric(findings)
            for finding in group
        ),
        grouped=True,
    )


def assumed_spread(findings: Sequence[Finding]) -> str:
    """The spread of installations and days that is used for the part, and its source, in a sentence."""
    spreads: dict[str, list[str]] = {}
    for finding in findings:
        for kind, spread in (("installations", finding.part.installation), ("days", finding.part.day)):
            amount = "within that" if spread.source == "installations" else f"{100 * spread.sd:.2g} %"
            size = f"{kind} {amount} ({SOURCES[spread.source]})"
            spreads.setdefault(size, []).append(finding.label)
    all_labels = {finding.label for finding in findings}
    sizes = [
        size if set(labels) == all_labels else f"{size} in {listed(list(dict.fromkeys(labels)))}"
        for size, labels in spreads.items()
    ]
    return f"Spread of installations and days, for the part: {'; '.join(sizes)}."


def _coefficient(value: float) -> str:
    """A coefficient that cancels is 0, without its rounding error."""
    return number(value, 4) if value > CANCELLED else "0"


Levels = list[NDArray]
"""Levels before and after, (n,) each, in the metric's unit."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """The levels behind the box plots: `smooth` by metric, `rough` by road and metric."""

    smooth_road: str
    limits: dict[str, RoughnessLimit]
    findings: Sequence[Finding]
    smooth: dict[str, Levels]
    rough: dict[tuple[str, str], Levels]
