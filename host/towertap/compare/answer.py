"""The answer: one plain verdict over all findings, how sure it is, what could be wrong with it, and what to do next.

It is made of findings and cautions alone, in a customer's words. The finding of the plan's primary metric over all
rough roads leads; without a plan, that of the first metric. Differences between roads or metrics are stated.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from towertap.compare.caution import Caution, Weight, ranked
from towertap.compare.controls import Control
from towertap.compare.drives.differences import TYRE_PRESSURE, changed_with_part, forward_disagrees
from towertap.compare.drives.model import Drives
from towertap.compare.findings.departures import DRIVE_THE_REST, Departure, leads, mislabelled, missing
from towertap.compare.findings.describe import (
    WORDS,
    in_play,
    is_judged,
    lost_to_holm,
    other_cause,
    p_decisive,
    quieter,
    which,
)
from towertap.compare.findings.model import Finding
from towertap.compare.plan.controls import CONTROLS
from towertap.words.numbers import change_percent, range_percent
from towertap.words.phrases import counted, customers, listed, p_equals, sentence_case, some

MOST_WORDS = 120
"""What does not fit is left to the findings and cautions below."""
MOST_CAUTIONS = 2
AGAIN = "Reinstall each part on another day and drive again: that separates the part from the"
"""Followed by "installation" or "day"."""
MANY_LEFT_OUT = 0.25
"""Captures left out weaken the verdict when they are more than this share of those used."""


@dataclass(frozen=True)
class Answer:
    """`verdict` in a few words; `change` says of what, how much and where; `others` the other metrics' verdicts.

    `sure` is the evidence, `cautions` are the gravest ones, `next_step` is what to do next. Texts may be empty.
    """

    verdict: str
    change: str
    others: str
    sure: str
    cautions: tuple[str, ...]
    next_step: str

    @property
    def headline(self) -> str:
        return f"{sentence_case(self.verdict)}: {self.change}."

    @property
    def lines(self) -> tuple[tuple[str, str], ...]:
        """Everything but the headline, as pairs of a line's name and text."""
        pairs = [("Also", self.others), ("How sure", self.sure), *(("But", caution) for caution in self.cautions)]
        return tuple((name, text) for name, text in (*pairs, ("Next", self.next_step)) if text)

    def __str__(self) -> str:
        return " ".join([self.headline, *(f"{name}: {text}" for name, text in self.lines)])


@dataclass(frozen=True, eq=False)
class Case:
    """What an answer is made of: the drives, their findings, and the control if this is one.

    `overall` are the findings over all rough roads together, one per metric, empty with one road. A control is answered
    by what its drives show, not by the verdict about a part.
    """

    drives: Drives
    overall: tuple[Finding, ...]
    findings: tuple[Finding, ...]
    control: Control | None

    @property
    def all(self) -> tuple[Finding, ...]:
        """The findings over all roads, then those on each road."""
        return (*self.overall, *self.findings)

    @property
    def leads(self) -> tuple[Finding, ...]:
        """One finding per metric: over all rough roads, or on the only one."""
        return self.overall or self.findings

    @property
    def lead(self) -> Finding:
        """The finding that gives the verdict."""
        return next((finding for finding in self.leads if finding.primary), self.leads[0])

    def of_roads(self, metric: str) -> list[Finding]:
        """The findings of one metric, one per road."""
        return [finding for finding in self.findings if finding.metric == metric]


def answer(case: Case, cautions: Sequence[Caution]) -> Answer:
    """The answer, in at most MOST_WORDS words; `cautions` are all there are, ranked."""
    verdict, change = _change(case)
    grave = tuple(caution.words for caution in cautions if caution.weight > Weight.LIMITS)[:MOST_CAUTIONS]
    fitting = Answer(verdict, change, "", "", (), "")
    for addition in (
        {"cautions": grave[:1]},
        {"sure": _sure(case)},
        {"next_step": _next_step(case, cautions)},
        {"others": _others(case, lambda finding: finding.label)},
        {"others": _others(case, lambda finding: customers(finding.metric, finding.label))},
        {"cautions": grave},
    ):
        longer = replace(fitting, **addition)
        if len(str(longer).split()) <= MOST_WORDS:
            fitting = longer
    return fitting


def _change(case: Case) -> tuple[str, str]:
    """The verdict, and what it says of the leading metric."""
    lead, drives = case.lead, case.drives
    name, where, margin = customers(lead.metric, lead.label), _where(case), f"{100 * lead.margin:g} %"
    if lead.not_one_road:
        return "not judged", f"{lead.not_one_road}{_elsewhere(case)}"
    if lead.noise and lead.noise.drowns:
        share = f"{100 * lead.noise.share:.0f} %"
        return "not judged", f"{share} of {name} is {lead.noise.source}, which is the same with either part"
    if lead.interval is None:
        return "undecided", _cannot_tell(lead, drives, name)
    if case.control:
        return _of_control(case.control, lead, name)
    if _mixed(case, lead):
        return "mixed", f"with {drives.after}, {name} is {_by_road(case.of_roads(lead.metric))}"
    size, part_range = _higher(lead), range_percent(lead.part.interval)
    if lead.verdict in ("harsher", "gentler"):
        alone = [finding.road for finding in case.of_roads(lead.metric) if finding.verdict != lead.verdict]
        tail = f"; {listed(alone)} alone would not show it" if alone else ""
        if lead.over_all and lead.roads_differ:
            tail = f", by roads {_sizes(case.of_roads(lead.metric))}"
        than = f"than with {drives.before} {where} ({part_range}){tail}"
        return WORDS[lead.verdict], f"with {drives.after}, {name} is {size} {than}"
    changed = f"with {drives.after}, {name} changed by {change_percent(lead.ratio, lead.interval)}"
    if lead.verdict == "equivalent":
        return WORDS["equivalent"], f"{changed} {where} ({range_percent(lead.part.interval_90)}), less than {margin}"
    if reason := lost_to_holm(lead):
        return "undecided", f"{changed} {where} ({part_range}), which {reason}"
    if lead.on_these_drives in ("harsher", "gentler"):
        shown = f"with {drives.after}, {name} was {size} on these drives {where} ({range_percent(lead.interval)})"
        return "undecided", f"{shown}; it may be {other_cause(lead)}"
    if lead.on_these_drives == "equivalent":
        return "undecided", f"{changed} on these drives {where}, less than {margin}, but the part's may be {part_range}"
    return "undecided", f"{changed} {where} ({part_range}), which neither shows a change nor rules out one of {margin}"


def _of_control(control: Control, lead: Finding, name: str) -> tuple[str, str]:
    value, kind = control.metrics[lead.metric], CONTROLS[control.kind].name
    equivalent = value.shows == "equivalent"
    interval = range_percent(value.interval_90 if equivalent else value.interval)
    changed = f"with {control.after}, {name} changed by {change_percent(value.ratio, value.interval)} ({interval})"
    if control.kind == "positive":
        if value.shows == "harsher":
            return f"{kind} shown", changed
        if value.shows == "gentler":
            return f"{kind} not shown", f"{changed}, the other way: {control.after} was meant to be the harsher one"
        return f"{kind} not shown", f"{changed}, so drives like these could not have shown the part"
    if equivalent:
        return f"{kind} held", f"{changed}, less than {100 * control.margin:g} %"
    if value.shows == "undecided":
        return f"{kind} undecided", f"{changed}, which neither shows a change nor rules out one that counts"
    return f"{kind} not held", f"{changed}, more than passes alone would"


def _elsewhere(case: Case) -> str:
    judged = [finding for finding in case.of_roads(case.lead.metric) if not finding.not_one_road]
    return f"; {customers(case.lead.metric, case.lead.label)} is {_by_road(judged)}" if judged else ""


def _cannot_tell(lead: Finding, drives: Drives, name: str) -> str:
    few = [part for part, count in zip(drives.parts, lead.passes, strict=True) if count < 2]
    if not few:
        return "the passes of one side are copies of one recording, so nothing shows how far passes differ"
    size = f"{name} was {_higher(lead)} with {drives.after}"
    return f"{size}, but one pass with {' and one with '.join(few)} cannot tell a change from chance"


def _where(case: Case) -> str:
    roads = len(case.of_roads(case.lead.metric))
    return {1: f"on {case.lead.road}", 2: "on both rough roads"}.get(roads, f"on all {roads} rough roads")


def _higher(finding: Finding) -> str:
    size = change_percent(finding.ratio, finding.interval)
    return f"{size.lstrip('+−')} {'higher' if finding.ratio >= 1 else 'lower'}"


def _mixed(case: Case, lead: Finding) -> bool:
    """Whether the roads' verdicts contradict each other, or differ while the roads are shown to differ."""
    verdicts = {finding.verdict for finding in case.of_roads(lead.metric)}
    decided = verdicts - {"undecided"}
    return lead.over_all and (len(decided) > 1 or bool(decided and lead.roads_differ and len(verdicts) > 1))


def _by_road(findings: Sequence[Finding]) -> str:
    by_verdict = {verdict: [finding for finding in findings if finding.verdict == verdict] for verdict in WORDS}
    return listed(
        [
            f"{WORDS[verdict]} on {listed([each.road for each in group]) if verdict == 'undecided' else _sizes(group)}"
            for verdict, group in by_verdict.items()
            if group
        ]
    )


def _sizes(findings: Sequence[Finding]) -> str:
    return listed([f"{finding.road} ({change_percent(finding.ratio, finding.interval)})" for finding in findings])


def _others(case: Case, name: Callable[[Finding], str]) -> str:
    """The verdicts of the other metrics, grouped when equal, each metric called by its `name`."""
    others = [finding for finding in case.leads if finding.metric != case.lead.metric]
    groups = groupby(others, key=lambda finding: _other(case, finding))
    text = "; ".join(f"{listed([name(finding) for finding in group])}: {verdict}" for verdict, group in groups)
    return f"{sentence_case(text)}." if text else ""


def _other(case: Case, finding: Finding) -> str:
    if case.control:
        return WORDS[case.control.metrics[finding.metric].shows]
    if finding.not_one_road:
        return "not judged"
    if finding.noise and finding.noise.drowns:
        return "not judged, because of noise"
    if _mixed(case, finding):
        return _by_road(case.of_roads(finding.metric))
    if finding.verdict != "undecided":
        size = change_percent(finding.ratio, finding.interval)
        return f"{WORDS[finding.verdict]} ({size})"
    within = f"within ±{100 * finding.margin:g} %"
    shown = {"harsher": "more", "gentler": "less", "equivalent": within}.get(finding.on_these_drives)
    return f"undecided about the part (on these drives {shown})" if shown else WORDS["undecided"]


def _sure(case: Case) -> str:
    """What the verdict rests on: passes, days, installations, and the p-value."""
    lead, drives = case.lead, case.drives
    by_road = [finding.passes for finding in case.of_roads(lead.metric)]
    before, after = (_least_to_most(passes) for passes in zip(*by_road, strict=True))
    noun = "pass" if before == "1" else "passes"
    sides = "each part" if before == after else f"{drives.before} and {after} with {drives.after}"
    passes = f"{before} {noun} with {sides}{' on each road' * lead.over_all}"
    sentences = [", ".join([passes, *_days_and_installations(lead, drives)])]
    p = p_equals(p_decisive(lead), lead.part.least_p)
    if case.control or _chosen(drives) or _mixed(case, lead):
        pass
    elif lead.verdict in ("harsher", "gentler"):
        sentences.append(f"chance rarely does as much ({p}); the range holds 19 times in 20")
    elif lead.verdict == "equivalent":
        sentences.append(f"chance alone rarely keeps it so close ({p})")
    if lead.primary is None and len(case.leads) > 1:
        sentences.append("no plan says what decides, so the first metric does")
    return "; ".join(sentences) + "."


def _least_to_most(counts: Sequence[int]) -> str:
    least, most = min(counts), max(counts)
    return f"{least}" if least == most else f"{least} to {most}"


def _days_and_installations(lead: Finding, drives: Drives) -> tuple[str, ...]:
    if not all(drive.started for drive in drives.passes):
        return ("how often each was installed is not known",)
    dates = {drive.started.date() for drive in drives.passes if drive.started}
    before, after = ({1: "once", 2: "twice"}.get(count, f"{count} times") for count in lead.overlap.installations)
    installed = f"{drives.before} installed {before}, {drives.after} {after}"
    on_days = "one day" if len(dates) == 1 else f"{len(dates)} days"
    return on_days, f"each installed {before}" if before == after else installed


def _next_step(case: Case, cautions: Sequence[Caution]) -> str:
    step = next(filter(None, _steps(case, cautions)), "")
    return f"{step}." if step else ""


def _steps(case: Case, cautions: Sequence[Caution]) -> Iterator[str]:
    """What there is to do, the most urgent first; texts may be empty.

    Remedies go by the weight of their caution. Only those that overturn a verdict come before settling an open one.
    """
    lead, remedies = case.lead, [caution.remedy for caution in cautions]
    if DRIVE_THE_REST in remedies:
        yield DRIVE_THE_REST
    yield _lacks(lead)
    yield from (caution.remedy for caution in cautions if caution.weight == Weight.OVERTURNS)
    verdict = case.control.metrics[lead.metric].shows if case.control else lead.verdict
    is_open = verdict == "undecided" and not lead.not_one_road and not _mixed(case, lead)
    if is_open and lead.on_these_drives != "undecided":
        yield f"{AGAIN} {'day' if lead.overlap.about == 'part or day' else 'installation'}"
    if is_open and lead.passes_needed:
        yield f"Plan {lead.passes_needed} passes per side, as a new set of drives"
    yield from remedies
    if is_open:
        yield "Choose a longer or rougher road"


def _lacks(lead: Finding) -> str:
    """What to do when nothing can be judged."""
    if lead.not_one_road:
        return ""
    if lead.noise and lead.noise.drowns:
        return f"Drive a rougher road, or have {quieter(lead.noise)}; more passes do not help"
    if lead.interval is None:
        return "Drive three passes or more with each part" if min(lead.passes) < 2 else "Record every pass again"
    return ""


def all_cautions(case: Case, departed: Sequence[Departure], further: Iterable[Caution]) -> tuple[Caution, ...]:
    """Every caution of a comparison, the gravest first, each once.

    Choices made after the values were seen come first among equals: no p-value accounts for them. `departed` is where
    the plan was not kept, `further` are the cautions of other evidence.
    """
    own = (turned, coincident, smooth_changed, assumed_spreads, of_findings, different, left_out)
    return ranked(
        [
            *struck_out(case),
            *leads(departed),
            *missing(departed),
            *mislabelled(departed),
            *(caution for check in own for caution in check(case)),
            *further,
        ]
    )


def _chosen(drives: Drives) -> list[str]:
    """The captures that were struck out after their values had been seen."""
    return [capture.capture for capture in drives.excluded if capture.after_values]


def struck_out(case: Case) -> Iterator[Caution]:
    if chosen := _chosen(case.drives):
        yield Caution(
            f"Struck out after the values had been shown: {some(chosen)}. No p-value accounts for passes chosen by "
            "their outcome.",
            Weight.OVERTURNS,
            "Take the pass back with 'towertap drop --undo', or drive again and strike out before you look",
        )


def coincident(case: Case) -> Iterator[Caution]:
    is_positive = case.control is not None and case.control.kind == "positive"
    if changed := changed_with_part(case.drives, TYRE_PRESSURE if is_positive else ""):
        yield Caution(
            f"{changed} This could be the cause.",
            Weight.OVERTURNS,
            "Change only the part, or 'towertap correct' wrong entries",
        )


def turned(case: Case) -> Iterator[Caution]:
    if disagreement := forward_disagrees(case.drives):
        yield Caution(
            disagreement, Weight.OVERTURNS, "Put the wrong mounting right with 'towertap correct' and compare again"
        )


def smooth_changed(case: Case) -> Iterator[Caution]:
    lead, drives = case.lead, case.drives
    if case.control or lead.over_smooth is None or not is_judged(lead):
        return
    if lead.over_smooth.reading not in ("moved alike", "smooth moved more"):
        return
    extent = {"moved alike": "as well", "smooth moved more": "even more"}[lead.over_smooth.reading]
    size = change_percent(lead.over_smooth.smooth, lead.over_smooth.smooth_interval)
    once = lead.overlap.installations[0] < 2
    yield Caution(
        f"The smooth road, {drives.smooth}, changed {extent} ({size}): either the part acts there too, or box, tyres, "
        "weather or day changed.",
        Weight.OVERTURNS,
        f"Install {drives.before} again and drive the same roads: if the change goes, it was the part"
        if once
        else f"{AGAIN} day",
    )


def assumed_spreads(case: Case) -> Iterator[Caution]:
    """Warn of a verdict that would not stand if installations, or days, differed by more than is assumed."""
    lead, drives = case.lead, case.drives
    dated = all(drive.started for drive in drives.passes)
    for kind, spread in () if case.control else in_play(lead):
        if spread.source != "assumed" or not spread.overturned_at or spread.overturned_at == float("inf"):
            continue
        if not dated:
            seen, other = "Not every capture says when it was driven", f"{kind} differ"
        elif kind == "days":
            partly = "partly " * (lead.overlap.within_day > 0)
            seen, other = f"The two parts were driven {partly}on different days", "days differ"
        else:
            pairs = zip(drives.parts, lead.overlap.installations, strict=True)
            once = [part for part, count in pairs if count < 2]
            seen = f"Installed once only: {' and '.join(once)}" if once else "Each part was installed more than once"
            other = "installations differ"
        yield Caution(
            f"{seen}. It is assumed that {other} by {100 * spread.sd:.0f} %; if by more than "
            f"{100 * spread.overturned_at:.0f} %, the verdict does not stand.",
            Weight.WEAKENS,
            f"{AGAIN} {'day' if kind == 'days' else 'installation'}",
        )


def of_findings(case: Case) -> Iterator[Caution]:
    """The findings' own cautions, each once, naming the findings that it touches unless it touches all."""
    touched: dict[Caution, list[Finding]] = {}
    for finding in case.all:
        for caution in finding.cautions:
            touched.setdefault(caution, []).append(finding)
    for caution, findings in touched.items():
        every = all(finding in findings for finding in case.findings)
        prefix = "" if every else which(findings, case.all)
        yield Caution(f"{prefix}{caution.words}", caution.weight, caution.remedy)


def left_out(case: Case) -> Iterator[Caution]:
    excluded, used = case.drives.excluded, len(case.drives.passes)
    if excluded:
        reasons = list(dict.fromkeys(capture.reason.partition(";")[0] for capture in excluded))
        more = " and more" if len(reasons) > 2 else ""
        yield Caution(
            f"{counted(len(excluded), 'capture')} left out of {used + len(excluded)}: {'; '.join(reasons[:2])}{more}.",
            Weight.WEAKENS if len(excluded) > MANY_LEFT_OUT * used else Weight.LIMITS,
        )


def different(case: Case) -> Iterator[Caution]:
    names = {name for drive in case.drives.passes for name in (drive.road, drive.name)}
    for remark in case.drives.remarks:
        starts_with_name = any(remark.startswith(name) for name in names)
        words = remark if starts_with_name else sentence_case(remark)
        yield Caution(words if words.endswith("?") else f"{words}.", Weight.WEAKENS)
