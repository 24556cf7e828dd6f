"""Which columns of a file are time, acceleration and rotation, and their units: by options, by names, or assumed."""

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from towertap.errors import CallError
from towertap.exchange.imports.form import Decisions, FileContent, ImportOptions, repeated
from towertap.signals.filters import Array
from towertap.wire.layouts import STANDARD_GRAVITY_MS2

UNITS: dict[str, dict[str, float]] = {
    "acceleration": {
        **dict.fromkeys(("m/s²", "m/s^2", "m/s2", "m/s/s", "m s-2", "ms2", "mps2"), 1.0),
        "g": STANDARD_GRAVITY_MS2,
        "mg": STANDARD_GRAVITY_MS2 / 1000,
    },
    "rotation": {
        **dict.fromkeys(("rad/s", "rads", "radps"), 1.0),
        **dict.fromkeys(("°/s", "deg/s", "dps", "degps"), math.radians(1)),
    },
    "time": {
        **dict.fromkeys(("s", "sec", "seconds"), 1.0),
        "ms": 1e-3,
        **dict.fromkeys(("us", "µs", "μs"), 1e-6),
        "ns": 1e-9,
    },
}
"""Quantity → unit as files spell it → its size in m/s², rad/s or s."""
SUFFIXES = {"counts"} | {unit for units in UNITS.values() for unit in units}
"""A column's name may end with one of these, after a space, an underscore or a hyphen."""
WORDS = {
    "acceleration": r"a|acc|accel|acceleration|accelerometer|gf|g ?force",
    "rotation": r"g|gyr|gyro|gyroscope|rot|rotation|rotation rate|w|omega|angular (?:velocity|rate)",
}
TIME = r"t|time|times?tamp|elapsed(?: time)?|seconds"
AT_REST = {"g": 1.0, "m/s²": STANDARD_GRAVITY_MS2, "mg": 1000.0}
"""The median magnitude by unit, to find a unit that is not given: other accelerations are small next to gravity."""
ABOUT = 0.15
BLOCKS = 20
"""Gravity is the median of the means of this many blocks; a few unusual blocks do not change it."""
STEADY = 0.5
"""If gravity is in the signal, its mean is at least this share of the median magnitude."""
FAR_OFF = 3.0
"""Factor by which no road changes a mean."""


@dataclass(frozen=True, eq=False)
class RecordedMotion:
    """The axes of a file in SI units, (rows, 3) or (rows, 6), and their time, (rows,) in s, if it has one."""

    values: Array
    time_s: Array | None
    unit_si: float
    """The file's unit of acceleration in m/s²."""


def motion(content: FileContent, options: ImportOptions, decisions: Decisions) -> RecordedMotion:
    """Determine columns and units; CallError says which option is needed."""
    labels = {name: _label(name, content.units.get(name, "")) for name in content.names}
    given = [name for name in (options.time, *options.acceleration, *options.rotation) if name]
    if name := repeated([_known(name, content.names) for name in given]):
        raise CallError(f"the column {name!r} is named twice: time and each axis need a column of their own")
    free = [name for name in content.names if name not in given]
    time = _time(options.time, free, labels, decisions)
    free = [name for name in free if name != time]
    acceleration = _axes("acceleration", options.acceleration, free, labels, decisions)
    free = [name for name in free if name not in acceleration]
    rotation = _axes("rotation", options.rotation, free, labels, decisions)
    if not acceleration:
        acceleration, rotation = _by_order(free, rotation, decisions)
    unit_si = _unit("acceleration", options.unit, content, acceleration, labels, decisions)
    columns = [(content.column(name), unit_si) for name in acceleration]
    if rotation:
        rotation_si = _unit("rotation", options.rotation_unit, content, rotation, labels, decisions)
        columns += [(content.column(name), rotation_si) for name in rotation]
    with np.errstate(all="ignore"):  # NaN and overflow stay NaN or infinite, and become gaps
        values = np.column_stack([column * si for column, si in columns])
        _refuse_wrong_gravity(values[:, :3], unit_si)
    time_s = None
    if options.rate_hz is not None and time:
        decisions.add("told", f"the time column, {time!r}, is ignored")
    elif time:
        time_s = content.column(time) * _unit("time", options.time_unit, content, [time], labels, decisions)
    return RecordedMotion(values, time_s, unit_si)


def _label(name: str, unit: str) -> tuple[str, str]:
    """A column's name in lower case without its unit, and its unit, empty if not known."""
    bracketed = re.fullmatch(r"(.*?)\s*[\[(]([^\])]*)[\])]\s*", name)
    base, unit = (bracketed[1], bracketed[2]) if bracketed else (name, unit)
    words = re.sub(r"[\s_.\-]+", " ", base).strip().lower()
    stem, _, last = words.rpartition(" ")
    if stem and last in SUFFIXES:
        words, unit = stem, unit or last
    return words, unit.strip()


def _time(given: str, free: Sequence[str], labels: dict, decisions: Decisions) -> str:
    if given:
        decisions.add("told", f"time is the column {given!r}")
        return given
    matching = [name for name in free if re.fullmatch(TIME, labels[name][0])]
    if matching:
        decisions.add("found", f"time is the column {matching[0]!r}, by its name")
    return matching[0] if matching else ""


def _axes(quantity: str, given: Sequence[str], free: list[str], labels: dict, decisions: Decisions) -> list[str]:
    """The columns x, y, z of a quantity, as given or found among the `free` ones; empty if not clear."""
    if given:
        if len(given) != 3:
            raise CallError(f"--{quantity} names {len(given)} columns: name three, x,y,z")
        decisions.add("told", f"{quantity} is in the columns {', '.join(given)}")
        return list(given)
    chosen = []
    for axis in "xyz":
        matching = [name for name in free if re.fullmatch(rf"(?:{WORDS[quantity]}) ?{axis}", labels[name][0])]
        if quantity == "acceleration" and not matching:
            matching = [name for name in free if labels[name][0] == axis]
        chosen += matching[:1]
    if len(chosen) < 3:
        return []
    is_bare = any(labels[name][0] in "xyz" for name in chosen)
    decisions.add(
        "assumed" if is_bare else "found", f"{quantity} is in the columns {', '.join(chosen)}, by their names"
    )
    return chosen


def _by_order(free: list[str], rotation: list[str], decisions: Decisions) -> tuple[list[str], list[str]]:
    names = [name for name in free if name not in rotation]
    if len(names) not in (3, 6) or (rotation and len(names) != 3):
        raise CallError(
            "it is not clear which columns hold the acceleration: name them x,y,z with --acceleration; there are "
            f"{', '.join(free) or 'none left'}"
        )
    decisions.add("assumed", f"acceleration x, y, z is in the columns {', '.join(names[:3])}, in this order")
    if len(names) == 6:
        decisions.add("assumed", f"rotation x, y, z is in the columns {', '.join(names[3:])}, in this order")
    return names[:3], rotation or names[3:]


def _known(name: str, names: Sequence[str]) -> str:
    if name not in names:
        raise CallError(f"no column is called {name!r}: there are {', '.join(names)}")
    return name


def _unit(
    quantity: str, given: str, content: FileContent, names: list[str], labels: dict, decisions: Decisions
) -> float:
    units = UNITS[quantity]
    if given:
        decisions.add("told", f"the unit of {quantity} is {given}")
        return _unit_given(quantity, given)
    named = {labels[name][1] for name in names}
    unit = named.pop() if len(named) == 1 else ""
    if unit.lower() in units:
        factor = units[unit.lower()]
        usual = next(name for name in units if units[name] == factor)
        decisions.add("found", f"the unit of {quantity} is {usual}, by the columns' names")
        return factor
    in_metadata = content.metadata.units.get(quantity, "")
    if in_metadata in units:
        decisions.add("found", f"the unit of {quantity} is {in_metadata}, by the file's metadata")
        return units[in_metadata]
    scale = content.metadata.counts_are.get({"acceleration": "m/s²", "rotation": "rad/s"}.get(quantity, ""))
    if in_metadata == "counts" and scale:
        decisions.add("found", f"a count of {quantity} is {scale:g}, by the file's metadata")
        return scale
    if quantity == "time":
        return _unit_of_time(content.column(names[0]), decisions)
    if quantity == "acceleration" and not content.unscaled:
        return _unit_by_gravity(content, names, decisions)
    option = "--unit" if quantity == "acceleration" else "--rotation-unit"
    raise CallError(f"the file does not give the unit of {quantity}: give {option}, one of {', '.join(units)}")


def _unit_given(quantity: str, given: str) -> float:
    units = UNITS[quantity]
    if given.lower() in units:
        return units[given.lower()]
    try:
        value = float(given)
    except ValueError:
        value = 0.0
    if quantity == "time" or not 0 < value < math.inf:
        number = "" if quantity == "time" else ", or its size in SI units"
        raise CallError(f"{given!r} is not a unit of {quantity}: give one of {', '.join(units)}{number}")
    return value


def _unit_by_gravity(content: FileContent, names: list[str], decisions: Decisions) -> float:
    with np.errstate(over="ignore"):
        magnitude = float(np.nanmedian(np.linalg.norm([content.column(name) for name in names], axis=0)))
    for unit, expected in AT_REST.items():
        if abs(magnitude / expected - 1) < ABOUT:
            decisions.add(
                "assumed", f"the unit of acceleration is {unit}: the median of its magnitude is {magnitude:.4g}"
            )
            return UNITS["acceleration"][unit]
    raise CallError(
        f"the file does not give the unit of acceleration, and a median magnitude of {magnitude:.4g} does not show "
        f"it: give --unit, one of {', '.join(AT_REST)}, or its size in m/s²"
    )


def _refuse_wrong_gravity(acceleration: Array, unit_si: float) -> None:
    """CallError if the mean of an acceleration (rows, 3), m/s², is far from gravity, but is gravity in another unit.

    A mean that is small next to the motion does not contain gravity, and is not judged.
    """
    blocks = (block[np.isfinite(block).all(axis=1)] for block in np.array_split(acceleration, BLOCKS))
    levels = [(*block.mean(axis=0), np.median(np.linalg.norm(block, axis=1))) for block in blocks if len(block)]
    *mean, magnitude = np.median(levels, axis=0) if levels else np.zeros(4)
    gravity = float(np.linalg.norm(mean))
    in_g = gravity / STANDARD_GRAVITY_MS2
    if gravity <= STEADY * magnitude or 1 / FAR_OFF < in_g < FAR_OFF:
        return
    for unit, expected in AT_REST.items():
        if abs(gravity / unit_si / expected - 1) < ABOUT:
            reading = float(f"{in_g:.2g}")
            raise CallError(
                f"with this unit of acceleration 1 g would read as {reading:g} g: is it {unit}? Give --unit {unit}"
            )


def _unit_of_time(time: Array, decisions: Decisions) -> float:
    """The unit by the step, if the recorder makes between 10 and 10,000 samples per second."""
    step = float(np.nanmedian(np.abs(np.diff(time)))) if len(time) > 1 else 0.0
    for unit in ("s", "ms", "µs", "ns"):
        if 1e-4 <= step * UNITS["time"][unit] < 0.1:
            decisions.add("assumed", f"the unit of time is {unit}: its steps are {step:g}")
            return UNITS["time"][unit]
    raise CallError(f"the unit of time is not clear from steps of {step:g}: give --time-unit s, ms, us or ns")
