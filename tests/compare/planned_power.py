"""How often a plan's promise about the part is kept, from its drives to the verdicts; run it for all designs.

`python -m tests.compare.planned_power [SETS]` plans passes over two rough roads in every design and invents SETS sets
of its drives (100 by default), with rounds, installations and days that vary as planned and the part changed by 10 % or
not at all. It prints the planned power next to the share of such verdicts over all rough roads, and how many of the
verdicts differ from those of the bare statistics for the same rounds. (Those give the planned power, over 4,000 sets;
`stats/planned_designs.py` checks it on other sets.)
"""

from __future__ import annotations

import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
from towertap.bench.sharing import Share
from towertap.compare.findings.find import find
from towertap.compare.plan.choice import Wanted
from towertap.compare.plan.pilot import said
from towertap.compare.stats.part import ASSUMED_SD, statements
from towertap.compare.stats.planning import DESIGNS
from towertap.compare.stats.planning import invented as invented_logs

from tests import plans
from tests.compare import invented

PASS_SD, MARGIN = 0.04, 0.10
QUIET_ENGINE = {"jerk_z": Share("jerk_z", 0.4, "m/s³", 0.0001, "clean", "stand")}
MORNING = datetime(2026, 5, 4, 8, tzinfo=UTC)


def planned(design, passes):
    """A plan by a design, with at least `passes` per side that its stretches can share, and its reach."""
    passes = -(-passes // design.shares) * design.shares
    wanted = Wanted(said(PASS_SD, 2), MARGIN, 0.80)
    options = {"spread": wanted.spread.planned, "spread_from": wanted.spread.words, "design": design.order}
    roads = {"quarry-lane": 40.0, "moor-road": 40.0, "bypass": 40.0}
    return plans.plan(roads, passes=passes, **options), wanted.able(design, passes)


def a_set(make, plan):
    """The plan's drives over the rough roads, dated and otherwise identical, and the number of each drive's round."""
    days = dict.fromkeys(stretch.day for stretch, _ in plan.stretches)
    passes, rounds = [], {}
    for stretch, drives in plan.stretches:
        for drive in drives:
            if drive.road == plan.smooth:
                continue
            side = "after" if stretch.after else "before"
            drive_made = make.one_pass({"jerk_z": [40.0]}, side, drive.road, drive.pass_number)
            started = MORNING + timedelta(days=list(days).index(stretch.day), minutes=5 * len(passes))
            passes.append(replace(drive_made, started=started, noise=QUIET_ENGINE))
            rounds.setdefault((side, drive.pass_number), len(rounds))
    return passes, [rounds[drive.side, drive.conditions.pass_number] for drive in passes]


def reached(make, plan, sets, seed):
    """Shares of `sets` with 10 % shown of the part, and with no change called equivalent; and verdicts that differ."""
    design = plan.planned_design.design(plan.planned_design.per_stretch(plan.passes))
    logs = invented_logs(design, (plan.spread, ASSUMED_SD, ASSUMED_SD), sets, seed)
    template, in_round = a_set(make, plan)
    slots = plan.slots if plan.planned_design.paired else None
    shares, differ = [], 0
    for ratio, wanted in ((1 + MARGIN, "harsher"), (1.0, "equivalent")):
        verdicts = []
        for set_logs in logs + np.log(ratio) * design.after:
            passes = [
                replace(drive, kept={"jerk_z": drive.kept["jerk_z"] * np.exp(2 * set_logs[number])})
                for drive, number in zip(template, in_round, strict=True)
            ]
            (overall,), _ = find(make.on_whole_passes(make.drives_of(passes), planned=slots), "jerk_z")
            verdicts.append(overall.verdict)
            differ += overall.verdict != statements(set_logs, design).part.verdict(MARGIN)
        shares.append(np.mean([verdict == wanted for verdict in verdicts]))
    return *shares, differ


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    print("design; passes; 10 % shown, planned and reached; no change equivalent, planned and reached; verdicts differ")
    for design in DESIGNS:
        plan, able = planned(design, 8)
        shown, equivalent, differ = reached(invented, plan, sets, 5)
        powers = (able.part.told[0], shown, able.part.equivalent, equivalent)
        print(design.order, plan.passes, *(f"{power:.0%}" for power in powers), differ, sep="; ", flush=True)
