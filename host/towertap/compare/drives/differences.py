"""What differs between the passes other than the part, in one line each."""

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from statistics import fmean

import numpy as np

from towertap.compare.drives.calendar import first_half
from towertap.compare.drives.model import SIDES, Drives, Pass

HELD_CONSTANT = {
    "vehicle": "vehicles",
    "box_position": "box positions",
    "mounting": "mountings",
    "tyre_pressures_kpa": "tyre pressures",
}
"""Conditions that should be constant: a change of them could be taken for a change of the part."""

TEMPERATURE_STEP_C = 5.0
"""Warn if the air differs by more, between the sides' means or over all passes: cold stiffens rubber and damper oil."""

LEANS_DEG = 3.0
"""Warn if the direction of gravity differs by more between the sides: the box has moved or was turned."""

DRIFT = (
    "one part was driven first and then the other, so drift in time (weather, tyres, bedding in) is not separated from "
    "the part; the order A B B A would separate it"
)


def differences(drives: Drives) -> Iterator[str]:
    """What differs between captures other than the part, and what the order of the drives leaves confounded with it."""
    yield from _order(drives)
    yield from changed_conditions(drives.passes)
    yield from _leaning(drives)
    yield from _repeated(drives.passes)
    by_road = [words for road in sorted({drive.road for drive in drives.passes}) for words in _on_road(drives, road)]
    yield from by_road
    air_c = [c for drive in drives.passes if (c := drive.conditions.air_temperature_c) is not None]
    is_spread = bool(air_c) and max(air_c) - min(air_c) > TEMPERATURE_STEP_C
    if is_spread and not any(words.startswith("the air") for words in by_road):
        span = f"from {min(air_c):g} to {max(air_c):g} °C"
        yield f"the air went {span} over the passes, more than {TEMPERATURE_STEP_C:g} °C"
    for drive in drives.passes:
        if not drive.integrity.sound and not drive.touched:
            yield f"{drive.name} is not sound but was asked for: {'; '.join(drive.integrity.reasons)}"


def changed_conditions(passes: Sequence[Pass]) -> Iterator[str]:
    """What should be constant and differs between captures, in one line each."""
    for name, words in HELD_CONSTANT.items():
        texts = {drive.name: getattr(drive.conditions, name) for drive in passes}
        (usual, count), *others = Counter(texts.values()).most_common()
        if others:
            first, *more = [capture for capture, text in texts.items() if text != usual]
            named = first + (f" and {len(more)} more" if more else "")
            yield (
                f"{words} differ between captures: '{usual}' in {count}, not in {named}; that could be taken for a "
                "change of the part, and 'towertap correct' fixes a wrong entry"
            )


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
    sides = [
        [g for drive in drives.passes if drive.side == side and (g := drive.integrity.gravity_in_vehicle_ms2)]
        for side in SIDES
    ]
    if not all(sides):
        return
    before, after = (np.median(side, axis=0) for side in sides)
    cosine = float(before @ after / (np.linalg.norm(before) * np.linalg.norm(after)))
    if (turned := math.degrees(math.acos(min(cosine, 1.0)))) > LEANS_DEG:
        yield (
            f"gravity lies {turned:.0f}° apart in the box's axes before and after the change (limit {LEANS_DEG:g}°): "
            "was the box moved, or one mounting declared wrong? Each degree mixes 1.7 % of one axis into another"
        )


def _repeated(passes: Sequence[Pass]) -> Iterator[str]:
    numbered = [
        (drive.side, drive.road, drive.conditions.pass_number) for drive in passes if drive.conditions.pass_number
    ]
    for side, road, number in sorted({key for key in numbered if numbered.count(key) > 1}):
        yield f"pass {number} on {road} exists more than once {side} the change"


def _on_road(drives: Drives, road: str) -> Iterator[str]:
    sides = [[drive.conditions for drive in drives.of(road, side)] for side in SIDES]
    if not all(sides):
        missing = "before" if sides[1] else "after"
        yield f"{road} was driven on one side only: there is no pass {missing} the change to compare the others with"
        return
    speeds = [{conditions.speed_kmh for conditions in side} for side in sides]
    if speeds[0] != speeds[1]:
        texts = [", ".join(sorted("unknown" if v is None else f"{v:g}" for v in side)) for side in speeds]
        yield f"the speed aimed at on {road} differs: {texts[0]} km/h before, {texts[1]} km/h after the change"
    warmth = [[c for conditions in side if (c := conditions.air_temperature_c) is not None] for side in sides]
    if all(warmth) and abs(fmean(warmth[1]) - fmean(warmth[0])) > TEMPERATURE_STEP_C:
        yield f"the air on {road} was {fmean(warmth[0]):.0f} °C before and {fmean(warmth[1]):.0f} °C after the change"
