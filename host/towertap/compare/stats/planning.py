"""Designs before anyone drives: the work they take, what each can say about the part, and how many passes that takes.

A design is written as it is driven: A and B are stretches of passes with the part before and after, | ends a block,
; ends a day, and ' says that the part is taken out and fitted again before it. A part that is fitted already stays:
in AB|BA the B of both blocks is one installation, in AB|B'A they are two.

Power is counted over invented sets by the very functions that decide, so that it holds for every design alike.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from towertap.compare.stats.contrast import ALPHA
from towertap.compare.stats.design import About, Design, overlap
from towertap.compare.stats.part import Statements, statements
from towertap.compare.stats.spreads import ASSUMED_SD, UNKNOWN_SPREAD, Beforehand

CHANGES = (0.03, 0.05, 0.08, 0.10)
SETS = 10_000
"""Power is then told to half a point."""
SEARCH_SETS = 4_000
POWER = 0.80
MOST_PASSES = 48
"""Nobody drives more a side."""
STEPS = 200


@dataclass(frozen=True)
class Stretch:
    """Passes in a row with one installation: `block` and `day` from 1, `installation` counted for each part."""

    after: bool
    installation: int
    block: int
    day: int


@dataclass(frozen=True)
class PlannedDesign:
    """A design as `order` writes it (see the head of this module), and what it is called."""

    name: str
    order: str

    @cached_property
    def stretches(self) -> tuple[Stretch, ...]:
        """The stretches in driving order."""
        fitted, counts = None, {"A": 0, "B": 0}
        block = day = 1
        stretches = []
        for place, sign in enumerate(self.order):
            if sign in "|;":
                block, day = block + 1, day + (sign == ";")
            elif sign in counts:
                again = self.order[place + 1 : place + 2] == "'"
                if fitted != sign or again:
                    counts[sign] += 1
                fitted = sign
                stretches.append(Stretch(sign == "B", counts[sign], block, day))
        return tuple(stretches)

    @property
    def refits(self) -> int:
        """How often a part is taken out and one fitted, after the first."""
        return len({(stretch.after, stretch.installation) for stretch in self.stretches}) - 1

    @property
    def days(self) -> int:
        """Days driven on."""
        return self.stretches[-1].day

    def design(self, passes: int) -> Design:
        """The design with so many passes in each stretch, by block where there are two and each holds both parts."""
        each = [stretch for stretch in self.stretches for _ in range(passes)]
        parts = {block: {s.after for s in each if s.block == block} for block in {s.block for s in each}}
        paired = len(parts) > 1 and all(len(sides) == 2 for sides in parts.values())
        return Design.of(
            [stretch.after for stretch in each],
            [stretch.installation for stretch in each],
            [stretch.day for stretch in each],
            [stretch.block for stretch in each] if paired else None,
        )


DESIGNS = (
    PlannedDesign("one change, a day each", "A;B"),
    PlannedDesign("one change on one day", "AB"),
    PlannedDesign("A B B A", "AB|BA"),
    PlannedDesign("A B B A, B fitted twice", "AB|B'A"),
    PlannedDesign("three blocks", "AB|BA|AB"),
    PlannedDesign("four blocks", "AB|BA|AB|BA"),
    PlannedDesign("two days, both parts on each, B fitted twice", "AB;B'A"),
    PlannedDesign("three blocks, fitted anew in each", "AB|B'A|A'B"),
    PlannedDesign("four blocks, fitted anew in each", "AB|B'A|A'B|B'A"),
    PlannedDesign("three days of each part", "A;B;A;B;A;B"),
)


@dataclass(frozen=True)
class Reach:
    """What a design can do with so many passes a side.

    `part` is the power of telling each of `changes` (fractions) as a difference about the part, `drives` the same on
    these drives, `equivalent` the power of holding no change at all inside the margin, about the part.
    """

    planned: PlannedDesign
    passes: int
    about: About
    changes: tuple[float, ...]
    part: tuple[float, ...]
    drives: tuple[float, ...]
    equivalent: float


def reach(
    planned: PlannedDesign,
    passes: int,
    pass_sd: float,
    margin: float = 0.10,
    changes: Sequence[float] = CHANGES,
    true_sd: tuple[float, float] = (ASSUMED_SD, ASSUMED_SD),
    installation: Beforehand = UNKNOWN_SPREAD,
    day: Beforehand = UNKNOWN_SPREAD,
    sets: int = SETS,
    seed: int = 1,
) -> Reach:
    """The power of a design with `passes` in each stretch, on one road, or in rounds over several.

    `pass_sd` is the standard deviation of the logarithm from pass to pass (from round to round: that of a pass over the
    root of the number of roads, if they vary independently), `true_sd` those of installations and of days that are
    really there; `installation` and `day` are what will be known of them, as in `part.statements`.
    """
    design = planned.design(passes)
    given = statements(invented(design, (pass_sd, *true_sd), sets, seed), design, installation, day)
    part, drives = (
        tuple(float(told(given, change, which).mean()) for change in changes) for which in ("part", "drives")
    )
    inside = np.log1p(margin) - given.part.half_width(2 * ALPHA)
    return Reach(
        planned=planned,
        passes=int(min(design.after.sum(), (~design.after).sum())),
        about=overlap(design).about,
        changes=tuple(changes),
        part=part,
        drives=drives,
        equivalent=float((np.abs(given.part.difference) < inside).mean()),
    )


def invented(design: Design, sds: tuple[float, float, float], sets: int, seed: int) -> NDArray[np.float64]:
    """Logarithms (sets, n) with nothing changed, where passes, installations and days vary by `sds`."""
    draw = np.random.default_rng(seed)
    logs = np.zeros((sets, design.after.size))
    for sd, group in zip(sds, (np.arange(design.after.size), design.installation, design.day), strict=True):
        logs += sd * draw.standard_normal((sets, int(group.max()) + 1))[:, group]
    return logs


def told(given: Statements, change: float, which: str) -> NDArray[np.bool_]:
    """Where sets with nothing changed would tell a change by this fraction, in its direction, if it were there."""
    statement = getattr(given, which)
    return np.asarray(statement.difference + np.log1p(change) > statement.half_width())


def cheapest(
    pass_sd: float,
    change: float = 0.10,
    power: float = POWER,
    true_sd: tuple[float, float] = (ASSUMED_SD, ASSUMED_SD),
    designs: Sequence[PlannedDesign] = DESIGNS,
) -> Reach | None:
    """The design that tells `change` about the part with this power at the fewest refits, then the fewest passes.

    On the assumed spreads; the arguments are as in `reach`. None where none does with MOST_PASSES a side.
    """
    for refits in sorted({planned.refits for planned in designs}):
        alike = [planned for planned in designs if planned.refits == refits]
        reached = [_fewest(planned, pass_sd, change, power, true_sd) for planned in alike]
        if able := [reaching for reaching in reached if reaching is not None]:
            return min(able, key=lambda reaching: reaching.passes)
    return None


def _fewest(
    planned: PlannedDesign, pass_sd: float, change: float, power: float, true_sd: tuple[float, float]
) -> Reach | None:
    """The design with the fewest passes that reach the power, by bisection, since power grows with passes."""

    def with_passes(passes: int) -> Reach:
        return reach(planned, passes, pass_sd, changes=(change,), true_sd=true_sd, sets=SEARCH_SETS)

    shorter = min(sum(stretch.after == after for stretch in planned.stretches) for after in (False, True))
    choices = range(-(-2 // shorter), MOST_PASSES // shorter + 1)
    if with_passes(choices[-1]).part[0] < power:
        return None
    return with_passes(choices[bisect_left(choices, power, key=lambda passes: with_passes(passes).part[0])])


@dataclass(frozen=True)
class Needed:
    """Passes a side, and their assurance: the power averaged over what the spread may be, given its estimate."""

    passes: int
    assurance: float


def passes_needed(
    power: Callable[[float, int], float], sd: float, df: float, choices: Sequence[int], wanted: float = POWER
) -> Needed | None:
    """The fewest of `choices` whose power is as wanted at the spread's middle estimate; None where none does.

    `power` is that of a spread (standard deviation of the logarithm) and a number of passes; `sd` was estimated with
    `df` degrees of freedom. The middle estimate, sd · √(df / median of χ²), is too small as often as too large, so that
    the passes are too few as often as too many: a limit on the safe side asked for twice as many as were needed.
    """
    middle = sd * np.sqrt(df / chdtri(df, 0.5))
    for passes in choices:
        if power(float(middle), passes) >= wanted:
            likely = sd * np.sqrt(df / chdtri(df, (np.arange(STEPS) + 0.5) / STEPS))
            return Needed(passes, float(np.mean([power(float(spread), passes) for spread in likely])))
    return None
