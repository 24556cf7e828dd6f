"""Controls of the same vehicle: what they showed, and whether their spread is used for the part."""

import math
from collections.abc import Iterator, Sequence

from towertap.compare.caution import Caution, Weight
from towertap.compare.controls import Control, measured
from towertap.compare.findings.describe import WORDS
from towertap.compare.findings.model import Finding
from towertap.compare.plan.controls import CONTROLS, ControlKind
from towertap.compare.section import Evidence, Section
from towertap.compare.stats.part import ENOUGH_DF
from towertap.compare.study import Study
from towertap.words.numbers import change_percent, range_percent
from towertap.words.phrases import counted, listed
from towertap.words.table import Table, tabulate

VARYING: dict[ControlKind, str] = {"refit": "installations", "day": "days"}
"""What differs within a control."""


class ControlsSection(Section):
    name = "controls"
    title = "Controls"
    note = (
        "A refit control is the same part refitted; a no-change day is the same part on another day. Both "
        "are judged by equivalence, since a large p does not mean that nothing changed. A positive control is a "
        "change that must show: if it does not, these drives could not have shown the part either."
    )

    def compare(self, study: Study, findings: Sequence[Finding]) -> Evidence | None:
        """What each control showed, by metric; None without controls."""
        controls = study.controls
        metrics = [name for name in study.labels if any(name in control.metrics for control in controls)]
        if not metrics:
            return None
        return Evidence(
            headline=_headline(controls),
            paragraphs=tuple(words for name in metrics for words in _spreads(controls, name, study.labels[name])),
            tables=(_table(controls, metrics),),
            cautions=tuple(_not_shown(controls, metrics)),
            data=controls,
        )


def _headline(controls: Sequence[Control]) -> str:
    counts = {kind: sum(control.kind == kind for control in controls) for kind in CONTROLS}
    driven = [counted(count, CONTROLS[kind].name) for kind, count in counts.items() if count]
    return f"Driven with this vehicle: {listed(driven)}."


def _not_shown(controls: Sequence[Control], metrics: Sequence[str]) -> Iterator[Caution]:
    """Positive controls that did not show in a metric."""
    for control in (control for control in controls if control.kind == "positive"):
        values = [control.metrics[name] for name in metrics if name in control.metrics]
        if hidden := [value.label for value in values if value.shows in ("undecided", "equivalent")]:
            yield Caution(
                f"The positive control of {control.date} did not show in {listed(hidden)}: drives like these could "
                "not have shown the part either.",
                Weight.WEAKENS,
            )


def _spreads(controls: Sequence[Control], metric: str, label: str) -> Iterator[str]:
    """How far installations and days differ by the controls, and whether that is used."""
    for kind, what in VARYING.items():
        spread = measured(controls, kind, metric)
        if spread.df:
            sd = 100 * math.sqrt(max(spread.variance, 0.0))
            rule = f"{ENOUGH_DF:g} replace what is assumed or stated, fewer only if they contradict it"
            source = counted(round(spread.df), CONTROLS[kind].name)
            note = "" if spread.df >= ENOUGH_DF else f" ({rule})"
            yield f"{label}: {what} differ by {sd:.1f} % according to {source}{note}."


def _table(controls: Sequence[Control], metrics: Sequence[str]) -> Table:
    return tabulate(
        "What each control showed, over all rough roads",
        (
            {
                "date": control.date,
                "control": CONTROLS[control.kind].name,
                "from": control.before,
                "to": control.after,
                "metric": value.label,
                "change": change_percent(value.ratio, value.interval),
                "95 %": range_percent(value.interval),
                "90 %": range_percent(value.interval_90),
                "these drives": WORDS[value.shows],
            }
            for control in controls
            for metric in metrics
            if (value := control.metrics.get(metric))
        ),
    )
