"""What a plan needs: how options and answers are read, and what is asked for on a terminal."""

import sys
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from towertap.cli._asking import ask, not_said
from towertap.cli._conditions import QUESTIONS, held_to_rules
from towertap.compare.plan.controls import CONTROLS
from towertap.compare.plan.plan import PlannedRoad
from towertap.doors.structured import typed
from towertap.doors.units import speed_kmh
from towertap.errors import CallError
from towertap.settings import setting


def name(text: str) -> str:
    """A name on one line, without blanks at its ends."""
    if not (words := " ".join(text.split())):
        raise CallError("a name is needed")
    return words


def road(text: str) -> PlannedRoad:
    """A road and the speed aimed at on it."""
    of_road, equals, speed = text.rpartition("=")
    if not equals:
        raise CallError(f"'{text}' is no road with a speed: say NAME=SPEED, such as quarry-lane=40 or moor road=30 mph")
    read: PlannedRoad = typed({"name": name(of_road), "speed_kmh": speed_kmh(speed)}, PlannedRoad, f"road '{text}'")
    return read


def fraction(text: str) -> float:
    """A fraction, from percent; 0 may be."""
    try:
        size = float(text.rstrip(" %").replace(",", "."))
    except ValueError:
        raise CallError(f"'{text}' is no number of percent") from None
    if not 0 <= size < 100:
        raise CallError(f"{text.rstrip(' %')} % cannot be: say a number between 0 and 100")
    return size / 100


def share(text: str) -> float:
    """A fraction above 0, from percent."""
    if not (above := fraction(text)):
        raise CallError("0 % cannot be: say a number between 0 and 100")
    return above


def recorded(field: str, text: str) -> str:
    """A condition as `record` keeps it; nothing where nothing was said."""
    return held_to_rules(field, text) if text else ""


ASKED: dict[str, tuple[str, Callable[[str], Any]]] = {
    "vehicle": ("The vehicle", name),
    "before": ("The part fitted now, by the name that its captures will carry", name),
    "after": ("The part fitted after", name),
    "smooth": ("The smooth road and the speed aimed at, as NAME=SPEED", road),
    "roads": (
        "The rough roads and the speeds aimed at, as NAME=SPEED, NAME=SPEED …",
        lambda text: tuple(map(road, text.split(","))),
    ),
    "spread": ("How far passes with nothing changed differ, in percent (3 to 4 is usual; a pilot knows better)", share),
}
"""What a plan cannot do without: how it is asked for on a terminal, and what reads the answer."""
RECORDED = ("mounting", "box_position", "tyre_pressures_kpa")
"""What `record` needs or asks in every drive that no plan says it for."""

WHY_SPREAD = (
    " (the spread, how far passes with nothing changed differ, decides how many passes it takes: 3 to 4 % is usual, so "
    "--spread 4 is a start, and --pilot measures it)"
)

FLAGS = {"roads": "--road", "spread": "--pilot or --spread"}


def asked(given: dict[str, Any], pilot: Path | None) -> dict[str, Any]:
    """All that a plan needs: what is given, and what was asked for; without a terminal CallError names what is missing.

    An answer that cannot stand is asked for again at once.
    """
    known = given | {field: recorded(field, given[field] or "") for field in RECORDED}
    _apart(known)
    needless = {"spread": pilot, "after": known["control"]}
    missing = [field for field in ASKED if not (known[field] or needless.get(field))]
    if missing and not sys.stdin.isatty():
        raise not_said((FLAGS.get(field, f"--{field}") for field in missing), WHY_SPREAD * ("spread" in missing))
    for field in missing:
        words, read = ASKED[field]
        known[field] = ask(words, _fitting(known, field, read))
    if missing:
        if given["margin"] is None:
            usual = f"{setting('margin'):g}"
            known["margin"] = ask(f"The change that counts, in percent (Enter: {usual})", share, usual)
        for field in RECORDED:
            if not known[field]:
                known[field] = ask(f"{QUESTIONS[field]} (Enter: not known yet)", partial(recorded, field), "")
    if known["control"]:
        known["after"] = known["after"] or CONTROLS[known["control"]].called.format(before=known["before"])
    return known | {"margin": known["margin"] or setting("margin") / 100}


def _fitting(known: dict[str, Any], field: str, read: Callable[[str], Any]) -> Callable[[str], Any]:
    """What reads an answer and holds it against what is known."""

    def fitting(text: str) -> Any:
        answer = read(text)
        _apart(known | {field: answer})
        return answer

    return fitting


def _apart(known: dict[str, Any]) -> None:
    """CallError where parts or roads share a name."""
    roads = [*known["roads"], *filter(None, [known["smooth"]])]
    for what, names in (("parts", [known["before"], known["after"]]), ("roads", [planned.name for planned in roads])):
        for twice in (shared for shared, count in Counter(filter(None, names)).items() if count > 1):
            raise CallError(f"two {what} are named '{twice}': name each apart")
