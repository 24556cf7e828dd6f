"""The plan of a comparison, settled before the first drive: what is asked, what counts, what is driven in which order.

It is a small JSON file, so that `compare` can say where the drives and the analysis departed from it.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path
from typing import Annotated, Any, Self

from msgspec import Meta

from towertap.compare.drives.slots import Key, Slot
from towertap.compare.stats.contrast import ALPHA
from towertap.compare.stats.power import Strength, given_spread, strength
from towertap.doors.structured import read_json, typed
from towertap.doors.times import instant
from towertap.doors.whole_file import whole_file
from towertap.errors import CallError, FileError
from towertap.signals.metrics import METRICS, RMS

SCHEMA, VERSION = "towertap-plan", 1
QUANTILE = 0.95
"""Of the smooth road's windows: the roughness limit; a plan has no field for it, so anything else is a departure."""

LARGEST_FILE = 1_000_000
MOST_DRIVES = 2000
MEND = "mend it, or write the plan anew with `towertap plan`"

FELT_PERCENT = (6.7, 11.0)
"""Medians of the smallest changes of vertical vibration that people feel, on a seat."""
FELT = (
    f"Changes of vertical vibration that people just feel have medians of {FELT_PERCENT[0]:.1f} to "
    f"{FELT_PERCENT[1]:.1f} % (Vibration 2020, 3(2), 116–131, doi:10.3390/vibration3020010), "
    "and about 13 % in a car seat on recorded roads (Mansfield and Griffin 2000; from memory). Both were felt on a "
    "seat; a hard point of the body is not one."
)
"""Guidance for the margin."""

Text = Annotated[str, Meta(max_length=2000)]
Number = Annotated[int, Meta(ge=1, le=9999)]
Speed = Annotated[float, Meta(gt=0, le=400)]
Celsius = Annotated[float, Meta(ge=-60, le=60)]


@dataclass(frozen=True)
class PlannedRoad:
    """A road and the speed aimed at on it."""

    name: Text
    speed_kmh: Speed


@dataclass(frozen=True)
class PlannedDrive:
    """One pass of the plan; `block` pairs the two sides, from 1; the pass number counts by part and road, from 1."""

    block: Number
    part: Text
    road: Text
    pass_number: Number


@dataclass(frozen=True)
class HeldConditions:
    """Conditions to hold in every pass, as the captures write them down; an empty text or None is not held."""

    tyre_pressures_kpa: Text = ""
    air_temperature_c: tuple[Celsius, Celsius] | None = None
    """Lowest and highest air temperature to drive in."""
    box_position: Text = ""
    mounting: Text = ""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan; `roads` include the smooth one, `metrics` start with the primary one, `drives` stand in driving order.

    `margin`, `power` and `spread_cv` (how far passes with nothing changed differ, as planned with) are fractions;
    `spread_from` says in words where the spread comes from, `blocks` is 1 for one change of the part, 2 for A B B A.
    Raises CallError for what cannot be a plan.
    """

    question: Text
    vehicle: Text
    before: Text
    after: Text
    smooth: Text
    roads: tuple[PlannedRoad, ...]
    metrics: tuple[str, ...]
    margin: float
    power: float
    spread_cv: float
    spread_from: Text
    blocks: Number
    seed: Annotated[int, Meta(ge=0)]
    hold: HeldConditions
    drives: tuple[PlannedDrive, ...]
    written_utc: str

    def __post_init__(self) -> None:
        """Hold the plan to its rules, one line for the first that is broken."""
        for broken, words in self._rules():
            if broken:
                raise CallError(words)

    def _rules(self) -> Iterator[tuple[bool, str]]:
        names = [road.name for road in self.roads]
        yield (
            any(not text or text != " ".join(text.split()) for text in (self.vehicle, self.before, self.after, *names)),
            "vehicle, parts and roads each need a name on one line, without blanks at its ends",
        )
        yield self.before == self.after, f"before and after both name '{self.before}': name two parts"
        yield len(set(names)) < len(names), f"a road is named twice: {', '.join(names)}"
        yield self.smooth not in names, f"the smooth road '{self.smooth}' is not among the roads"
        yield len(names) < 2, f"'{self.smooth}' is the only road: plan a rough road as well"
        known = [metric.name for metric in METRICS.values() if metric.statistic is RMS]
        each_once = 0 < len(self.metrics) == len(set(self.metrics)) and set(self.metrics) <= set(known)
        yield not each_once, f"metrics must be one or more of {', '.join(known)}, each once"
        for name in ("margin", "power", "spread_cv"):
            share = getattr(self, name)
            yield not 0 < share < 1, f"{name} must lie between 0 and 100 %, not {100 * share:g} %"
        yield not 1 <= len(self.drives) <= MOST_DRIVES, f"a plan has 1 to {MOST_DRIVES} drives, not {len(self.drives)}"
        keys = {(drive.part, drive.road, drive.pass_number) for drive in self.drives}
        yield len(keys) < len(self.drives), "a drive is planned twice"
        wanted = {(part, road) for part in (self.before, self.after) for road in names}
        covered = {(part, road) for part, road, _ in keys}
        yield covered != wanted, "the drives must cover both parts on every road, and no other"
        yield instant(self.written_utc) is None, "written_utc must be a time in ISO 8601"
        low, high = self.hold.air_temperature_c or (0.0, 0.0)
        yield low > high, f"air temperature: {low:g} is above {high:g} °C; say the lowest first"

    @property
    def rough_roads(self) -> tuple[PlannedRoad, ...]:
        """Every road but the smooth one."""
        return tuple(road for road in self.roads if road.name != self.smooth)

    @property
    def passes(self) -> int:
        """Passes over one road with one part: the fewest of all roads and parts."""
        return min(Counter((drive.part, drive.road) for drive in self.drives).values())

    @property
    def installations(self) -> list[tuple[str, list[PlannedDrive]]]:
        """The part and the drives of each installation in turn; the part is changed between them."""
        return [(part, list(drives)) for part, drives in groupby(self.drives, lambda drive: drive.part)]

    @property
    def slots(self) -> dict[Key, Slot] | None:
        """The slot of each drive by its part, road and pass number; None where no blocks pair the parts."""
        if self.blocks < 2:
            return None
        return {
            (drive.part, drive.road, drive.pass_number): Slot(drive.block, number)
            for number, (_, drives) in enumerate(self.installations, start=1)
            for drive in drives
        }

    @property
    def alpha(self) -> float:
        """Error rate each finding of the primary metric is planned with: the roads' share, Holm's least."""
        return ALPHA / len(self.rough_roads)

    @property
    def written(self) -> datetime:
        """When the plan was written, in UTC."""
        return (instant(self.written_utc) or datetime.max.replace(tzinfo=UTC)).astimezone(UTC)

    def strength(self) -> Strength:
        """What the planned passes can do, taking the spread for true."""
        spread = given_spread(self.spread_cv).value
        return strength(self.margin, spread, self.passes, self.power, self.alpha, self.blocks)

    def speed_kmh(self, road: str) -> float | None:
        """The speed aimed at on a road, None where the plan does not know it."""
        return {planned.name: planned.speed_kmh for planned in self.roads}.get(road)

    @classmethod
    def from_dict(cls, data: dict[str, Any], source: str = "plan") -> Self:
        """From the JSON object of the file; FileError or CallError says in one line what is wrong."""
        if data.get("schema") != SCHEMA:
            raise FileError(f"{source}: not a plan: it does not say schema {SCHEMA}; write one with `towertap plan`")
        if data.get("version") != VERSION:
            version = f"{data.get('version')!r:.20}"
            raise FileError(f"{source}: a plan of version {version}, and this towertap reads {VERSION}: update it")
        entries = {name: value for name, value in data.items() if name not in ("schema", "version")}
        for declared, items in ((cls, entries), *((kind, entries.get(name)) for name, kind in NESTED.items())):
            known = [field.name for field in fields(declared)]
            for item in items if isinstance(items, list) else [items]:
                for name in item if isinstance(item, dict) else ():
                    if name not in known:
                        raise FileError(f'{source}: unknown entry "{name:.100}": {MEND}')
        plan: Self = typed(entries, cls, source)
        return plan

    def to_dict(self) -> dict[str, Any]:
        """A mapping that JSON can hold and `from_dict` reads back."""
        return {"schema": SCHEMA, "version": VERSION, **asdict(self)}


NESTED = {"hold": HeldConditions, "roads": PlannedRoad, "drives": PlannedDrive}
"""The entries of a plan that hold entries of their own."""


def read_plan(path: Path) -> Plan:
    """Read a plan file; FileError names the file and says in one line what is wrong with it."""
    data = read_json(path, dict[str, Any], "the plan.json that `towertap plan` wrote", LARGEST_FILE)
    try:
        return Plan.from_dict(data, str(path))
    except CallError as error:
        raise FileError(f"{path}: {error}") from None


def write_plan(plan: Plan, path: Path) -> None:
    """Write the plan whole or not at all; CallError where there is one already: a plan is not changed afterwards."""
    if path.exists():
        raise CallError(f"{path} is there already, and a plan is not changed afterwards: name another folder")
    with whole_file(path) as part:
        text = json.dumps(plan.to_dict(), indent=1, ensure_ascii=False, allow_nan=False)
        part.write_text(text + "\n", "utf-8")
