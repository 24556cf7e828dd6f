"""Designs before anyone drives: the work they take, what they can show about the part, and how many passes they need.

A design is written as it is driven: A and B are stretches of passes with the part before and after, | ends a block,
; ends a day, and ' means that the part is taken out and fitted again before it. A fitted part stays: in AB|BA the B of
both blocks is one installation, in AB|B'A they are two.

Power is counted over simulated sets by the functions that decide, so that it holds for every design, and nowhere else.
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
SETS, SEED = 4_000, 1
"""Gives power to a percentage point."""
POWER = 0.80
MOST_PASSES = 48
"""Nobody drives more per side."""
REFIT_ROUNDS = 6
"""Rounds that take as long as a refit: two hours with settling in, against twenty minutes (common practice)."""
STEPS = 20
"""Equally probable spreads that an assurance is averaged over."""
WRITTEN = re.compile(r"A(?:[|;]?[AB]'?)*")


@dataclass(frozen=True)
class Stretch:
    """Consecutive passes with one installation; `installation`, `block` and `day` count from 1 in driving order."""

    after: bool
    installation: int
    block: int
    day: int


@dataclass(frozen=True)
class PlannedDesign:
    """A design as `order` writes it (see the head of this module), and its name; CallError for what is no design."""

    order: str
    name: str = ""

    def __post_init__(self) -> None:
        if not WRITTEN.fullmatch(self.order) or "B" not in self.order:
            raise CallError(
                f"'{self.order:.100}' is no design: it begins with A, has a B, and is made of A, B, | (ends a block), "
                "; (ends a day) and ' (fitted again), as AB|B'A is"
            )
        repeated = re.search(r"AA|BB", self.order.replace("'", ""))
        if repeated:
            raise CallError(f"'{self.order:.100}': two consecutive stretches of one part need | or ; between them")

    @cached_property
    def stretches(self) -> tuple[Stretch, ...]:
        stretches: list[Stretch] = []
        block = day = 1
        for ends, part, refit in re.findall(r"([|;]?)([AB])('?)", self.order):
            block, day = block + bool(ends), day + (ends == ";")
            last = stretches[-1] if stretches else None
            stays = last is not None and last.after == (part == "B") and not refit
            installation = (last.installation if last else 0) + (not stays)
            stretches.append(Stretch(part == "B", installation, block, day))
        return tuple(stretches)

    @property
    def refits(self) -> int:
        """How often a part is taken out and another, or the same, fitted."""
        return self.stretches[-1].installation - 1

    @property
    def days(self) -> int:
        return self.stretches[-1].day

    @property
    def shares(self) -> int:
        """Stretches that share the passes of a side; CallError if one part has more than the other."""
        after = sum(stretch.after for stretch in self.stretches)
        if 2 * after != len(self.stretches):
            raise CallError(f"'{self.order:.100}' needs as many stretches with A as with B")
        return after

    def per_stretch(self, passes: int) -> int:
        """Passes in each stretch, from passes per side; CallError if the stretches cannot share them equally."""
        if passes < 2 or passes % self.shares:
            raise CallError(
                f"{passes} passes cannot be shared equally by the stretches of {self.order}: take a multiple of "
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
        """The design with this many passes in each stretch."""
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
    """A design by its name or in writing; CallError for anything else."""
    known = {label: planned for planned in DESIGNS for label in (planned.name, planned.order)}
    return known.get(text) or PlannedDesign(text)


@dataclass(frozen=True)
class Power:
    """Power of one statement: of showing each change in its direction, and of showing equivalence without a change."""

    told: tuple[float, ...]
    equivalent: float


@dataclass(frozen=True)
class Reach:
    """What a design can do with so many passes per side: the power of both statements; `changes` are fractions."""

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
) -> Reach:
    """The power of a design with `passes` per side, shared equally by its stretches.

    `pass_sd` is the standard deviation of the logarithm from pass to pass on one road, or from round to round over
    several. `known` is what the verdict will know of installations and days beforehand. They truly vary by `true_sd`,
    or else by what the verdict will assume.
    """
    design = planned.design(planned.per_stretch(passes))
    sds = true_sd or tuple(float(spread(NOTHING, before).sd) for before in known)
    simulated = statements(invented(design, (pass_sd, *sds), SETS, SEED), design, *known)
    part, drives = (power_of(sets_of(student), margin, changes) for student in (simulated.part, simulated.drives))
    return Reach(planned, passes, tuple(changes), part, drives)


Sets = tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]
"""For many sets (sets,): the difference, and half the intervals that decide a difference and equivalence."""


def power_on_drives(blocks: int, passes: int, pass_sd: float, margin: float, alpha: float) -> Power:
    """The power on these drives, where only passes vary: of a change by the margin, and of equivalence without one.

    In `blocks` that share the `passes` per side equally, if there are two or more; tests at `alpha`.
    """
    difference, least, reach = (pass_sd * unit for unit in _on_drives(blocks, passes, alpha))
    return power_of((difference, least, reach), margin, (margin,))


@lru_cache
def _on_drives(blocks: int, passes: int, alpha: float) -> Sets:
    """The sets behind `power_on_drives` with a pass spread of 1: they scale with the spread."""
    design = PlannedDesign("|".join(("AB", "BA")[block % 2] for block in range(blocks))).design(passes // blocks)
    student = pass_contrast(invented(design, (1.0, 0.0, 0.0), SETS, SEED), design.after, design.block)
    return sets_of(student, alpha)


def sets_of(student: Student, alpha: float = ALPHA) -> Sets:
    """Many sets as tests at `alpha` see them."""
    return student.difference, student.half_width(alpha), student.half_width(2 * alpha)


def power_of(sets: Sets, margin: float, changes: Sequence[float]) -> Power:
    """The power of tests, from many sets with nothing changed, with each change added to them."""
    difference, least, reach = sets
    return Power(
        tuple(float((difference + np.log1p(change) > least).mean()) for change in changes),
        float((np.abs(difference) + reach < np.log1p(margin)).mean()),
    )


def invented(design: Design, sds: tuple[float, ...], sets: int, seed: int) -> NDArray[np.float64]:
    """Simulated logarithms (sets, n) with nothing changed, when passes, installations and days vary by `sds`."""
    draw = np.random.default_rng(seed)
    logs = np.zeros((sets, design.after.size))
    for sd, group in zip(sds, (np.arange(design.after.size), design.installation, design.day), strict=True):
        logs += sd * draw.standard_normal((sets, int(group.max()) + 1))[:, group]
    return logs


Able = Callable[[PlannedDesign, int], Reach]
"""What a design can do with so many passes per side: `reach` with everything else fixed."""
Aim = Callable[[Reach], float]
"""The power that is asked of it."""


def part_power(able: Reach) -> float:
    return able.part.told[0]


def cheapest(
    able: Able, power: float = POWER, aim: Aim = part_power, designs: Sequence[PlannedDesign] = DESIGNS
) -> Reach | None:
    """The design that reaches the power with the least work, and on the fewest days; None if none does."""
    best: Reach | None = None
    for planned in sorted(designs, key=lambda planned: (planned.refits, planned.days)):
        if best and REFIT_ROUNDS * planned.refits >= best.work:
            break
        reached = fewest_passes(able, planned, power, aim)
        if reached and (best is None or reached.work < best.work):
            best = reached
    return best


def fewest_passes(able: Able, planned: PlannedDesign, power: float = POWER, aim: Aim = part_power) -> Reach | None:
    """The design with the fewest passes that reach the power; None beyond MOST_PASSES per side."""
    passes = _fewest(lambda passes: aim(able(planned, passes)), power, choices(planned.shares))
    return able(planned, passes) if passes else None


def choices(shares: int) -> range:
    """Passes per side, two or more, that this many stretches share equally."""
    return range(max(2, shares), MOST_PASSES + 1, shares)


def _fewest(power: Callable[[int], float], wanted: float, choices: Sequence[int]) -> int | None:
    """The fewest of `choices` that reach the wanted power, by bisection, since power grows with passes."""
    if power(choices[-1]) < wanted:
        return None
    return choices[bisect_left(choices, wanted, key=power)]


def passes_needed(
    power: Callable[[float, int], float], sd: float, df: float, choices: Sequence[int]
) -> tuple[int, float] | None:
    """The fewest of `choices` that reach POWER at the spread's middle estimate, and their assurance.

    None if none does. Assurance is the power averaged over what the spread may be, given its estimate. `power` takes a
    spread (standard deviation of the logarithm) and a number of passes; `sd` was estimated with `df` degrees of
    freedom. The middle estimate is too small as often as too large, so the passes are too few as often as too many; a
    limit on the safe side asked for twice as many as were needed.
    """
    passes = _fewest(lambda passes: power(middle(sd, df), passes), POWER, choices)
    return None if passes is None else (passes, assurance(lambda spread: power(spread, passes), sd, df))


def middle(sd: float, df: float) -> float:
    """The middle estimate of a spread estimated with `df` degrees of freedom: sd · √(df / median of χ²)."""
    return float(sd * np.sqrt(df / scipy.special.chdtri(df, 0.5)))


def assurance(power: Callable[[float], float], sd: float, df: float) -> float:
    """The power averaged over what a spread may be, if it was estimated with `df` degrees of freedom."""
    likely = sd * np.sqrt(df / scipy.special.chdtri(df, (np.arange(STEPS) + 0.5) / STEPS))
    return float(np.mean([power(float(spread)) for spread in likely]))
