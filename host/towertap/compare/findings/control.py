"""The control that a comparison is: its findings as later comparisons of the vehicle take them up."""

import math
from collections.abc import Sequence

from towertap.compare.controls import Control, ControlValue
from towertap.compare.drives.calendar import days
from towertap.compare.drives.model import SIDES, Drives
from towertap.compare.findings.model import Finding
from towertap.compare.plan.controls import CONTROLS, ControlKind
from towertap.errors import CallError


def control_of(kind: ControlKind, drives: Drives, margin: float, findings: Sequence[Finding]) -> Control:
    """The control that a comparison is; `findings` are one a metric, over all its rough roads.

    Raises CallError where it was not driven on the days that such a control needs, or nobody knows.
    """
    of_day = days(drives.passes)
    before, after = ({of_day[drive.name] for drive in drives.passes if drive.side == side} for side in SIDES)
    every = before | after
    if None in every:
        name = CONTROLS[kind].name
        raise CallError(f"a {name} needs the date of every pass: a capture does not say when it was driven")
    if kind == "refit" and len(every) > 1:
        raise CallError("a refit control is driven on one day, or what differs from day to day is in it: drive it so")
    if kind == "day" and before & after:
        raise CallError("a no-change day needs all passes of one side on one day and those of the other on another")
    return Control(
        kind=kind,
        vehicle=drives.passes[0].conditions.vehicle,
        before=drives.before,
        after=drives.after,
        date=str(max(str(day) for day in every)),
        margin=margin,
        captures=tuple(sorted(drive.name for drive in drives.passes)),
        metrics={finding.metric: _value(finding) for finding in findings},
    )


def _value(finding: Finding) -> ControlValue:
    error = finding.standard_error
    return ControlValue(
        label=finding.label,
        ratio=finding.ratio,
        interval=finding.interval,
        interval_90=finding.interval_90,
        shows=finding.on_these_drives,
        variance=None if error is None else (math.log(finding.ratio) ** 2 - error**2) / 2,
    )
