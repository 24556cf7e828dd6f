"""Which design and how many passes serve a purpose, and the resulting drives in order."""

import math
import random
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

from towertap.compare.plan.controls import CONTROLS, ControlKind
from towertap.compare.plan.pilot import PassSpread
from towertap.compare.plan.plan import MOST_DRIVES, Plan, PlannedDrive
from towertap.compare.stats.design import overlap
from towertap.compare.stats.part import NOTHING, Beforehand, ClusterSpread, spread
from towertap.compare.stats.planning import (
    CHANGES,
    DESIGNS,
    MOST_PASSES,
    NOTHING_KNOWN,
    Known,
    PlannedDesign,
    Reach,
    assurance,
    cheapest,
    choices,
    design_of,
    fewest_passes,
    part_power,
    reach,
)
from towertap.errors import AnalysisError, CallError

STANDARD = design_of("AB|B'A")
"""Used when the passes are given and no design reaches the aim with them."""
DRIFT_CANCELS = tuple(planned for planned in DESIGNS if planned.paired)
"""Any other design is used only on request: no verdict knows how much of it is drift."""


@dataclass(frozen=True)
class Wanted:
    """What a plan must reach: a verdict about the part at the `margin`, or what its control must, with this `power`.

    `known` is what is known beforehand of installations and days; all shares are fractions.
    """

    spread: PassSpread
    margin: float
    power: float
    known: Known = NOTHING_KNOWN
    control: ControlKind | None = None

    @classmethod
    def of(cls, plan: Plan) -> Self:
        """The aim of an existing plan, as far as the plan states it."""
        known = Beforehand(stated_sd=plan.refit_sd), Beforehand(stated_sd=plan.day_sd)
        return cls(PassSpread(plan.spread, None, plan.spread_from), plan.margin, plan.power, known, plan.control)

    @property
    def taken(self) -> tuple[ClusterSpread, ClusterSpread]:
        """How far installations and days are taken to differ."""
        installation, day = (spread(NOTHING, before) for before in self.known)
        return installation, day

    def able(self, planned: PlannedDesign, passes: int, pass_sd: float | None = None) -> Reach:
        """What a design can do with so many passes per side: the change that counts first, then CHANGES."""
        installation, day = self.taken
        differ = CONTROLS[self.control].differ if self.control else (True, True)
        truly = float(installation.sd) * differ[0], float(day.sd) * differ[1]
        changes = tuple(dict.fromkeys((self.margin, *CHANGES)))
        pass_sd = self.spread.planned if pass_sd is None else pass_sd
        return reach(planned, passes, pass_sd, self.margin, changes=changes, known=self.known, true_sd=truly)

    def aim(self, able: Reach) -> float:
        return CONTROLS[self.control].aim(able) if self.control else part_power(able)

    def choose(self, planned: PlannedDesign | None, passes: int | None) -> Reach:
        """The given design and passes, with the cheapest for what is not given; AnalysisError if none would do."""
        if self.control:
            planned = planned or design_of(CONTROLS[self.control].design)
        if passes is None:
            return self._with_enough(planned)
        if planned is None:
            enough = [self.able(design, passes) for design in DRIFT_CANCELS if passes in choices(design.shares)]
            enough = [able for able in enough if self.aim(able) >= self.power]
            planned = min(enough, key=lambda able: able.work).planned if enough else STANDARD
        return self.able(planned, passes)

    def _with_enough(self, planned: PlannedDesign | None) -> Reach:
        """With the fewest passes. A requested design that cannot decide about the part is planned for its drives."""
        if planned is None:
            able = cheapest(self.able, self.power, self.aim, DRIFT_CANCELS)
        else:
            able = fewest_passes(self.able, planned, self.power, self.aim)
            if able is None and not self.control:
                able = fewest_passes(self.able, planned, self.power, lambda reached: reached.drives.told[0])
        if able is None:
            raise AnalysisError(
                f"even {MOST_PASSES} passes per side would not do for a margin of {100 * self.margin:g} % at these "
                "spreads: make passes more alike, measure installations and days (--control), take a larger margin, "
                "or set --design and --passes"
            )
        return able

    def beside(self, chosen: Reach) -> list[Reach]:
        """What each design can do with the chosen passes, or the next number that its stretches can share."""
        designs = {planned.order: planned for planned in (*DESIGNS, chosen.planned)}.values()
        return [self.able(planned, math.ceil(chosen.passes / planned.shares) * planned.shares) for planned in designs]

    def assurance(self, able: Reach) -> float | None:
        """The power averaged over what the spread of passes may be; None if the spread was given."""
        if self.spread.df is None:
            return None

        def power(pass_sd: float) -> float:
            return self.aim(self.able(able.planned, able.passes, pass_sd))

        return assurance(power, self.spread.sd, self.spread.df)


def drive_order(
    before: str, after: str, roads: Sequence[str], passes: int, planned: PlannedDesign, seed: int
) -> tuple[PlannedDrive, ...]:
    """All drives in order: `passes` over every road with each part, shared equally by the stretches of the design.

    Within a stretch, every round covers all roads once, in random order. Raises CallError if the passes cannot be
    shared, or make more drives than a plan holds.
    """
    each = planned.per_stretch(passes)
    if (count := 2 * passes * len(roads)) > MOST_DRIVES:
        raise CallError(
            f"{passes} passes with each part on {len(roads)} roads are {count} drives, and a plan has {MOST_DRIVES} at "
            "most: plan fewer passes or roads"
        )
    draw = random.Random(seed)
    driven: Counter[tuple[str, str]] = Counter()
    drives = []
    for stretch in planned.stretches:
        part = after if stretch.after else before
        for _ in range(each):
            for road in draw.sample(list(roads), len(roads)):
                driven[part, road] += 1
                drives.append(PlannedDrive(stretch.block, part, road, driven[part, road]))
    return tuple(drives)


def drift(planned: PlannedDesign) -> str:
    """What the order does to a drift, in words."""
    design = planned.design(1)
    lean = overlap(design, order=range(design.after.size)).order_lean or 0.0
    if abs(lean) < 1e-9:
        return "a steady drift cancels"
    return "drift between blocks cancels" if planned.paired else "any drift is in the ratio"


def left_open(planned: PlannedDesign) -> str:
    """What else a change may come from than the part, in words."""
    over = overlap(planned.design(2))
    if over.about == "part or day":
        return "the day's"
    return {1: "its one installation's", 2: "its two installations'"}.get(min(over.installations), "chance's")
