"""Designs before anyone drives: the work they take, what each can say about the part, and how many passes that takes.

A design is written as it is driven: A and B are stretches of passes with the part before and after, | ends a block,
; ends a day, and ' says that the part is taken out and fitted again before it. A part that is fitted already stays:
in AB|BA the B of both blocks is one installation, in AB|B'A they are two.

Power is counted over invented sets by the very functions that decide, so that it holds for every design alike; the
product counts it nowhere else.
"""

import re
from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import scipy
from numpy.typing import NDArray

from towertap.compare.stats.contrast import ALPHA, Student, pass_contrast
from towertap.compare.stats.design import Design
from towertap.compare.stats.part import NOTHING, UNKNOWN_SPREAD, Beforehand, spread, statements
from towertap.errors import CallError

CHANGES = (0.03, 0.05, 0.08, 0.10)
SETS = 4_000
"""Power is then told to a point."""
POWER = 0.80
MOST_PASSES = 48
"""Nobody drives more a side."""
REFIT_ROUNDS = 6
"""Rounds that take as long as a refit: two hours with settling in, against twenty minutes (common practice)."""
STEPS = 20
"""Equally probable spreads that an assurance is averaged over."""
WRITTEN = re.compile(r"A(?:[|;]?[AB]'?)*")


@dataclass(frozen=True)
class Stretch:
    """Passes in a row with one installation; `installation`, `block` and `day` count from 1 in driving order."""

    after: bool
    installation: int
    block: int
    day: int


@dataclass(frozen=True)
class PlannedDesign:
    """A design as `order` writes it (see the head of this module), and what it is called.

    Raises CallError for what is no design.
    """

    order: str
    name: str = ""

    def __post_init__(self) -> None:
        """Refuse in one line what is no design."""
        if not WRITTEN.fullmatch(self.order) or "B" not in self.order:
            raise CallError(
                f"'{self.order:.100}' is no design: it begins with A, has a B, and is made of A, B, | (ends a block), "
                "; (ends a day) and ' (fitted anew), as AB|B'A is"
            )
        alike = re.search(r"AA|BB", self.order.replace("'", ""))
        if alike:
            raise CallError(f"'{self.order:.100}': two stretches of one part in a row need | or ; between them")

    @cached_property
    def stretches(self) -> tuple[Stretch, ...]:
        stretches: list[Stretch] = []
        block = day = 1
        for ends, part, anew in re.findall(r"([|;]?)([AB])('?)", self.order):
            block, day = block + bool(ends), day + (ends == ";")
            last = stretches[-1] if stretches else None
            stays = last is not None and last.after == (part == "B") and not anew
            installation = (last.installation if last else 0) + (not stays)
            stretches.append(Stretch(part == "B", installation, block, day))
        return tuple(stretches)

    @property
    def refits(self) -> int:
        """How often a part is taken out and one fitted, after the first."""
        return self.stretches[-1].installation - 1

    @property
    def days(self) -> int:
        return self.stretches[-1].day

    @property
    def shares(self) -> int:
        """Stretches that share the passes of a side; CallError where one part has more than the other."""
        after = sum(stretch.after for stretch in self.stretches)
        if 2 * after != len(self.stretches):
            raise CallError(f"'{self.order:.100}' has not as many stretches with A as with B: make it so")
        return after

    def per_stretch(self, passes: int) -> int:
        """Passes in each stretch of so many a side; CallError where the stretches cannot share them alike."""
        if passes < 2 or passes % self.shares:
            raise CallError(
                f"{passes} passes cannot be shared alike by the stretches of {self.order}: take a multiple of "
                f"{self.shares}, two or more"
            )
        return passes // self.shares

    @cached_property
    def paired(self) -> bool:
        """Whether blocks pair the parts: there are two or more, and each holds both."""
        sides = {(stretch.block, stretch.after) for stretch in self.stretches}
        blocks = self.stretches[-1].block
        return blocks > 1 and len(sides) == 2 * blocks

    def design(self, passes: int) -> Design:
        """The design with so many passes in each stretch."""
        each = [stretch for stretch in self.stretches for _ in range(passes)]
        return Design.of(
            [stretch.after for stretch in each],
            [stretch.installation for stretch in each],
            [stretch.day for stretch in each],
            [stretch.block for stretch in each] if self.paired else None,
        )


DESIGNS = (
    PlannedDesign("A;B", "a-day-each"),
    PlannedDesign("AB", "one-change"),
    PlannedDesign("AB|BA", "there-and-back"),
    PlannedDesign("AB|B'A", "there-and-back-anew"),
    PlannedDesign("AB;B'A", "two-days-anew"),
    PlannedDesign("AB|BA|AB", "three-blocks"),
    PlannedDesign("AB|BA|AB|BA", "four-blocks"),
    PlannedDesign("AB|B'A|A'B", "three-blocks-anew"),
    PlannedDesign("AB|B'A|A'B|B'A", "four-blocks-anew"),
    PlannedDesign("A;B;A;B;A;B", "three-days-each"),
)


def design_of(text: str) -> PlannedDesign:
    """A design by its name or as it is written; CallError for what is neither."""
    known = {label: planned for planned in DESIGNS for label in (planned.name, planned.order)}
    return known.get(text) or PlannedDesign(text)


@dataclass(frozen=True)
class Power:
    """Of one statement: the power of telling each change in its direction, and of holding none inside the margin."""

    told: tuple[float, ...]
    equivalent: float


@dataclass(frozen=True)
class Reach:
    """What a design can do with so many passes a side: the power of both statements, `changes` being fractions."""

    planned: PlannedDesign
    passes: int
    changes: tuple[float, ...]
    part: Power
    drives: Power

    @property
    def work(self) -> int:
        """What it takes, in rounds over all roads."""
        return 2 * self.passes + REFIT_ROUNDS * self.planned.refits


Known = tuple[Beforehand, Beforehand]
"""What is known beforehand of how far installations and days differ."""
NOTHING_KNOWN: Known = (UNKNOWN_SPREAD, UNKNOWN_SPREAD)


def reach(
    planned: PlannedDesign,
    passes: int,
    pass_sd: float,
    margin: float = 0.10,
    *,
    changes: Sequence[float] = CHANGES,
    known: Known = NOTHING_KNOWN,
    true_sd: tuple[float, float] | None = None,
    sets: int = SETS,
    seed: int = 1,
) -> Reach:
    """The power of a design with `passes` a side, shared alike by its stretches.

    `pass_sd` is the standard deviation of the logarithm from pass to pass on one road, or from round to round over
    several. `known` is what the verdict will know of installations and days beforehand; they truly vary by `true_sd`,
    by as much as it will take them to where that is not said.
    """
    design = planned.design(planned.per_stretch(passes))
    sds = true_sd or tuple(float(spread(NOTHING, before).sd) for before in known)
    both = statements(invented(design, (pass_sd, *sds), sets, seed), design, *known)
    part, drives = (power_of(sets_of(student), margin, changes) for student in (both.part, both.drives))
    return Reach(planned, passes, tuple(changes), part, drives)


Sets = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
"""Of many sets (sets,): the difference, and half the intervals that a difference and equivalence are read from."""


def power_on_drives(blocks: int, passes: int, pass_sd: float, margin: float, alpha: float, seed: int = 1) -> Power:
    """The power on these drives, where only passes vary: of a change by the margin, and of none held inside it.

    In blocks that share the `passes` a side alike, where there are two or more; tests at `alpha`.
    """
    difference, least, reach = (pass_sd * of_unit for of_unit in _on_drives(blocks, passes, alpha, seed))
    return power_of((difference, least, reach), margin, (margin,))


@lru_cache
def _on_drives(blocks: int, passes: int, alpha: float, seed: int) -> Sets:
    """The sets behind `power_on_drives` where passes vary by 1: they grow with the spread, and nothing else changes."""
    design = PlannedDesign("|".join(("AB", "BA")[block % 2] for block in range(blocks))).design(passes // blocks)
    student = pass_contrast(invented(design, (1.0, 0.0, 0.0), SETS, seed), design.after, design.block)
    return sets_of(student, alpha)


def sets_of(student: Student, alpha: float = ALPHA) -> Sets:
    """Many sets as tests at `alpha` see them."""
    return student.difference, student.half_width(alpha), student.half_width(2 * alpha)


def power_of(sets: Sets, margin: float, changes: Sequence[float]) -> Power:
    """The power of tests, from many sets with nothing changed, into which each change is put."""
    difference, least, reach = sets
    return Power(
        tuple(float((difference + np.log1p(change) > least).mean()) for change in changes),
        float((np.abs(difference) + reach < np.log1p(margin)).mean()),
    )


def invented(design: Design, sds: tuple[float, ...], sets: int, seed: int) -> NDArray[np.float64]:
    """Logarithms (sets, n) with nothing changed, where passes, installations and days vary by `sds`."""
    draw = np.random.default_rng(seed)
    logs = np.zeros((sets, design.after.size))
    for sd, group in zip(sds, (np.arange(design.after.size), design.installation, design.day), strict=True):
        logs += sd * draw.standard_normal((sets, int(group.max()) + 1))[:, group]
    return logs


Able = Callable[[PlannedDesign, int], Reach]
"""What a design can do with so many passes a side: `reach` with all else as it will be."""
Aim = Callable[[Reach], float]
"""The power that is wanted of it."""


def told_of_the_part(able: Reach) -> float:
    return able.part.told[0]


def cheapest(
    able: Able, power: float = POWER, aim: Aim = told_of_the_part, designs: Sequence[PlannedDesign] = DESIGNS
) -> Reach | None:
    """The design that does what is wanted at the least work, and on the fewest days; None where none does."""
    best: Reach | None = None
    for planned in sorted(designs, key=lambda planned: (planned.refits, planned.days)):
        if best and REFIT_ROUNDS * planned.refits >= best.work:
            break
        reached = fewest_passes(able, planned, power, aim)
        if reached and (best is None or reached.work < best.work):
            best = reached
    return best


def fewest_passes(
    able: Able, planned: PlannedDesign, power: float = POWER, aim: Aim = told_of_the_part
) -> Reach | None:
    """The design with the fewest passes that reach the power wanted; None beyond MOST_PASSES a side."""
    passes = _fewest(lambda passes: aim(able(planned, passes)), power, choices(planned.shares))
    return able(planned, passes) if passes else None


def choices(shares: int) -> range:
    """Passes a side, two or more, that so many stretches share alike."""
    return range(shares * -(-2 // shares), MOST_PASSES + 1, shares)


def _fewest(power: Callable[[int], float], wanted: float, choices: Sequence[int]) -> int | None:
    """The fewest of `choices` whose power is as wanted, by bisection, since power grows with passes."""
    if power(choices[-1]) < wanted:
        return None
    return choices[bisect_left(choices, wanted, key=power)]


def passes_needed(
    power: Callable[[float, int], float], sd: float, df: float, choices: Sequence[int], wanted: float = POWER
) -> tuple[int, float] | None:
    """The fewest of `choices` whose power is as wanted at the spread's middle estimate; None where none does.

    And their assurance: the power averaged over what the spread may be, given its estimate.

    `power` is that of a spread (standard deviation of the logarithm) and a number of passes; `sd` was estimated with
    `df` degrees of freedom. The middle estimate is too small as often as too large, so that the passes are too few as
    often as too many: a limit on the safe side asked for twice as many as were needed.
    """
    passes = _fewest(lambda passes: power(middle(sd, df), passes), wanted, choices)
    return None if passes is None else (passes, assurance(lambda spread: power(spread, passes), sd, df))


def middle(sd: float, df: float) -> float:
    """The middle estimate of a spread estimated with `df` degrees of freedom: sd · √(df / median of χ²)."""
    return float(sd * np.sqrt(df / scipy.special.chdtri(df, 0.5)))


def assurance(power: Callable[[float], float], sd: float, df: float) -> float:
    """The power averaged over what a spread may be that was estimated with `df` degrees of freedom."""
    likely = sd * np.sqrt(df / scipy.special.chdtri(df, (np.arange(STEPS) + 0.5) / STEPS))
    return float(np.mean([power(float(spread)) for spread in likely]))
