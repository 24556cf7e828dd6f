"""The plan of a comparison, settled before the first drive: what is asked, what counts, what is driven in which order.

It is a small JSON file, so that `compare` can say where the drives and the analysis departed from it.
"""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, fields
from datetime import UTC, datetime
from itertools import groupby
from pathlib import Path
from typing import Any, Self

from towertap.capture.conditions import Conditions
from towertap.compare.drives.slots import Key, Slot
from towertap.compare.stats.contrast import ALPHA
from towertap.compare.stats.power import Strength, given_spread, strength
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


@dataclass(frozen=True)
class Road:
    """A road and the speed aimed at on it."""

    name: str
    speed_kmh: float


@dataclass(frozen=True)
class PlannedDrive:
    """One pass of the plan; `block` pairs the two sides, from 1; the pass number counts by part and road, from 1."""

    block: int
    part: str
    road: str
    pass_number: int


@dataclass(frozen=True)
class Held:
    """Conditions to hold in every pass, as the captures write them down; an empty text or None is not held."""

    tyre_pressures_kpa: str = ""
    air_temperature_c: tuple[float, float] | None = None
    """Lowest and highest air temperature to drive in."""
    box_position: str = ""
    mounting: str = ""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """A plan; `roads` include the smooth one, `metrics` start with the primary one, `drives` stand in driving order.

    `margin`, `power` and `spread_cv` (how far passes with nothing changed stray, as planned with) are fractions;
    `spread_from` says in words where the spread comes from, `blocks` is 1 for one change of the part, 2 for A B B A.
    Raises CallError for what cannot be a plan.
    """

    question: str
    vehicle: str
    before: str
    after: str
    smooth: str
    roads: tuple[Road, ...]
    metrics: tuple[str, ...]
    margin: float
    power: float
    spread_cv: float
    spread_from: str
    blocks: int
    seed: int
    hold: Held
    drives: tuple[PlannedDrive, ...]
    written_utc: str

    def __post_init__(self) -> None:
        """Hold the plan to its rules, one line for the first that is broken."""
        for wrong, words in self._rules():
            if wrong:
                raise CallError(words)

    def _rules(self) -> Iterator[tuple[bool, str]]:
        names = [road.name for road in self.roads]
        texts = (self.vehicle, self.before, self.after, *names)
        yield (
            not all(isinstance(text, str) and text and text == " ".join(text.split()) for text in texts),
            "vehicle, parts and roads each need a name on one line, without blanks at its ends",
        )
        yield self.before == self.after, f"before and after both name '{self.before}': name two parts"
        yield len(set(names)) < len(names), f"a road is named twice: {', '.join(names)}"
        yield self.smooth not in names, f"the smooth road '{self.smooth}' is not among the roads"
        yield len(names) < 2, f"'{self.smooth}' is the only road: plan a rough road as well"
        known = [metric.name for metric in METRICS.values() if metric.statistic is RMS]
        yield (
            not self.metrics or len(set(self.metrics)) < len(self.metrics) or not set(self.metrics) <= set(known),
            f"metrics must be one or more of {', '.join(known)}, each once",
        )
        for name in ("margin", "power", "spread_cv"):
            value = getattr(self, name)
            said = f"{100 * value:g} %" if _number(value) else repr(value)
            yield not _number(value) or not 0 < value < 1, f"{name} must lie between 0 and 100 %, not {said}"
        whole = (self.blocks, self.seed, *(n for drive in self.drives for n in (drive.block, drive.pass_number)))
        yield not all(type(n) is int and n >= 0 for n in whole), "blocks, seed and numbers of drives are whole numbers"
        yield not 1 <= len(self.drives) <= MOST_DRIVES, f"a plan has 1 to {MOST_DRIVES} drives, not {len(self.drives)}"
        keys = [(drive.part, drive.road, drive.pass_number) for drive in self.drives]
        yield len(set(keys)) < len(keys), "a drive is planned twice"
        yield (
            {(part, road) for part, road, _ in keys} != {(p, r) for p in (self.before, self.after) for r in names},
            "the drives must cover both parts on every road, and no other",
        )
        yield _instant(self.written_utc) is None, "written_utc must be a time in ISO 8601, with its offset from UTC"
        low, high = self.hold.air_temperature_c or (0.0, 0.0)
        for road in self.roads:
            held = Conditions(
                vehicle=self.vehicle,
                road=road.name,
                speed_kmh=road.speed_kmh,
                tyre_pressures_kpa=self.hold.tyre_pressures_kpa,
                air_temperature_c=low,
                box_position=self.hold.box_position,
                mounting=self.hold.mounting,
                notes=self.question,
            )
            yield held.speed_kmh is None or held.speed_kmh <= 0, f"{road.name}: say the speed aimed at, in km/h"
        Conditions(air_temperature_c=high, notes=self.spread_from)
        yield low > high, f"air temperature: {low:g} is above {high:g} °C; say the lowest first"

    @property
    def rough_roads(self) -> tuple[Road, ...]:
        """Every road but the smooth one."""
        return tuple(road for road in self.roads if road.name != self.smooth)

    @property
    def passes(self) -> int:
        """Passes over one road with one part: the fewest of all roads and parts."""
        keys = [(drive.part, drive.road) for drive in self.drives]
        return min(keys.count(key) for key in set(keys))

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
        """When the plan was written."""
        return _instant(self.written_utc) or datetime.max.replace(tzinfo=UTC)

    def strength(self) -> Strength:
        """What the planned passes can do, taking the spread for true."""
        spread = given_spread(self.spread_cv).value
        return strength(self.margin, spread, self.passes, self.power, self.alpha, self.blocks)

    def speed_kmh(self, road: str) -> float | None:
        """The speed aimed at on a road, None where the plan does not know it."""
        return {one.name: one.speed_kmh for one in self.roads}.get(road)

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """From a mapping such as the JSON object of the file; CallError says in one line what is wrong."""
        if not isinstance(data, Mapping) or data.get("schema") != SCHEMA:
            raise CallError(f"not a plan: it does not say schema {SCHEMA}; write one with `towertap plan`")
        if data.get("version") != VERSION:
            raise CallError(f"a plan of version {data.get('version')!r}, and this towertap reads {VERSION}: update it")
        own: dict[str, Any] = {
            name: tuple(value) if isinstance(value, list) else value
            for name, value in data.items()
            if name not in ("schema", "version")
        }
        _held_to_entries(cls, own)
        try:
            held = _held_to_entries(Held, own["hold"])
            if held["air_temperature_c"] is not None:
                low, high = held["air_temperature_c"]
                held["air_temperature_c"] = (low, high)
            own["hold"] = Held(**held)
            own["roads"] = tuple(Road(**_held_to_entries(Road, one)) for one in own["roads"])
            own["drives"] = tuple(PlannedDrive(**_held_to_entries(PlannedDrive, one)) for one in own["drives"])
            return cls(**own)
        except (TypeError, ValueError, AttributeError, OverflowError):
            raise CallError(f"an entry is of a wrong kind, a text for a number or the like: {MEND}") from None

    def to_dict(self) -> dict[str, Any]:
        """A mapping that JSON can hold and `from_dict` reads back."""
        return {"schema": SCHEMA, "version": VERSION, **asdict(self)}


def read_plan(path: Path) -> Plan:
    """Read a plan file; CallError names the file and says in one line what is wrong with it."""
    try:
        if path.stat().st_size > LARGEST_FILE:
            raise CallError("far too large to be a plan")
        return Plan.from_dict(json.loads(path.read_text("utf-8")))
    except OSError as error:
        why = f"cannot be read ({error.strerror}); name the plan.json that `towertap plan` wrote"
    except json.JSONDecodeError as error:
        why = f"not a plan: no JSON at line {error.lineno}, column {error.colno}; {MEND}"
    except (ValueError, RecursionError):
        why = f"not a plan: no JSON in UTF-8; {MEND}"
    except (CallError, FileError) as error:
        why = str(error)
    raise CallError(f"{path}: {why}")


def write_plan(plan: Plan, path: Path) -> None:
    """Write the plan whole or not at all; CallError where there is one already: a plan is not changed afterwards."""
    if path.exists():
        raise CallError(f"{path} is there already, and a plan is not changed afterwards: name another folder")
    part = path.with_name(path.name + ".part")
    part.write_text(json.dumps(plan.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n", "utf-8")
    os.replace(part, path)


def _held_to_entries(kind: type, data: Mapping[str, Any]) -> dict[str, Any]:
    """A copy of `data` that has the fields of a dataclass and no other; CallError names the first that is wrong."""
    names, data = [field.name for field in fields(kind)], dict(data)
    for name in data:
        if name not in names:
            raise CallError(f'unknown entry "{name}": {MEND}')
    for name in names:
        if name not in data:
            raise CallError(f'the entry "{name}" is missing: {MEND}')
    return data


def _number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _instant(text: Any) -> datetime | None:
    """An ISO 8601 time with its offset; None for anything else."""
    try:
        instant = datetime.fromisoformat(text)
    except (TypeError, ValueError):
        return None
    return instant if instant.tzinfo else None
