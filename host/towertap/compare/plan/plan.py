"""The plan of a comparison, settled before the first drive: the question, what counts, and the order of the drives.

It is a small JSON file, so that `compare` can say where the drives and the analysis departed from it.
"""

from collections import Counter
from collections.abc import Iterator
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from functools import cached_property
from itertools import groupby
from pathlib import Path
from typing import Annotated, Any, Self

from msgspec import Meta

from towertap.compare.drives.slots import Key, Slot
from towertap.compare.plan.controls import ControlKind
from towertap.compare.stats.planning import PlannedDesign, Stretch
from towertap.doors.structured import read_json, typed
from towertap.doors.times import instant
from towertap.doors.whole_file import write_json
from towertap.errors import CallError, FileError
from towertap.signals.metrics import METRICS, RMS

SCHEMA, VERSION = "towertap-plan", 2
DEFAULT_METRICS = ("jerk_z", "weighted_z", "acceleration_z")
"""Few, because without a plan that names the primary one, every further metric costs power for all."""

LARGEST_FILE = 1_000_000
MOST_DRIVES = 2000
REMEDY = "fix it, or write a new plan with `towertap plan`"

Text = Annotated[str, Meta(max_length=2000)]
Number = Annotated[int, Meta(ge=1, le=9999)]
Speed = Annotated[float, Meta(gt=0, le=400)]
Celsius = Annotated[float, Meta(ge=-60, le=60)]
Sd = Annotated[float, Meta(ge=0, lt=1)]


@dataclass(frozen=True)
class PlannedRoad:
    """A road and the speed aimed at on it."""

    name: Text
    speed_kmh: Speed


@dataclass(frozen=True)
class PlannedDrive:
    """One pass of the plan, in the block of its stretch; the pass number counts by part and road, from 1."""

    block: Number
    part: Text
    road: Text
    pass_number: Number

    @property
    def key(self) -> Key:
        return self.part, self.road, self.pass_number

    @property
    def words(self) -> str:
        return f"pass {self.pass_number} of {self.road} with {self.part}"


@dataclass(frozen=True)
class HeldConditions:
    """Conditions to hold in every pass, as captures record them; an empty text or None is not held."""

    tyre_pressures_kpa: Text = ""
    air_temperature_c: tuple[Celsius, Celsius] | None = None
    """Lowest and highest air temperature to drive in."""
    box_position: Text = ""
    mounting: Text = ""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan; `roads` include the smooth one, `metrics` start with the primary one, `drives` are in driving order.

    `margin`, `power`, `spread` and what is stated of installations and days (`refit_sd`, `day_sd`, None if nothing is)
    are fractions. `spread` is how far rounds over all rough roads (passes, if there is one road) are planned to differ
    with nothing changed; `spread_from` says where it comes from. `design` says which drives share a block, an
    installation and a day, written as in `planning`; `control` is set for a control. Raises CallError for what cannot
    be a plan.
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
    spread: float
    spread_from: Text
    refit_sd: Sd | None = None
    day_sd: Sd | None = None
    design: Text
    control: ControlKind | None = None
    seed: Annotated[int, Meta(ge=0)]
    hold: HeldConditions
    drives: tuple[PlannedDrive, ...]
    written_utc: str

    def __post_init__(self) -> None:
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
        for name in ("margin", "power", "spread"):
            share = getattr(self, name)
            yield not 0 < share < 1, f"{name} must lie between 0 and 100 %, not {100 * share:g} %"
        yield not 1 <= len(self.drives) <= MOST_DRIVES, f"a plan has 1 to {MOST_DRIVES} drives, not {len(self.drives)}"
        keys = {drive.key for drive in self.drives}
        yield len(keys) < len(self.drives), "a drive is planned twice"
        wanted = {(part, road) for part in (self.before, self.after) for road in names}
        covered = {(part, road) for part, road, _ in keys}
        yield covered != wanted, "the drives must cover both parts on every road, and nothing else"
        driven = [run for run, _ in self._runs()]
        planned = [
            (stretch.block, self.after if stretch.after else self.before) for stretch in self.planned_design.stretches
        ]
        yield driven != planned, f"the drives are not in the blocks and parts of the design {self.design}"
        days_of = {(stretch.day, stretch.after) for stretch in self.planned_design.stretches}
        days = self.planned_design.days
        yield self.control == "refit" and days > 1, f"a refit control is driven on one day, not as {self.design}"
        yield (
            self.control == "day" and (days < 2 or len(days_of) > days),
            f"a no-change day has each side on its own days, as A;B, not as {self.design}",
        )
        yield instant(self.written_utc) is None, "written_utc must be a time in ISO 8601"
        low, high = self.hold.air_temperature_c or (0.0, 0.0)
        yield low > high, f"air temperature: {low:g} is above {high:g} °C; give the lowest first"

    @property
    def rough_roads(self) -> tuple[PlannedRoad, ...]:
        return tuple(road for road in self.roads if road.name != self.smooth)

    @property
    def passes(self) -> int:
        """Passes over one road with one part: the fewest of all roads and parts."""
        return min(Counter((drive.part, drive.road) for drive in self.drives).values())

    @cached_property
    def planned_design(self) -> PlannedDesign:
        return PlannedDesign(self.design)

    @property
    def stretches(self) -> list[tuple[Stretch, list[PlannedDrive]]]:
        """Each stretch with its drives, in driving order."""
        return [
            (stretch, drives) for stretch, (_, drives) in zip(self.planned_design.stretches, self._runs(), strict=True)
        ]

    def _runs(self) -> list[tuple[tuple[int, str], list[PlannedDrive]]]:
        """Consecutive drives of one block with one part, by block and part."""
        runs = groupby(self.drives, lambda drive: (drive.block, drive.part))
        return [(block_and_part, list(drives)) for block_and_part, drives in runs]

    @property
    def slots(self) -> dict[Key, Slot]:
        """The slot of each drive by its part, road and pass number; all in one block unless blocks pair the parts."""
        paired = self.planned_design.paired
        return {
            drive.key: Slot(stretch.block if paired else 1, stretch.installation)
            for stretch, drives in self.stretches
            for drive in drives
        }

    @property
    def written(self) -> datetime:
        return (instant(self.written_utc) or datetime.max.replace(tzinfo=UTC)).astimezone(UTC)

    def speed_kmh(self, road: str) -> float | None:
        """The speed aimed at on a road; None if the plan does not have the road."""
        return {planned.name: planned.speed_kmh for planned in self.roads}.get(road)

    @classmethod
    def from_dict(cls, data: dict[str, Any], source: str = "plan") -> Self:
        """From the file's JSON object; FileError or CallError says in one line what is wrong."""
        if data.get("schema") != SCHEMA:
            raise FileError(f"{source}: not a plan: it does not say schema {SCHEMA}; write one with `towertap plan`")
        version = data.get("version")
        if version != VERSION:
            raise FileError(
                f"{source}: a plan of version {version!r:.20}, but this one reads {VERSION}: write a new one, or update"
            )
        entries = {name: value for name, value in data.items() if name not in ("schema", "version")}
        for declared, items in ((cls, entries), *((kind, entries.get(name)) for name, kind in NESTED.items())):
            known = [field.name for field in fields(declared)]
            for item in items if isinstance(items, list) else [items]:
                for name in item if isinstance(item, dict) else ():
                    if name not in known:
                        raise FileError(f'{source}: unknown entry "{name:.100}": {REMEDY}')
        plan: Self = typed(entries, cls, source)
        return plan

    def to_dict(self) -> dict[str, Any]:
        """A JSON object that `from_dict` reads back."""
        return {"schema": SCHEMA, "version": VERSION, **asdict(self)}


NESTED = {"hold": HeldConditions, "roads": PlannedRoad, "drives": PlannedDrive}
"""The entries of a plan that have entries of their own."""


def read_plan(path: Path) -> Plan:
    """Read a plan file; FileError names the file and says in one line what is wrong."""
    data = read_json(path, dict[str, Any], "the plan.json that `towertap plan` wrote", LARGEST_FILE)
    try:
        return Plan.from_dict(data, str(path))
    except CallError as error:
        raise FileError(f"{path}: {error}") from None


def write_plan(plan: Plan, path: Path) -> None:
    """Write the plan completely or not at all; CallError if the file exists, since a plan is never changed."""
    if path.exists():
        raise CallError(f"{path} exists already, and a plan is not changed afterwards: name another folder")
    write_json(path, plan.to_dict())
