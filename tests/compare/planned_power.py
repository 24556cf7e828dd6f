"""How often what a plan promised about the part comes out, from its drives to the verdicts; run it for all designs.

`python tests/compare/planned_power.py [SETS]` plans passes over two rough roads in every design, invents SETS sets of
its drives (400 by default) with passes, installations and days that vary as planned and the part changed by 10 %, or
not at all, and prints the power that the plan told beside the share of verdicts over all rough roads that came out.
"""

from __future__ import annotations

import runpy
import sys
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import numpy as np
from towertap.compare.findings.find import find
from towertap.compare.plan.choice import Wanted
from towertap.compare.plan.order import drive_order
from towertap.compare.plan.pilot import said
from towertap.compare.plan.plan import HeldConditions, Plan, PlannedRoad
from towertap.compare.stats.planning import DESIGNS
from towertap.compare.stats.spreads import ASSUMED_SD

PASS_SD, MARGIN = 0.04, 0.10
ROADS = (PlannedRoad("quarry-lane", 40.0), PlannedRoad("moor-road", 50.0), PlannedRoad("bypass", 80.0))
MORNING = datetime(2026, 5, 4, 8, tzinfo=UTC)


def planned(design, passes):
    """A plan by a design, with passes a side as its stretches can share them, and what it can do."""
    passes = -(-passes // design.shares) * design.shares
    wanted = Wanted(said(PASS_SD, 2), MARGIN, 0.80)
    names = [road.name for road in ROADS]
    plan = Plan(
        question="?",
        vehicle="minibus",
        before="rubber",
        after="polyurethane",
        smooth="bypass",
        roads=ROADS,
        metrics=("jerk_z",),
        margin=MARGIN,
        power=0.80,
        spread=wanted.spread.planned,
        spread_from=wanted.spread.words,
        design=design.order,
        seed=1,
        hold=HeldConditions(),
        drives=drive_order("rubber", "polyurethane", names, passes, design, 1),
        written_utc="2026-05-03T08:00:00+00:00",
    )
    return plan, wanted.able(design, passes)


def drives_of(make, plan, ratio, draw):
    """The plan's drives over the rough roads, as they might be driven, the part changed by a ratio."""
    installations, days = ({}, {})
    passes = []
    for stretch, drives in plan.stretches:
        for drive in drives:
            if drive.road == plan.smooth:
                continue
            effects = (
                installations.setdefault(stretch.installation, ASSUMED_SD * draw.standard_normal()),
                days.setdefault(stretch.day, ASSUMED_SD * draw.standard_normal()),
                PASS_SD * draw.standard_normal(),
            )
            level = 40.0 * np.exp(sum(effects)) * (ratio if stretch.after else 1.0)
            side = "after" if stretch.after else "before"
            made = make.one_pass({"jerk_z": [level]}, side, drive.road, drive.pass_number)
            started = MORNING + timedelta(days=stretch.day, minutes=5 * len(passes))
            passes.append(replace(made, started=started))
    return make.drives_of(passes)


def reached(make, plan, sets, seed):
    """Shares of `sets` in which a change by the margin is told of the part, and none is called equivalent."""
    draw = np.random.default_rng(seed)
    slots = plan.slots if plan.planned_design.paired else None
    verdicts = {ratio: [] for ratio in (1 + MARGIN, 1.0)}
    for ratio, of_ratio in verdicts.items():
        for _ in range(sets):
            (overall,), _ = find(make.on_whole_passes(drives_of(make, plan, ratio, draw), planned=slots), "jerk_z")
            of_ratio.append(overall.verdict)
    changed, alike = verdicts.values()
    return np.mean([verdict == "harsher" for verdict in changed]), np.mean(
        [verdict == "equivalent" for verdict in alike]
    )


if __name__ == "__main__":
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    make = SimpleNamespace(**runpy.run_path(str(Path(__file__).with_name("invented.py"))))
    print("design; passes; 10 % told, planned and reached; no change equivalent, planned and reached")
    apart = []
    for design in DESIGNS:
        plan, able = planned(design, 8)
        told, equivalent = reached(make, plan, sets, 5)
        apart += [told - able.part.told[0], equivalent - able.part.equivalent]
        powers = (able.part.told[0], told, able.part.equivalent, equivalent)
        print(design.order, plan.passes, *(f"{power:.0%}" for power in powers), sep="; ", flush=True)
    print(f"planned and reached differ by {100 * max(map(abs, apart)):.1f} points at most")
