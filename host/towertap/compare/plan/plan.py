"""The plan of a comparison, settled before the first drive: what is asked, what counts, what is driven in which order.

It is a small JSON file, so that `compare` can say where the drives and the analysis departed from it.
"""

from __future__ import annotations

import json
import os
import stat
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from functools import cache
from itertools import groupby
from pathlib import Path
from typing import Annotated, Any, Self, get_type_hints

import msgspec
from msgspec import Meta

from towertap.compare.drives.slots import Key, Slot
from towertap.compare.stats.power import ALPHA, Strength, given_spread, strength
from towertap.errors import CallError
from towertap.signals.metrics import METRICS
from towertap.signals.metrics._metric import rms

SCHEMA, VERSION = "towertap-plan", 1
QUANTILE = 0.95
"""Of the smooth road's windows: the roughness limit; a plan has no field for it, so anything else is a departure."""

LARGEST_FILE = 1_000_000
MOST_DRIVES = 2000
MEND = "mend it, or write the plan anew with `towertap plan`"
NAME_IT = "name the plan.json that `towertap plan` wrote"

FELT_PERCENT = (6.7, 11.0)
"""Medians of the smallest changes of vertical vibration that people feel, on a seat."""
FELT = (
    f"Changes of vertical vibration that people just feel have medians of {FELT_PERCENT[0]:.1f} to "
    f"{FELT_PERCENT[1]:.1f} % (Vibration 2020, 3(2), 116–131, doi:10.3390/vibration3020010), "
    "and about 13 % in a car seat on recorded roads (Mansfield and Griffin 2000; from memory). Both were felt on a "
    "seat; a hard point of the body is not one."
)
"""Guidance for the margin."""

SIGN = r"[^\s\0\ud800-\udfff]"  # no blank, and of those that both HDF5 and UTF-8 can hold
LINE = "needs a name on one line, without blanks at its ends"
Text = Annotated[str, Meta(max_length=2000, pattern=rf"\A(\s|{SIGN})*\Z")]
Name = Annotated[str, Meta(max_length=2000, pattern=rf"\A{SIGN}+( {SIGN}+)*\Z", description=LINE)]
Fraction = Annotated[float, Meta(gt=0, lt=1, description="must lie between 0 and 100 %")]
Number = Annotated[int, Meta(ge=1, le=9999, description="must be one of the whole numbers from 1 to 9999")]
Speed = Annotated[float, Meta(gt=0, le=400, description="must be the speed aimed at, above 0 and up to 400 km/h")]
Celsius = Annotated[float, Meta(ge=-60, le=60)]
"""What an entry may hold; the description is what an error says of it."""


@dataclass(frozen=True)
class PlannedRoad:
    """A road and the speed aimed at on it."""

    name: Name
    speed_kmh: Speed


@dataclass(frozen=True)
class PlannedDrive:
    """One pass of the plan; `block` pairs the two sides, from 1; the pass number counts by part and road, from 1."""

    block: Number
    part: Name
    road: Name
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
    vehicle: Name
    before: Name
    after: Name
    smooth: Name
    roads: tuple[PlannedRoad, ...]
    metrics: tuple[str, ...]
    margin: Fraction
    power: Fraction
    spread_cv: Fraction
    spread_from: Text
    blocks: Number
    seed: Annotated[int, Meta(ge=0, le=2**63 - 1)]
    hold: HeldConditions
    drives: tuple[PlannedDrive, ...]
    written_utc: str

    def __post_init__(self) -> None:
        """Hold every entry to its type and range and the whole to its rules; one line for the first that is broken."""
        entries = msgspec.to_builtins(self)
        for name, kind in get_type_hints(Plan, include_extras=True).items():
            object.__setattr__(self, name, _typed(entries[name], kind, name))
        for broken, words in self._rules():
            if broken:
                raise CallError(words)

    def _rules(self) -> Iterator[tuple[bool, str]]:
        names = [road.name for road in self.roads]
        yield self.before == self.after, f"before and after both name '{self.before}': name two parts"
        yield len(set(names)) < len(names), f"a road is named twice: {', '.join(names)}"
        yield self.smooth not in names, f"the smooth road '{self.smooth}' is not among the roads"
        yield len(names) < 2, f"'{self.smooth}' is the only road: plan a rough road as well"
        known = [metric.name for metric in METRICS.values() if metric.figure is rms]
        each_once = 0 < len(self.metrics) == len(set(self.metrics)) and set(self.metrics) <= set(known)
        yield not each_once, f"metrics must be one or more of {', '.join(known)}, each once"
        yield not 1 <= len(self.drives) <= MOST_DRIVES, f"a plan has 1 to {MOST_DRIVES} drives, not {len(self.drives)}"
        keys = {(drive.part, drive.road, drive.pass_number) for drive in self.drives}
        yield len(keys) < len(self.drives), "a drive is planned twice"
        wanted = {(part, road) for part in (self.before, self.after) for road in names}
        covered = {(part, road) for part, road, _ in keys}
        yield covered != wanted, "the drives must cover both parts on every road, and no other"
        yield _instant(self.written_utc) is None, "written_utc must be a time in ISO 8601, with its offset from UTC"
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
        return (_instant(self.written_utc) or datetime.max.replace(tzinfo=UTC)).astimezone(UTC)

    def strength(self) -> Strength:
        """What the planned passes can do, taking the spread for true."""
        spread = given_spread(self.spread_cv).value
        return strength(self.margin, spread, self.passes, self.power, self.alpha, self.blocks)

    def speed_kmh(self, road: str) -> float | None:
        """The speed aimed at on a road, None where the plan does not know it."""
        return {planned.name: planned.speed_kmh for planned in self.roads}.get(road)

    @classmethod
    def from_dict(cls, data: Any) -> Self:
        """From a mapping such as the JSON object of the file; CallError says in one line what is wrong."""
        if not isinstance(data, dict) or data.get("schema") != SCHEMA:
            raise CallError(f"not a plan: it does not say schema {SCHEMA}; write one with `towertap plan`")
        if data.get("version") != VERSION:
            raise CallError(
                f"a plan of version {data.get('version')!r:.20}, and this towertap reads {VERSION}: update it"
            )
        entries = {name: value for name, value in data.items() if name not in ("schema", "version")}
        _held_to_names(Plan, [entries])
        for name, declared in NESTED.items():
            _held_to_names(declared, entries[name] if isinstance(entries[name], list) else [entries[name]])
        return cls(**entries)

    def to_dict(self) -> dict[str, Any]:
        """A mapping that JSON can hold and `from_dict` reads back."""
        return {"schema": SCHEMA, "version": VERSION, **asdict(self)}


NESTED = {"hold": HeldConditions, "roads": PlannedRoad, "drives": PlannedDrive}
"""The entries of a plan that hold entries of their own."""


def read_plan(path: Path) -> Plan:
    """Read a plan file; CallError names the file and says in one line what is wrong with it."""
    try:
        return Plan.from_dict(_json(path))
    except CallError as error:
        raise CallError(f"{path}: {error}") from None


def write_plan(plan: Plan, path: Path) -> None:
    """Write the plan whole or not at all; CallError where there is one already: a plan is not changed afterwards."""
    if path.exists():
        raise CallError(f"{path} is there already, and a plan is not changed afterwards: name another folder")
    part = path.with_name(path.name + ".part")
    part.write_text(json.dumps(plan.to_dict(), indent=1, ensure_ascii=False, allow_nan=False) + "\n", "utf-8")
    os.replace(part, path)


def _json(path: Path) -> Any:
    """The JSON of a regular file of bounded size; CallError in one line."""
    try:
        with os.fdopen(os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0)), "rb") as file:
            if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
                raise CallError(f"cannot be read (no regular file); {NAME_IT}")
            content = file.read(LARGEST_FILE + 1)
        if len(content) > LARGEST_FILE:
            raise CallError("far too large to be a plan")
        return json.loads(content.decode("utf-8"))
    except OSError as error:
        raise CallError(f"cannot be read ({error.strerror}); {NAME_IT}") from None
    except json.JSONDecodeError as error:
        raise CallError(f"not a plan: no JSON at line {error.lineno}, column {error.colno}; {MEND}") from None
    except (ValueError, RecursionError):
        raise CallError(f"not a plan: no JSON in UTF-8; {MEND}") from None


def _typed(value: Any, kind: Any, name: str) -> Any:
    """An entry as its declared type; CallError in the type's own words for another one."""
    try:
        return msgspec.convert(value, kind)
    except (msgspec.ValidationError, ValueError) as error:  # half a pair of surrogates is a ValueError
        place = name + str(error).partition("$")[2].rstrip("`")
    words = _descriptions().get(place.rpartition(".")[2])
    if words is None:
        raise CallError(f"{place}: an entry is of a wrong kind or out of its range, as a text for a number is: {MEND}")
    given = f", not {100 * value:g} %" if words.endswith("%") and isinstance(value, float) else ""
    raise CallError(f"{place} {words}{given}")


@cache
def _descriptions() -> dict[str, str]:
    """What an entry may hold in words, by its name, where its type says so."""
    return {
        name: meta.description
        for declared in (Plan, *NESTED.values())
        for name, kind in get_type_hints(declared, include_extras=True).items()
        for meta in getattr(kind, "__metadata__", ())
        if meta.description
    }


def _held_to_names(declared: type, items: Iterable[Any]) -> None:
    """CallError where a mapping has not just the fields of a dataclass; what is no mapping is left to its type."""
    names = get_type_hints(declared).keys()
    for entries in items:
        if isinstance(entries, dict) and entries.keys() != names:
            unknown = [f'unknown entry "{name}"' for name in entries if name not in names]
            missing = [f'the entry "{name}" is missing' for name in names if name not in entries]
            raise CallError(f"{(unknown + missing)[0]:.200}: {MEND}")


def _instant(text: str) -> datetime | None:
    """An ISO 8601 time with its offset; None for anything else."""
    try:
        instant = datetime.fromisoformat(text)
    except ValueError:
        return None
    return instant if instant.tzinfo else None
