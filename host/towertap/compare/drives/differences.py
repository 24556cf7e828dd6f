"""What differs between the passes other than the part, in one line each."""

import math
from collections import defaultdict
from collections.abc import Collection, Iterator, Sequence
from statistics import fmean, median

import numpy as np
import scipy

from towertap.compare.drives.calendar import first_half
from towertap.compare.drives.model import SIDES, Drives, Pass, Side
from towertap.motion import CELL_S, PULLING_MS2
from towertap.words.numbers import brief, fixed
from towertap.words.phrases import listed, some

TYRE_PRESSURE, AIR = "tyre pressure", "air"
HELD_CONSTANT = {
    "vehicle": "vehicle",
    "box_position": "box position",
    "mounting": "mounting",
    "tyre_pressures_kpa": TYRE_PRESSURE,
}
"""Conditions that should be constant: a change of them could be taken for a change of the part."""

TEMPERATURE_STEP_C = 5.0
"""Warn if the air differs by more, between the sides' means or over all passes: cold stiffens rubber and damper oil."""

LEANS_DEG = 3.0
"""Warn if the direction of gravity differs by more between the sides: the box has moved or was turned."""

PULLS_DEG = 10.0
"""The limit if one side never rests: pulling away to 60 km/h in a pass of 10 s tilts the mean force by 9.7°."""

PULL_CELLS = round(3 / CELL_S)
"""Pulling away, after a stand."""
LEAST_SHARE = 0.25
"""Below this share of the other side's weakest forward push, no driver but the declared axis makes the difference."""

DRIFT = (
    "one part was driven first and then the other, so drift in time (weather, tyres, bedding in) is not separated from "
    "the part; the order A B B A would separate it"
)


def differences(drives: Drives) -> Iterator[str]:
    """What differs between captures other than the part, and what the order of the drives leaves confounded with it."""
    coincident = coincidences(drives)
    yield from _order(drives)
    yield from changed_conditions(drives.passes, coincident)
    yield from _leaning(drives)
    yield from _repeated(drives.passes)
    for road in sorted({drive.road for drive in drives.passes}):
        yield from _on_road(drives, road)
    if AIR not in coincident:
        yield from _air(drives)
    for drive in drives.passes:
        if not drive.integrity.sound and not drive.touched:
            yield f"{drive.name} is not sound but was asked for: {'; '.join(drive.integrity.reasons)}"


def coincidences(drives: Drives) -> dict[str, tuple[str, str]]:
    """What changed exactly with the part on the rough roads: its values before and after, by name."""
    sides = [[drive for drive in drives.passes if drive.side == side and drive.road != drives.smooth] for side in SIDES]
    if not all(sides):
        return {}
    before, after = ([_settings(drive) | {"box": _serial(drive)} for drive in side] for side in sides)
    coincident = {}
    for name in before[0]:
        values = {settings[name] for settings in before}, {settings[name] for settings in after}
        if len(values[0]) == len(values[1]) == 1 and values[0] != values[1] and "" not in values[0] | values[1]:
            coincident[name] = values[0].pop(), values[1].pop()
    air_c = [_air_c(side) for side in sides]
    if all(air_c) and max(min(air_c[0]) - max(air_c[1]), min(air_c[1]) - max(air_c[0])) > TEMPERATURE_STEP_C:
        coincident[AIR] = f"{fixed(fmean(air_c[0]), 0)} °C", f"{fixed(fmean(air_c[1]), 0)} °C"
    return coincident


def changed_with_part(drives: Drives, intended: str = "") -> str:
    """A sentence on what changed exactly with the part, except the `intended` change; empty if nothing did."""
    changes = [
        f"{name} ({brief(before, 40)} to {brief(after, 40)})"
        for name, (before, after) in coincidences(drives).items()
        if name != intended
    ]
    return f"Changed with the part: {listed(changes)}." if changes else ""


def changed_conditions(passes: Sequence[Pass], coincident: Collection[str] = ()) -> Iterator[str]:
    """What should be constant and differs between captures, in one line each, except what is `coincident`."""
    settings = {drive.name: _settings(drive) for drive in passes}
    for name in (name for name in _settings(passes[0]) if name not in coincident):
        captures = defaultdict(list)
        for capture, values in settings.items():
            captures[f"'{values[name]}'" if values[name] else "not known"].append(capture)
        (usual, those), *others = sorted(captures.items(), key=lambda item: -len(item[1]))
        if others:
            rest = "; ".join(f"{value} in {some(names)}" for value, names in others)
            yield (
                f"the {name} differs between captures: {usual} in {len(those)}; {rest}. That could be taken for a "
                "change of the part, and 'towertap correct' fixes a wrong entry"
            )


def _settings(drive: Pass) -> dict[str, str]:
    """What should be the same in every pass, by name; empty if it is not known."""
    settings: dict[str, str] = {words: getattr(drive.conditions, name) for name, words in HELD_CONSTANT.items()}
    filter_hz = drive.source and drive.source.anti_alias_hz
    return settings | {"anti-alias filter": f"{filter_hz:g} Hz" if filter_hz else ""}


def _serial(drive: Pass) -> str:
    return drive.bench.serial if drive.bench and drive.from_box else ""


def _air_c(passes: Sequence[Pass]) -> list[float]:
    return [air_c for drive in passes if (air_c := drive.conditions.air_temperature_c) is not None]


def _order(drives: Drives) -> Iterator[str]:
    first = first_half(drives.passes)
    if first == "after":
        yield (
            f'{drives.before} ("before") was driven after {drives.after} ("after"); if that is not what was done, swap '
            "--before and --after"
        )
    if first:
        yield DRIFT


def _leaning(drives: Drives) -> Iterator[str]:
    """Warn if gravity points differently in the vehicle's axes with the two parts."""
    turned_deg, limit_deg = leaning_deg(*([drive for drive in drives.passes if drive.side == side] for side in SIDES))
    if turned_deg > limit_deg:
        yield (
            f"gravity lies {turned_deg:.0f}° apart in the box's axes before and after the change (limit "
            f"{limit_deg:g}°): was the box moved, or one mounting declared wrong? Each degree mixes 1.7 % of one axis "
            "into another"
        )


def leaning_deg(first: Sequence[Pass], second: Sequence[Pass]) -> tuple[float, float]:
    """Angle between the directions of gravity in two sets of passes, and its limit, in degrees; 0 if not known.

    Passes at rest are compared with each other, or else those known only over the drive. If neither set has both, the
    limit is wider, since pulling away turns the mean over a drive.
    """
    known = [[drive.integrity for drive in side if drive.integrity.gravity_in_vehicle_ms2] for side in (first, second)]
    at_rest, over_drive = (
        [[integrity for integrity in side if (integrity.gravity_ms2 is not None) == is_rest] for side in known]
        for is_rest in (True, False)
    )
    sides = next((alike for alike in (at_rest, over_drive) if all(alike)), known)
    limit_deg = PULLS_DEG if sides is known else LEANS_DEG
    if not all(sides):
        return 0.0, limit_deg
    before, after = (np.median([integrity.gravity_in_vehicle_ms2 for integrity in side], axis=0) for side in sides)
    cosine = float(before @ after / (np.linalg.norm(before) * np.linalg.norm(after)))
    return math.degrees(math.acos(min(cosine, 1.0))), limit_deg


def forward_disagrees(drives: Drives) -> str:
    """A sentence if pulling away pushes forward on one side only, so that a mounting must be wrong; else empty."""
    sides = [
        ([push for drive in drives.passes if drive.side == side and (push := _push_ms2(drive)) is not None], part)
        for side, part in zip(SIDES, drives.parts, strict=True)
    ]
    if min(len(pushes) for pushes, _ in sides) < 2:
        return ""
    (weak, weak_part), (strong, strong_part) = sorted(sides, key=lambda side: median(side[0]))
    if min(strong) < PULLING_MS2 or max(weak) > LEAST_SHARE * min(strong):
        return ""
    return (
        f"Pulling away pushes forward by {fixed(median(strong))} m/s² with {strong_part} and by {fixed(median(weak))} "
        f"with {weak_part}: one mounting names the wrong axis as forward."
    )


def _push_ms2(drive: Pass) -> float | None:
    """Mean forward acceleration in m/s² after each stand, relative to the stand; None if it never pulls away."""
    if drive.moving is None:
        return None
    forward, (stands, _) = drive.forward_ms2, scipy.ndimage.label(drive.moving.standing)
    pushes = [
        float(forward[at.stop : at.stop + PULL_CELLS].mean() - np.median(forward[at]))
        for (at,) in scipy.ndimage.find_objects(stands)
        if at.stop + PULL_CELLS <= forward.size
    ]
    known = [push for push in pushes if math.isfinite(push)]
    return fmean(known) if known else None


def _repeated(passes: Sequence[Pass]) -> Iterator[str]:
    numbered = [
        (drive.side, drive.road, drive.conditions.pass_number) for drive in passes if drive.conditions.pass_number
    ]
    for side, road, number in sorted({key for key in numbered if numbered.count(key) > 1}):
        yield f"pass {number} on {road} exists more than once {side} the change"


def _on_road(drives: Drives, road: str) -> Iterator[str]:
    sides = [[drive.conditions for drive in drives.of(road, side)] for side in SIDES]
    if not all(sides):
        missing: Side = "before" if sides[1] else "after"
        if (road, missing) not in drives.clipped_out:  # `findings.cautions` reports those
            lost = "it cannot serve as a check" if road == drives.smooth else "it is not compared"
            yield f"{road} was not driven {missing} the change, so {lost}"
        return
    speeds = [{conditions.speed_kmh for conditions in side} for side in sides]
    if speeds[0] != speeds[1]:
        texts = [", ".join(sorted("unknown" if v is None else f"{v:g}" for v in side)) for side in speeds]
        yield f"the speed aimed at on {road} differs: {texts[0]} km/h before, {texts[1]} km/h after the change"


def _air(drives: Drives) -> Iterator[str]:
    """Air that differs by more than TEMPERATURE_STEP_C between the sides' means on a road, or else over all passes."""
    is_said = False
    for road in sorted({drive.road for drive in drives.passes}):
        before, after = (_air_c(drives.of(road, side)) for side in SIDES)
        if before and after and abs(fmean(after) - fmean(before)) > TEMPERATURE_STEP_C:
            is_said = True
            yield f"the air on {road} was {fmean(before):.0f} °C before and {fmean(after):.0f} °C after the change"
    air_c = _air_c(drives.passes)
    if not is_said and air_c and max(air_c) - min(air_c) > TEMPERATURE_STEP_C:
        span = f"from {min(air_c):g} to {max(air_c):g} °C"
        yield f"the air went {span} over the passes, more than {TEMPERATURE_STEP_C:g} °C"
