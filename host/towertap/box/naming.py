"""Names the files of a recording after its conditions; text from the user never becomes a path."""

import re
import unicodedata
from datetime import UTC, datetime

from towertap.capture.conditions import Conditions

LONGEST_PART = 40
"""Characters kept of each part of a name; five parts stay below the file systems' limit of 255 bytes."""


def slug(text: str) -> str:
    """Reduce text to `a-z 0-9 -`: accents are dropped, anything else becomes one hyphen; never empty, never a path."""
    ascii_text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", ascii_text)[:LONGEST_PART].strip("-") or "unnamed"


def renamed(stem: str, was: Conditions, now: Conditions) -> str:
    """The name of a recording after its conditions were corrected; unchanged if it was not made from them."""
    for positions in ((was.box_position, now.box_position), ("", "")):
        old, new = (
            _of_conditions(conditions, position) for conditions, position in zip((was, now), positions, strict=True)
        )
        if stem == old or stem.startswith(f"{old}_"):
            return new + stem.removeprefix(old)
    return stem


def recording_name(conditions: Conditions, started: datetime | None, position: str = "") -> str:
    """Name of a recording without suffix: `road_part_passNN_UTC`; `started` is timezone-aware, None if not known.

    The box's `position`, if given, goes before the time: two boxes may start a pass in the same second.
    """
    moment = f"{started.astimezone(UTC):%Y%m%dT%H%M%SZ}" if started else "undated"
    return f"{_of_conditions(conditions, position)}_{moment}"


def bench_name(serial: str, kind: str, started: datetime) -> str:
    """Name of a bench recording without suffix: the box, what is measured, and the time in UTC."""
    return f"{slug(serial)}-{kind}-{started:%Y%m%dT%H%M%SZ}"


def _of_conditions(conditions: Conditions, position: str) -> str:
    suffix = f"_{slug(position)}" if position else ""
    return f"{slug(conditions.road)}_{slug(conditions.part)}_pass{conditions.pass_number or 0:02d}{suffix}"
