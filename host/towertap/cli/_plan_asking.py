"""What a plan needs: how its options are read, and how missing ones are asked for on a terminal."""

import sys
from collections import Counter
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from towertap.cli._asking import ask, missing_options
from towertap.cli._conditions import QUESTIONS, checked
from towertap.compare.plan.controls import CONTROLS
from towertap.compare.plan.plan import PlannedRoad
from towertap.doors.structured import typed
from towertap.doors.units import speed_kmh
from towertap.errors import CallError
from towertap.settings import setting


def name(text: str) -> str:
    """A name, its white space normalised."""
    if not (words := " ".join(text.split())):
        raise CallError("a name is needed")
    return words


def road(text: str) -> PlannedRoad:
    """A road and its target speed."""
    road_name, equals, speed = text.rpartition("=")
    if not equals:
        raise CallError(f"'{text}' is no road with a speed: give NAME=SPEED, like quarry-lane=40 or moor road=30 mph")
    fields = {"name": name(road_name), "speed_kmh": speed_kmh(speed)}
    planned: PlannedRoad = typed(fields, PlannedRoad, f"road '{text}'")
    return planned


def fraction(text: str) -> float:
    """A fraction from percent, 0 or more."""
    try:
        percent = float(text.rstrip(" %").replace(",", "."))
    except ValueError:
        raise CallError(f"'{text}' is not a percentage") from None
    if not 0 <= percent < 100:
        raise CallError(f"{text.rstrip(' %')} % is out of range: give a number between 0 and 100")
    return percent / 100


def share(text: str) -> float:
    """A fraction from percent, above 0."""
    if not (value := fraction(text)):
        raise CallError("0 % is out of range: give a number between 0 and 100")
    return value


def recorded(field: str, text: str) -> str:
    """A condition as `record` stores it, or empty."""
    return checked(field, text) if text else ""


SPREAD = "4"
"""Usual spread of passes, in percent; Enter takes it."""

ASKED: dict[str, tuple[str, Callable[[str], Any]]] = {
    "vehicle": ("The vehicle", name),
    "before": ("The part fitted now, by the name that its captures will have", name),
    "after": ("The part fitted after", name),
    "smooth": ("The smooth road and its target speed, as NAME=SPEED (km/h unless mph is said)", road),
    "roads": (
        "The rough roads and their target speeds (km/h unless mph is said), as NAME=SPEED, NAME=SPEED …",
        lambda text: tuple(map(road, text.split(","))),
    ),
    "spread": (f"How far passes with nothing changed differ, in percent (Enter: {SPREAD}; a pilot measures it)", share),
}
"""What every plan needs → the question for it, and what reads the answer."""
RECORDED = ("mounting", "box_position", "tyre_pressures_kpa")
"""What `record` asks for in every drive unless the plan has it."""

WHY_SPREAD = (
    " (the spread is how far passes with nothing changed differ; it decides how many passes are needed. 3 to 4 % is "
    "usual, so --spread 4 is a start; --pilot measures it)"
)

FLAGS = {"roads": "--road", "spread": "--pilot or --spread"}


def asked(given: dict[str, Any], pilot: Path | None) -> dict[str, Any]:
    """All that a plan needs: what is given, and answers for the rest, asked again until valid.

    Without a terminal nothing is asked, and CallError names what is missing.
    """
    known = given | {field: recorded(field, given[field] or "") for field in RECORDED}
    _refuse_same_names(known)
    alternatives = {"spread": pilot, "after": known["control"]}
    missing = [field for field in ASKED if not (known[field] or alternatives.get(field))]
    if missing and not sys.stdin.isatty():
        raise missing_options((FLAGS.get(field, f"--{field}") for field in missing), WHY_SPREAD * ("spread" in missing))
    for field in missing:
        question, read = ASKED[field]
        known[field] = ask(question, partial(_read_answer, known, field, read), SPREAD if field == "spread" else None)
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


def _read_answer(known: dict[str, Any], field: str, read: Callable[[str], Any], text: str) -> Any:
    answer = read(text)
    _refuse_same_names(known | {field: answer})
    return answer


def _refuse_same_names(known: dict[str, Any]) -> None:
    """CallError if two parts or two roads share a name."""
    roads = [*known["roads"], *filter(None, [known["smooth"]])]
    for what, names in (("parts", [known["before"], known["after"]]), ("roads", [planned.name for planned in roads])):
        for shared, count in Counter(filter(None, names)).items():
            if count > 1:
                raise CallError(f"two {what} are named '{shared}': give each a name of its own")
