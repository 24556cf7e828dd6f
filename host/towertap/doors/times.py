"""The one way to read an instant."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

YEARS = range(1970, 2100)
"""Outside of these a clock was never set; inside them no arithmetic leaves what Python's dates can hold."""
LONGEST = 64


def instant(text: Any) -> datetime | None:
    """The instant that an ISO 8601 text names, with its offset from UTC, or in UTC where none is written; else None."""
    try:
        moment = datetime.fromisoformat(text.strip()) if len(text) <= LONGEST else None
    except (ValueError, TypeError, AttributeError):
        return None
    if moment is None or moment.year not in YEARS:
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)
